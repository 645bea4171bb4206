"""Declaration of the cameras step: zones in; cameras, what they see, and zones that cannot be assessed out."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotools.engine.step import LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import StepError
from geotools.io.features import read_points
from geotools.plan.camera import best_class
from geotools.plan.changes import camera_changes, change_rows, others_kept
from geotools.plan.schema import BEAMS, CAMERAS, CHANGES, CLEAR_GROUND, CONFLICTS, FENCE, HEADS, VIEWS, ZONES
from geotools.plan.workspace import frame_of
from geotools.plan.zones import is_yes
from geotools.steps.cameras.assessment import Assessment
from geotools.steps.cameras.broken_rules import other_conflicts, zone_conflicts
from geotools.steps.cameras.kernel import ground_view
from geotools.steps.cameras.places import StandingGround, standing_ground
from geotools.steps.cameras.sight import SHORT_M, Camera, Sight, camera_row

Row = dict[str, Any]
#: Numbers in the names of further cameras of a zone.
_FURTHER = (2, 3)


def _cameras(ctx: StepContext, sight: Sight, ground: StandingGround) -> tuple[list[Camera], bool]:
    """The cameras, and whether further ones are proposed for zones that these leave partly unseen."""
    standing = ctx.read(CAMERAS).to_dict("records") if ctx.workspace.has(CAMERAS) else []
    if ctx.params["keep"]:
        if not ctx.workspace.has(CAMERAS):
            raise StepError(
                "there are no cameras to keep",
                where=ctx.workspace.plan,
                mend="run `geotools cameras` without --keep first, then edit its layer cameras",
            )
        return sight.given(standing), False
    if sight.settings.positions is not None:
        points = read_points(
            ctx.site.path(sight.settings.positions),
            "camera positions",
            "cameras.positions",
            ctx.workspace.work_crs,
            layer=sight.settings.positions_layer,
            crs=sight.settings.positions_crs,
        )
        return sight.given(points), False
    locked = sight.given([row for row in standing if is_yes(row["locked"])])
    served = {camera.zone_id for camera in locked}
    return [*locked, *(camera for camera in sight.propose(ground) if camera.zone_id not in served)], True


def _view_rows(sight: Sight, cameras: list[Camera], seen: Assessment) -> list[Row]:
    """A row for every camera that a zone relies on."""
    by_id = {camera.camera_id: camera for camera in cameras}
    rows = []
    of_zone: dict[str, list[str]] = {}
    for camera in cameras:
        of_zone.setdefault(camera.zone_id, []).append(camera.camera_id)
    for zone_id in sight.zones:
        length = sight.length(zone_id)
        uncovered, _ = seen.uncovered(zone_id, length)
        own = of_zone.get(zone_id, [])
        for name in seen.relied_on(zone_id, own):
            camera, share = by_id[name], seen.shares[zone_id][name]
            wide, _ = sight.sensor.field_deg(camera.lens_mm)
            far = float(sight.sensor.width_px * camera.lens_mm / sight.sensor.width_mm / share.far_px_per_m)
            rows.append(
                {
                    "view_id": f"{name}/{zone_id}",
                    "camera_id": name,
                    "zone_id": zone_id,
                    "along": "yes" if name in own else "no",
                    "zone_length_m": length,
                    "far_m": camera.aim.slant_m if name in own else far,
                    "far_px_per_m": round(share.far_px_per_m, 3),
                    "far_class": best_class(share.far_px_per_m),
                    "assessed_m": round(min(share.assessed_m, length), 3),
                    "near_m": round(camera.aim.near_m, 3) if np.isfinite(camera.aim.near_m) else None,
                    "hidden_m": round(share.hidden_m, 3),
                    "uncovered_m": round(uncovered, 3),
                    "assessed": "yes" if uncovered < SHORT_M else "no",
                    "geometry": ground_view((camera.x, camera.y), camera.aim, float(wide)),
                }
            )
    return rows


def run(ctx: StepContext) -> StepResult:
    """Propose or take cameras, and say what they cover of every zone; see the manual beside this file."""
    sight, ground = Sight(ctx), standing_ground(ctx)
    cameras, proposed = _cameras(ctx, sight, ground)
    rows = [camera_row(sight, camera) for camera in cameras]
    seen = Assessment(sight, cameras, rows, ground)
    for number in _FURTHER if proposed else ():
        short = [name for name in sight.zones if seen.uncovered(name, sight.length(name))[0] >= SHORT_M]
        names = {camera.camera_id for camera in cameras}
        options = [(f"C-{name}-{number}", name) for name in short if f"C-{name}-{number}" not in names]
        more = [camera for called, name in options if (camera := seen.further(name, called)) is not None]
        if not more:
            break
        cameras = [*cameras, *more]
        rows += [camera_row(sight, camera) for camera in more]
        seen = Assessment(sight, cameras, rows, ground)
    views = _view_rows(sight, cameras, seen)
    conflicts = zone_conflicts(sight, cameras, rows, seen)
    whole = len(sight.zones) - len(conflicts)
    conflicts += other_conflicts(sight, cameras, seen)
    kept = (
        [r for r in ctx.read(CONFLICTS).to_dict("records") if r["step"] != "cameras"]
        if ctx.workspace.has(CONFLICTS)
        else []
    )
    wanted = sight.settings.required_class
    left = [row["uncovered_m"] for row in views if row["assessed"] == "yes"]
    how = "from end to end" if max(left, default=0.0) <= 0.0 else f"each but for {max(left):.1f} m at the most"
    ctx.say(f"{len(cameras)} cameras; {whole} of {len(sight.zones)} zones assessed at class {wanted}, {how}")
    for rule in dict.fromkeys(row["rule"] for row in conflicts):
        here = [row["zone_id"] for row in conflicts if row["rule"] == rule]
        ctx.warn(f"{rule}: {len(here)} ({', '.join(here[:5])}{' ...' if len(here) > 5 else ''}); see layer conflicts")
    crs = ctx.workspace.work_crs
    before = ctx.read(CAMERAS).to_dict("records") if ctx.workspace.has(CAMERAS) else []
    changes = camera_changes(before, rows, "; ".join(ctx.causes[:3]) or "proposed anew") if before else []
    others = others_kept(ctx.read(CHANGES).to_dict("records"), "cameras") if ctx.workspace.has(CHANGES) else []
    if changes:
        ctx.say(f"{len(changes)} changes of cameras against the plan before; see layer changes")
    return StepResult(
        layers={
            "cameras": frame_of(CAMERAS, rows, crs),
            "views": frame_of(VIEWS, views, crs),
            "conflicts": frame_of(CONFLICTS, kept + conflicts, crs),
            "changes": frame_of(CHANGES, others + change_rows("cameras", changes), crs),
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
            "redesign",
            "flag",
            "propose cameras anew even where they were edited by hand; those that are locked stay",
            default=False,
        ),
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
        LayerIn(HEADS, "posts that have to be assessed, and that cameras keep away from"),
        LayerIn(FENCE, "which cameras keep away from"),
        LayerIn(CAMERAS, "cameras as they stand: all with keep, else those that are locked", required=False),
        LayerIn(CONFLICTS, "conflicts of other steps, which stay", required=False),
        LayerIn(CHANGES, "changes by other steps, which stay", required=False),
    ),
    outputs=(LayerOut(CAMERAS), LayerOut(VIEWS), LayerOut(CONFLICTS, updates=True), LayerOut(CHANGES, updates=True)),
    order=28,
    citations=(
        "IEC 62676-4:2014 / EN 62676-4:2015, pixel density classes (from memory; superseded by an edition of 2025)",
        "thin lens; camera heights: common practice, no source",
    ),
    cautions=("Densities are geometry alone: light, weather, fog and compression take their share; try it on site.",),
)
