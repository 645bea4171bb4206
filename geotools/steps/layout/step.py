"""Declaration of the layout step: fence in; corridor, zones, heads and beams out."""

from __future__ import annotations

import numpy as np
from shapely import LineString, MultiPolygon, Point, unary_union

from geotools.corridor import BeamLine
from geotools.errors import InfeasibleError, InputError
from geotools.schema import BEAMS, CORRIDOR, FENCE, HEADS, ZONES
from geotools.step import LayerIn, LayerOut, Step, StepContext, StepResult
from geotools.steps.layout.beamline import midway_line, setback_line, smoothed
from geotools.steps.layout.kernel import Cut, alternate_roles, cut_zones
from geotools.workspace import frame_of

Row = dict[str, object]


def _beam_lines(ctx: StepContext) -> list[tuple[str, LineString, LineString]]:
    """(fence id, fence, beam line) for every fence line that is to be followed."""
    fences = list(ctx.read(FENCE)[["fence_id", "geometry"]].itertuples(index=False, name=None))
    side, setback = ctx.site.layout.side, ctx.site.layout.setback_m
    if side != "between":
        return [(name, line, smoothed(setback_line(line, side, setback, name))) for name, line in fences]
    if len(fences) != 2:
        raise InfeasibleError(
            "a beam line midway needs two fence lines",
            where="layer fence",
            found=f"{len(fences)} fence line(s)",
            expected="two",
            mend="set layout.side, or give both fences in one file",
        )
    # The outer fence is followed: numbering starts where it starts.
    (name, outer), (_, inner) = sorted(fences, key=lambda pair: -pair[1].length)
    return [(name, outer, smoothed(midway_line(outer, inner)))]


def _post_ground(ctx: StepContext, line: BeamLine, zone_id: str) -> tuple[float, float]:
    levels = ctx.terrain.profile(line, [0.0, line.length])
    if not np.isfinite(levels).all():
        x, y = line.to_map(0.0 if not np.isfinite(levels[0]) else line.length)
        raise InputError(
            "a post would stand where the terrain has no data",
            where=f"zone {zone_id}, x {float(x):.2f} y {float(y):.2f} m",
            mend="give a raster that covers the corridor, or change layout.setback_m",
        )
    return float(levels[0]), float(levels[1])


def _check_length(ctx: StepContext, zone_id: str, length: float) -> None:
    for level in ctx.site.stack_levels():
        kind = ctx.site.all_head_types[level.head_type]
        if not kind.min_range_m <= length <= kind.max_range_m:
            ctx.warn(
                f"zone {zone_id} is {length:.1f} m long; {level.head_type} heads work from "
                f"{kind.min_range_m:g} to {kind.max_range_m:g} m"
            )


def _zone_rows(ctx: StepContext, zone_id: str, cut: Cut, starts_with_tx: bool) -> tuple[list[Row], list[Row]]:
    """Heads and beams of one zone. Beams run from transmitter to receiver."""
    line = cut.line if starts_with_tx else cut.line.reversed()
    tx_ground, rx_ground = _post_ground(ctx, line, zone_id)
    _check_length(ctx, zone_id, line.length)
    heads: list[Row] = []
    beams: list[Row] = []
    for level in ctx.site.stack_levels():
        z = (tx_ground + level.height_m, rx_ground + level.height_m)
        tilt = float(np.degrees(np.arctan2(z[1] - z[0], line.length)))
        shared: Row = {
            "zone_id": zone_id,
            "level": level.level,
            "head_type": level.head_type,
            "band_ghz": ctx.site.all_head_types[level.head_type].frequency_ghz,
        }
        ends = (
            ("transmitter", "TX", "A" if starts_with_tx else "B", line.x0, line.y0, tx_ground, line.azimuth_deg, tilt),
            (
                "receiver",
                "RX",
                "B" if starts_with_tx else "A",
                line.x1,
                line.y1,
                rx_ground,
                line.reversed().azimuth_deg,
                -tilt,
            ),
        )
        for role, short, post, x, y, ground, azimuth, aim in ends:
            heads.append(
                {
                    **shared,
                    "head_id": f"{zone_id}-{short}-{level.level}",
                    "post_id": f"{zone_id}-{post}",
                    "role": role,
                    "height_m": level.height_m,
                    "ground_m": ground,
                    "polarisation": level.polarisation,
                    "azimuth_deg": azimuth,
                    "tilt_deg": aim,
                    "geometry": Point(x, y, ground + level.height_m),
                }
            )
        beams.append(
            {
                **shared,
                "beam_id": f"{zone_id}-{level.level}",
                "tx_head_id": f"{zone_id}-TX-{level.level}",
                "rx_head_id": f"{zone_id}-RX-{level.level}",
                "length_m": line.length,
                "tx_height_m": level.height_m,
                "rx_height_m": level.height_m,
                "geometry": LineString([(line.x0, line.y0, z[0]), (line.x1, line.y1, z[1])]),
            }
        )
    return heads, beams


def run(ctx: StepContext) -> StepResult:
    """Lay out every fence line; see the manual beside this file."""
    settings, half = ctx.site.layout, ctx.site.detection.half_width_m
    levels = " ".join(level.level for level in ctx.site.stack_levels())
    rows: dict[str, list[Row]] = {"corridor": [], "zones": [], "heads": [], "beams": []}
    for fence_id, fence, beam_line in _beam_lines(ctx):
        reach = min(settings.overlap_m / 2, settings.setback_m / 2)
        cuts = cut_zones(beam_line, settings.max_zone_m, settings.overlap_m, reach)
        for number, (cut, starts_with_tx) in enumerate(zip(cuts, alternate_roles(len(cuts)), strict=True), start=1):
            zone_id = f"{fence_id}-Z{number:03d}"
            ctx.progress(number - 1, len(cuts), f"zone {zone_id}")
            heads, beams = _zone_rows(ctx, zone_id, cut, starts_with_tx)
            rows["heads"] += heads
            rows["beams"] += beams
            start, end = (cut.line.x0, cut.line.y0), (cut.line.x1, cut.line.y1)
            rows["zones"].append(
                {
                    "zone_id": zone_id,
                    "fence_id": fence_id,
                    "number": number,
                    "length_m": cut.line.length,
                    "half_width_m": half,
                    "fence_from_m": fence.project(Point(start)),
                    "fence_to_m": fence.project(Point(end)),
                    "start_role": "transmitter" if starts_with_tx else "receiver",
                    "levels": levels,
                    "geometry": cut.line.rectangle(0.0, cut.line.length, half),
                }
            )
        area = unary_union([row["geometry"] for row in rows["zones"] if row["fence_id"] == fence_id])
        rows["corridor"].append(
            {
                "corridor_id": f"{fence_id}-C",
                "fence_id": fence_id,
                "half_width_m": half,
                "area_m2": area.area,
                "geometry": area if isinstance(area, MultiPolygon) else MultiPolygon([area]),
            }
        )
    ctx.say(f"{len(rows['zones'])} zones, {len(rows['heads'])} heads, levels {levels}")
    crs = ctx.workspace.work_crs
    schemas = {"corridor": CORRIDOR, "zones": ZONES, "heads": HEADS, "beams": BEAMS}
    return StepResult(
        layers={name: frame_of(schema, rows[name], crs) for name, schema in schemas.items()},
        summary={"zones": len(rows["zones"]), "heads": len(rows["heads"]), "beams": len(rows["beams"])},
    )


STEP = Step(
    name="layout",
    title="Lay out zones and heads",
    summary="Cuts the fence line into overlapping zones and sets stacked heads at both ends of each.",
    run=run,
    inputs=(LayerIn(FENCE, "the line that is protected"),),
    outputs=(LayerOut(CORRIDOR), LayerOut(ZONES), LayerOut(HEADS), LayerOut(BEAMS)),
    order=20,
    citations=("UFC 4-021-02NF, 5-4.3.2 (ranges)", "head heights, overlap and stacking: common practice, no source"),
)
