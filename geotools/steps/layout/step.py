"""Declaration of the layout step: fence in; corridor, zones, heads, beams, free widths and broken rules out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from shapely import unary_union

from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import StepError
from geotools.io.crs import metres_per_unit
from geotools.plan.model import Head, Zone
from geotools.plan.schema import (
    BEAMS,
    CHANGES,
    CLEAR_GROUND,
    CONFLICTS,
    CORRIDOR,
    FENCE,
    HEADS,
    STANDOFFS,
    WIDTHS,
    ZONES,
)
from geotools.plan.workspace import frame_of
from geotools.plan.zones import beam_rows, head_rows, zone_row
from geotools.steps.layout.by_hand import difference, incomplete
from geotools.steps.layout.checks import Conflict
from geotools.steps.layout.gates import leaves_in_beams
from geotools.steps.layout.locks import locked_names
from geotools.steps.layout.null_heights import MovedHeads, moved_words
from geotools.steps.layout.reasons import changes_since, price_words
from geotools.steps.layout.request import Request
from geotools.steps.layout.rows import areas, conflict_rows, junction_names, width_rows
from geotools.steps.layout.standoffs import said
from geotools.steps.layout.width import beam_half_width, narrow_stretches
from geotools.steps.layout.zones_apart import in_chains, left_without_zone, meets_next

Row = dict[str, Any]


def run(ctx: StepContext) -> StepResult:
    """Lay out every fence line, or judge the heads as they stand; see the manual beside this file."""
    layout = Request(ctx)
    found = layout.courses()
    gates = layout.gate_stretches(found)
    before = _heads_before(ctx)
    stands = (ctx.params["keep"] or ctx.params["extend"]) and not ctx.params["redesign"]
    meant = layout.standing.meant() if stands else None
    kept = layout.standing.keep(found, meant) if meant is not None else None
    if kept is not None and ctx.params["extend"]:
        kept = {name: [layout.extended(zone) for zone in zones] for name, zones in kept.items()}
    locked = layout.standing.locked(found) if kept is None else {}
    half = ctx.site.detection.half_width_m
    middle = layout.longest_m / 2
    needed = 2 * (
        float(beam_half_width(middle, middle, layout.frequency_hz, zones=layout.settings.fresnel_zones))
        + layout.settings.margin_m
    )
    rows: dict[str, list[Row]] = {
        name: [] for name in ("corridor", "zones", "heads", "beams", "clear_ground", "widths", "standoffs")
    }
    conflicts: list[Conflict] = []
    everything: list[Zone] = []
    moved: list[MovedHeads] = []
    stood = {str(row["head_id"]) for row in before}

    def may_move(head: Head) -> bool:
        if kept is not None:
            return bool(ctx.params["extend"]) and head.head_id not in stood
        return not head.held

    for done, course in enumerate(found):
        ctx.progress(done, len(found), f"fence line {course.fence_id}")
        zones = (
            kept[course.fence_id]
            if kept is not None
            else layout.design(course, gates[course.fence_id], locked.get(course.fence_id, ()))
        )
        closed = bool(course.line.is_closed)
        zones, set_here, in_nulls = layout.null_heights(course.fence_id, may_move).of_all(zones)
        moved, conflicts = moved + set_here, conflicts + in_nulls
        everything += zones
        met = meets_next(zones, course.line, ctx.terrain.sample, closed=closed)
        for zone, junctions in zip(zones, junction_names(zones, met), strict=True):
            rows["heads"] += head_rows(zone, junctions)
            rows["beams"] += beam_rows(zone)
            rows["zones"].append(zone_row(zone, course.fence, half))
        judge, limits = layout.judge_of(course.fence_id), layout.limits_of(course.fence_id)
        for chain, closes in in_chains(zones, met):
            conflicts += judge.chain(chain, course.ground, limits, closed=closes)
        conflicts += left_without_zone(zones, met, course, layout.longest_m, closed=closed)
        widths = layout.widths(course)
        narrow = narrow_stretches(widths.chainage, widths.total, needed)
        for stretch in narrow:
            at = course.line.interpolate(stretch.worst_at)
            conflicts.append(
                Conflict(
                    "corridor too narrow",
                    course.fence_id,
                    (),
                    (at.x, at.y),
                    f"{stretch.width:.2f} m wide at chainage {stretch.worst_at:.1f} m, too narrow from "
                    f"{stretch.start:.1f} to {stretch.end:.1f} m",
                    f"{needed:.2f} m for the longest zone at its middle",
                    "shorter zones there, a stack of a higher band, or more clear ground",
                )
            )
        area = unary_union([row["geometry"] for row in rows["zones"] if row["fence_id"] == course.fence_id])
        rows["corridor"].append(
            {
                "corridor_id": f"{course.fence_id}-C",
                "fence_id": course.fence_id,
                "half_width_m": half,
                "area_m2": area.area,
                "least_width_m": float(widths.total.min()),
                "narrow_m": sum(stretch.end - stretch.start for stretch in narrow),
                "geometry": areas(area),
            }
        )
        rows["clear_ground"].append(
            {"fence_id": course.fence_id, "area_m2": course.ground.area, "geometry": areas(course.ground)}
        )
        rows["widths"] += width_rows(course, widths, needed)
        rows["standoffs"] += layout.standoffs.rows(course, zones, None if kept is not None else layout.on_line(course))
    conflicts += layout.stack_conflicts(everything) + leaves_in_beams(everything, layout.gates)
    if meant is not None:
        rows["heads"] += meant.lone
        rows["zones"] += meant.empty_zones
        conflicts += incomplete(meant)
        for text in meant.notes:
            ctx.warn(text)
    if before and ctx.params["redesign"]:
        ctx.warn(f"discarded on request: {difference(before, rows['heads'])}")
    broken = conflict_rows(conflicts)
    files = ["plan.png", "stacks.pdf"]
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.plan.stack_sheets import StackPaper, fence_tops, stack_sheets
    from geotools.steps.layout.picture import plan_picture

    plan_picture(ctx.scratch / files[0], found, everything, broken, ctx.site.name, layout.gates)
    paper = StackPaper(ctx.site.recipient, metres_per_unit(ctx.workspace.plan_crs))
    stack_sheets(ctx.scratch / files[1], everything, ctx.site.name, fence_tops(ctx.read(FENCE)), paper=paper)
    _say(ctx, layout, everything, conflicts)
    ctx.say(said(rows["standoffs"]))
    if moved:
        ctx.say(moved_words(moved, layout.settings.head_settlement_m))
    crs = ctx.workspace.work_crs
    schemas = {s.name: s for s in (CORRIDOR, ZONES, HEADS, BEAMS, CLEAR_GROUND, WIDTHS, STANDOFFS, CONFLICTS, CHANGES)}
    rows["conflicts"] = broken
    stays = locked_names(zone for zones in locked.values() for zone in zones)
    rows["changes"] = changes_since(ctx, before, rows["heads"], stays, {one.beam_id for one in moved})
    return StepResult(
        layers={name: frame_of(schema, rows[name], crs) for name, schema in schemas.items()},
        files=files,
        summary={
            "zones": len(rows["zones"]),
            "heads": len(rows["heads"]),
            "beams": len(rows["beams"]),
            "posts": 2 * len(rows["zones"]),
            "longest_zone_m": round(max((row["length_m"] for row in rows["zones"]), default=0.0), 3),
            "run_past_junctions_m": round(layout.extension_m, 3),
            "within_reach": sum(not row["out_of_reach"] for row in rows["standoffs"]),
            "conflicts_found": len(broken),
            "heads_moved_off_nulls": len(moved),
            "changes": len(rows["changes"]),
            "kept": kept is not None,
        },
    )


def _heads_before(ctx: StepContext) -> list[Row]:
    """Heads that stand in the plan; none where it was written by another version, and is now written anew."""
    if not ctx.workspace.has(HEADS):
        return []
    try:
        return ctx.read(HEADS).to_dict("records")
    except StepError:
        if ctx.params["keep"] or ctx.params["extend"] or ctx.params["redesign"]:
            raise
        return []


def _say(ctx: StepContext, layout: Request, zones: Sequence[Zone], conflicts: Sequence[Conflict]) -> None:
    levels = " ".join(level.level for level in layout.levels)
    heads = sum(len(zone.heads) for zone in zones)
    ctx.say(
        f"{len(zones)} zones, {heads} heads, levels {levels}; beams run {layout.extension_m:.1f} m past each junction"
    )
    ctx.say(price_words(zones, ctx.site.prices, layout.settings.dead_ground_m))
    if layout.longest_m < layout.allowed_m:
        ctx.warn(
            f"zones are kept to {layout.longest_m:.0f} m of the {layout.allowed_m:.0f} m allowed: longer beams detect "
            "the threats so far from their heads that they would cover less ground; a further head in [[stack]] helps"
        )
    counts: dict[str, int] = {}
    for conflict in conflicts:
        counts[conflict.rule] = counts.get(conflict.rule, 0) + 1
    for rule, count in sorted(counts.items()):
        where = sorted({conflict.zone_id for conflict in conflicts if conflict.rule == rule})
        shown = ", ".join(where[:4]) + (f" and {len(where) - 4} more" if len(where) > 4 else "")
        ctx.warn(f"{rule}: {count} ({shown}); see layer conflicts")


STEP = Step(
    name="layout",
    title="Lay out zones and heads",
    summary="Finds the cheapest zones along the fence, sets stacked heads at both ends of each, and checks every rule.",
    run=run,
    params=(
        Param(
            "keep",
            "flag",
            "take the heads as they stand in the plan (edited in a GIS) and only check them against the rules",
            default=False,
        ),
        Param(
            "extend",
            "flag",
            "leave posts and heads as they stand and add the heads that the stack now has and a zone lacks, only those",
            default=False,
        ),
        Param(
            "redesign",
            "flag",
            "lay out anew even where heads, zones or beams were edited by hand, and discard those edits",
            default=False,
        ),
    ),
    inputs=(
        LayerIn(FENCE, "the line that is protected"),
        LayerIn(HEADS, "heads as they stand, kept or compared with", required=False),
        LayerIn(ZONES, "fence line and number of the zones, with keep", required=False),
        LayerIn(BEAMS, "heights that were edited there, with keep", required=False),
    ),
    outputs=(
        LayerOut(CORRIDOR),
        LayerOut(ZONES),
        LayerOut(HEADS),
        LayerOut(BEAMS),
        LayerOut(CLEAR_GROUND),
        LayerOut(WIDTHS),
        LayerOut(STANDOFFS),
        LayerOut(CONFLICTS),
        LayerOut(CHANGES),
    ),
    files=(
        FileOut("plan.png", "picture", "the site from above: fences, gates, clear ground, zones, heads, conflicts"),
        FileOut("stacks.pdf", "document", "every post from the side: heads, heights, bands, polarisation, aim"),
    ),
    order=20,
    citations=(
        "ITU-R P.530-18 (2021), clause 2.2.1: radius of the first Fresnel zone (edition and clause from memory)",
        "ranges, beamwidths and heights of heads: placeholders until the site file gives them",
        "head heights, overlap, stacking and like beside like: common practice, no source",
    ),
    sparing=("extend", "keep"),
)
