"""Declaration of the cameras step: zones in; cameras, what they see, and zones that cannot be assessed out."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
from shapely import Point

from geotools.engine.step import LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import StepError
from geotools.io.features import read_points
from geotools.plan.camera import best_class
from geotools.plan.schema import BEAMS, CAMERAS, CLEAR_GROUND, CONFLICTS, VIEWS, ZONES
from geotools.plan.workspace import frame_of
from geotools.steps.cameras.kernel import ground_view
from geotools.steps.cameras.sight import SHORT_M, Camera, Seen, Sight, camera_row

Row = dict[str, Any]


def _cameras(ctx: StepContext, sight: Sight) -> tuple[list[Camera], dict[str, Camera]]:
    """The cameras, and further ones to propose for zones that these leave partly unseen."""
    if ctx.params["keep"]:
        if not ctx.workspace.has(CAMERAS):
            raise StepError(
                "there are no cameras to keep",
                where=ctx.workspace.plan,
                mend="run `geotools cameras` without --keep first, then edit its layer cameras",
            )
        return sight.given(ctx.read(CAMERAS).to_dict("records")), {}
    if sight.settings.positions is not None:
        points = read_points(
            ctx.site.path(sight.settings.positions),
            "camera positions",
            "cameras.positions",
            ctx.workspace.work_crs,
            layer=sight.settings.positions_layer,
            crs=sight.settings.positions_crs,
        )
        return sight.given(points), {}
    clear: gpd.GeoDataFrame = ctx.read(CLEAR_GROUND)
    return sight.propose(dict(zip(clear["fence_id"], clear.geometry, strict=True)))


def run(ctx: StepContext) -> StepResult:
    """Propose or take cameras, and say what they cover of every zone; see the manual beside this file."""
    sight = Sight(ctx)
    cameras, seconds = _cameras(ctx, sight)
    rows = [camera_row(sight, camera) for camera in cameras]
    seen = Seen(sight, cameras, rows)
    more = [second for name, second in seconds.items() if seen.uncovered(name, sight.length(name))[0] >= SHORT_M]
    if more:
        cameras = [*cameras, *more]
        rows += [camera_row(sight, camera) for camera in more]
        seen = Seen(sight, cameras, rows)
    wanted = sight.settings.required_class
    views, conflicts = [], []
    lengths = {name: sight.length(name) for name in sight.zones}
    by_zone: dict[str, list[str]] = {}
    for camera in cameras:
        by_zone.setdefault(camera.zone_id, []).append(camera.camera_id)
        assessed, hidden, density = seen.own[camera.camera_id]
        length = lengths[camera.zone_id]
        uncovered, _ = seen.uncovered(camera.zone_id, length)
        wide, _ = sight.sensor.field_deg(camera.lens_mm)
        views.append(
            {
                "view_id": f"{camera.camera_id}/{camera.zone_id}",
                "camera_id": camera.camera_id,
                "zone_id": camera.zone_id,
                "zone_length_m": length,
                "far_m": camera.aim.slant_m,
                "far_px_per_m": round(density, 3),
                "far_class": best_class(density),
                "assessed_m": round(min(assessed, length), 3),
                "near_m": round(camera.aim.near_m, 3) if np.isfinite(camera.aim.near_m) else None,
                "hidden_m": round(hidden, 3),
                "uncovered_m": round(uncovered, 3),
                "assessed": "yes" if uncovered < SHORT_M else "no",
                "geometry": ground_view((camera.x, camera.y), camera.aim, float(wide)),
            }
        )
    for zone_id, (a, b) in sight.zones.items():
        uncovered, middle = seen.uncovered(zone_id, lengths[zone_id])
        if uncovered < SHORT_M:
            continue
        at = a + (b - a) * middle / lengths[zone_id]
        names = by_zone.get(zone_id, [])
        longest = max((row["longest_zone_m"] for row in rows if row["camera_id"] in names), default=0.0)
        short = [c for c in cameras if c.camera_id in names and c.lens_mm < c.needed_mm * 0.999]
        conflicts.append(
            {
                "conflict_id": f"zone-not-assessed-in-full/{zone_id}",
                "step": "cameras",
                "rule": "zone not assessed in full",
                "zone_id": zone_id,
                "head_ids": "",
                "found": f"{uncovered:.1f} m of {lengths[zone_id]:.1f} m not assessed at class {wanted}"
                + (f"; cameras {', '.join(names)} reach {longest:.0f} m" if names else "; no camera looks along it"),
                "expected": f"{sight.density:g} px/m in sight everywhere",
                "mend": f"a lens of {max(c.needed_mm for c in short):.1f} mm or a sensor with more pixels"
                if short
                else "a camera from another side, a higher mast, or one farther back",
                "geometry": Point(at),
            }
        )
    kept = (
        [r for r in ctx.read(CONFLICTS).to_dict("records") if r["step"] != "cameras"]
        if ctx.workspace.has(CONFLICTS)
        else []
    )
    whole = len(sight.zones) - len(conflicts)
    ctx.say(
        f"{len(cameras)} cameras; {whole} of {len(sight.zones)} zones assessed at class {wanted}, "
        f"each but for less than {SHORT_M:g} m"
    )
    if conflicts:
        named = ", ".join(row["zone_id"] for row in conflicts[:5]) + (" ..." if len(conflicts) > 5 else "")
        ctx.warn(f"zone not assessed in full: {len(conflicts)} ({named}); see layer conflicts")
    crs = ctx.workspace.work_crs
    return StepResult(
        layers={
            "cameras": frame_of(CAMERAS, rows, crs),
            "views": frame_of(VIEWS, views, crs),
            "conflicts": frame_of(CONFLICTS, kept + conflicts, crs),
        },
        summary={
            "cameras": len(cameras),
            "zones_assessed": whole,
            "required_class": wanted,
            "conflicts_found": len(conflicts),
        },
    )


STEP = Step(
    name="cameras",
    title="Assess by camera",
    summary="Checks whether every zone can be assessed by camera: density, lens, longest zone, line of sight.",
    run=run,
    params=(
        Param(
            "keep",
            "flag",
            "take the cameras as they stand in the plan (edited in a GIS) and only compute what they cover",
            default=False,
        ),
    ),
    inputs=(
        LayerIn(ZONES, "what has to be assessed"),
        LayerIn(BEAMS, "where each zone runs"),
        LayerIn(CLEAR_GROUND, "where a camera post may stand"),
        LayerIn(CAMERAS, "cameras as they stand, with keep", required=False),
        LayerIn(CONFLICTS, "conflicts of other steps, which stay", required=False),
    ),
    outputs=(LayerOut(CAMERAS), LayerOut(VIEWS), LayerOut(CONFLICTS, updates=True)),
    order=28,
    citations=(
        "IEC 62676-4:2014 / EN 62676-4:2015, pixel density classes (from memory; superseded by an edition of 2025)",
        "thin lens; camera heights: common practice, no source",
    ),
    cautions=("Densities are geometry alone: light, weather, fog and compression take their share; try it on site.",),
)
