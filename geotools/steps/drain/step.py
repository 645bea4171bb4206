"""Declaration of the drain step: beams and design surface in; ponds and flow across the beams out."""

from __future__ import annotations

from functools import partial
from itertools import islice

from geotools.detection.chains import perimeter_of
from geotools.earthwork.from_plan import CUT_FILL, design_of, surface_over
from geotools.earthwork.waterway import standing_ways, water_ways
from geotools.engine.step import LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import counted
from geotools.io.crs import metres_per_unit
from geotools.plan import cautions
from geotools.plan.schema import BEAMS, FENCE, FLOW_CROSSINGS, PONDS, WATER_CROSSINGS, ZONES
from geotools.plan.workspace import frame_of
from geotools.steps.drain.kernel import water_around
from geotools.steps.drain.nearby import LowHeads, Ways
from geotools.steps.drain.rows import Row, crossing_rows, dams, pond_rows
from geotools.steps.drain.surroundings import looked_at

#: Standing water added by grading that is worth a warning, m3.
POND_M3 = 0.1
#: Zones whose surroundings are held at once.
_ZONES_AT_ONCE = 24


def run(ctx: StepContext) -> StepResult:
    """Find standing and running water; see the manual beside this file."""
    beams = ctx.read(BEAMS)
    perimeter = perimeter_of(ctx.site, ctx.read, ctx.terrain, ctx.warn)
    folder = ctx.workspace.folder
    graded = (folder / CUT_FILL).exists()
    if graded:
        surface = design_of(ctx.site, perimeter, ctx.terrain, folder, ctx.workspace.plan_crs)
    else:
        surface = surface_over(ctx.site, perimeter, ctx.terrain)
        ctx.say("no design surface yet: only the ground as it is was looked at")
    unit = metres_per_unit(ctx.workspace.plan_crs)
    half = ctx.site.detection.half_width_m
    heads = LowHeads(beams)
    stands = standing_ways(ctx.site, ctx.workspace.work_crs)
    if stands:
        ctx.say(f"with the {counted(len(stands), 'way')} for water of input.waterways kept open")
    built = [way.levels for way in water_ways(ctx)] if graded else []
    if built:
        ctx.say(f"after: with the {counted(len(built), 'way')} for water of water_crossings built and kept open")
    kept_open = Ways(stands), Ways([*stands, *built])
    ways_built = Ways(built)
    told: dict[tuple[str, int, int], Row] = {}
    flow_rows: list[Row] = []
    dammed: list[str] = []
    changed: list[str] = []
    find = partial(
        water_around,
        cell=surface.cell_m,
        min_depth=ctx.params["min_depth_m"],
        min_catchment=ctx.params["min_catchment_m2"],
    )
    names = iter(perimeter.zones)
    while some := list(islice(names, _ZONES_AT_ONCE)):
        for window, now, after in looked_at(ctx, perimeter, surface, some, find, kept_open):
            if window.moved and graded:
                changed.append(window.zone_id)
            for state, water in (("now", now), ("after", after))[: 2 if graded else 1]:
                for nearest, key, row in pond_rows(window, water, state, perimeter, half, heads, unit):
                    if nearest or key not in told:
                        told[key] = row
                flow_rows += crossing_rows(window, water, state)
            dammed += dams(window, now, ways_built)
    standing = list(told.values())
    for dam in dammed:
        ctx.warn(dam)
    crs = ctx.workspace.work_crs
    return StepResult(
        layers={
            "ponds": frame_of(PONDS, standing, crs),
            "flow_crossings": frame_of(FLOW_CROSSINGS, flow_rows, crs),
        },
        summary=_summary(ctx, standing, flow_rows, changed),
    )


def _summary(ctx: StepContext, standing: list[Row], flow_rows: list[Row], graded: list[str]) -> dict[str, object]:
    figures: dict[str, object] = {}
    for state in ("now", "after"):
        mine = [r for r in standing if r["state"] == state]
        volume = sum(float(str(r["volume_m3"])) for r in mine)
        flows = sum(r["state"] == state for r in flow_rows)
        if mine or flows or state == "now":
            ctx.say(
                f"{state}: {counted(len(mine), 'pond')} in the zones, {volume:.2f} m3; "
                f"{counted(flows, 'flow path')} across the beams"
            )
        figures[state] = {"ponds": len(mine), "volume_m3": round(volume, 3), "flow_crossings": flows}
    # by the zone that a pond is named after
    ponds: dict[tuple[str, str], list[Row]] = {}
    for row in standing:
        ponds.setdefault((str(row["pond_id"]).rpartition("-P")[0], str(row["state"])), []).append(row)
    for zone_id in graded:
        held = {state: ponds.get((zone_id, state), []) for state in ("now", "after")}
        now, after = (sum(float(str(r["volume_m3"])) for r in held[state]) for state in ("now", "after"))
        if after > now + POND_M3:
            deepest = max(float(str(r["depth_m"])) for r in held["after"])
            ctx.warn(
                f"grading makes water stand at {zone_id}: {now:.2f} m3 now, {after:.2f} m3 after, {deepest:.2f} m "
                "deep; a way for the water, or a cut outlet, is needed"
            )
    splashed = sorted({name for r in standing if r["splash"] for name in str(r["splash"]).split()})
    if splashed:
        ctx.warn(f"low heads beside standing water, rain will splash them: {', '.join(splashed)}")
    return figures | {"splashed_heads": splashed}


STEP = Step(
    name="drain",
    title="Find standing and running water",
    summary="Finds where water stands in the zones and where it crosses the beams, now and on the design surface.",
    run=run,
    params=(
        Param(
            "margin_m",
            "real",
            "ground looked at beside the lines, more where a pond reaches on",
            20.0,
            "m",
            5,
            200,
        ),
        Param("min_depth_m", "real", "shallower ponds are left out", 0.03, "m", 0.005, 1),
        Param("min_catchment_m2", "real", "smaller streams are left out", 100.0, "m2", 1, 1e6),
    ),
    inputs=(
        LayerIn(FENCE, "which zones follow each other, and which side is inside"),
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(BEAMS, "beam lines, low heads"),
        LayerIn(WATER_CROSSINGS, "ways for water that the works build", required=False),
    ),
    outputs=(LayerOut(PONDS), LayerOut(FLOW_CROSSINGS)),
    order=60,
    citations=(
        "depression filling: Barnes, Lehman and Mulla, Computers & Geosciences 62, 2014",
        "single-direction flow: O'Callaghan and Mark, Computer Vision, Graphics and Image Processing 28, 1984",
    ),
    cautions=(cautions.WATER,),
)
