"""Declaration of the remedy step: dead spots in; options, advice and the proposed state out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import geopandas as gpd
from shapely import STRtree, get_coordinates

from geotools.detection.chains import perimeter_of
from geotools.detection.from_plan import definition_of, head_type_of
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.from_plan import (
    CUT_FILL,
    grade_settings,
    keep_mask,
    kept_areas,
    prices_of,
    surface_over,
    write_change,
)
from geotools.earthwork.proposal import proposed_rows
from geotools.earthwork.waterway import standing_ways
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import counted
from geotools.plan.locks import locks_of
from geotools.plan.model import BeamPair, DeadSpot
from geotools.plan.moving import MoveLimits
from geotools.plan.schema import (
    ADVICE,
    BEAMS,
    CLEAR_GROUND,
    CROSSINGS,
    DEAD_SPOTS,
    FENCE,
    HEAD_HEIGHTS,
    HEADS,
    OPTIONS,
    PROPOSED_HEADS,
    WATER_CROSSINGS,
    ZONES,
)
from geotools.plan.workspace import frame_of
from geotools.site import Site, stack_for
from geotools.site.placeholders import price_mark
from geotools.steps.remedy.advice import advise_zone
from geotools.steps.remedy.joint import JointDesign, put_together
from geotools.steps.remedy.limits import RemedyLimits, searched_heights
from geotools.steps.remedy.option import Option, reason_for
from geotools.steps.remedy.options import zone_options
from geotools.steps.remedy.rows import Row, advice_row, crossing_rows, for_tolerances, multi, option_rows, works_area
from geotools.steps.remedy.windows import accepted_openings, accepted_zones
from geotools.terrain.design import DesignSurface, Kept

#: What beams gave on ground that was tried before: more than a quarter of all that is requested for a site of 0.5 km.
_REMEMBERED_BYTES = 48_000_000


@dataclass(frozen=True)
class CompareTask:
    """What is common to every zone: the site, its perimeter solved as it stands, what may be done, what is kept."""

    site: Site
    perimeter: Perimeter
    limits: RemedyLimits
    kept: STRtree


def compare(task: CompareTask, zone_id: str) -> tuple[list[Option], str]:
    """The options of one zone, in whatever process, and what was said of grading it alone."""
    surface = surface_over(task.site, task.perimeter, task.perimeter.ground, [zone_id])
    options, grading = zone_options(task.perimeter, surface, zone_id, task.limits, keep_mask(task.kept, surface))
    return options, grading.reason


def _spots(perimeter: Perimeter, frame: gpd.GeoDataFrame) -> dict[str, list[DeadSpot]]:
    """Dead spots by zone. Chainages are taken from the areas themselves, so that an edited area counts."""
    found: dict[str, list[DeadSpot]] = {}
    for row in frame.sort_values("spot_id").itertuples():
        if row.zone_id not in perimeter.zones or row.threat not in perimeter.rules.targets:
            continue
        along, _ = perimeter.zones[row.zone_id].line.from_map(*get_coordinates(row.geometry).T)
        spot = DeadSpot(float(along.min()), float(along.max()), row.spot_id, row.threat)
        found.setdefault(row.zone_id, []).append(spot)
    return found


def _more_pairs(site: Site) -> tuple[tuple[BeamPair, tuple[float, float]], ...]:
    """What may be added to a stack: heads of every level that the site's rules know, whoever calls for them."""
    # a head at the fence's top is no option where nobody says how high that is
    known = [rule for rule in site.stack_rules if not rule.at_fence_top or site.fence_height_m is not None]
    rules = [rule.model_copy(update={"threats": ()}) for rule in known]
    bands = {name: kind.frequency_ghz for name, kind in site.all_head_types.items()}
    return tuple(
        (BeamPair(one.level, head_type_of(site, one.head_type), one.height_m, one.height_m), one.limits_m)
        for one in stack_for(site.threats, rules, site.fence_height_m, bands)
    )


def _move_limits(ctx: StepContext) -> MoveLimits:
    """Where lines may be moved to: the clear ground of the layout, nowhere where the plan does not hold it."""
    layout = ctx.site.layout
    ground = ctx.read(CLEAR_GROUND).set_index("fence_id").geometry if ctx.workspace.has(CLEAR_GROUND) else {}
    return MoveLimits(dict(ground.items()), layout.margin_m, layout.post_clear_m, layout.fresnel_zones)


def run(ctx: StepContext) -> StepResult:
    """Compare the options of every zone, put the best together, and ask again; see the manual beside this file."""
    site = ctx.site
    frame = ctx.read(DEAD_SPOTS)
    if (frame["method"] == "straightness").any():
        ctx.warn(
            "the dead spots come from the straight-edge check; what is advised here is by the wave model, "
            "which may find other spots: run `geotools gaps` with --method wave before relying on it"
        )
    ground = ctx.terrain
    perimeter = perimeter_of(site, ctx.read, ground, ctx.warn)
    locks = locks_of(ctx.read(ZONES), ctx.read(HEADS) if ctx.workspace.has(HEADS) else None)
    settings = replace(grade_settings(site, ctx.read(FENCE)), fixed=locks.fixed)
    stands = tuple(standing_ways(site, ctx.workspace.work_crs))
    if stands and settings.water is not None:
        settings = replace(settings, water=replace(settings.water, ways=stands))
        ctx.say(f"with the {counted(len(stands), 'way')} for water of input.waterways kept open")
    kept = kept_areas(site, ctx.read(FENCE), ctx.workspace.work_crs)
    p = site.prices
    if not p.model_fields_set:
        ctx.warn("the site file sets no prices: costs are round placeholders, good for comparing options alone")
    prices = prices_of(site)
    layout = site.layout
    searched = searched_heights(ctx.read(HEAD_HEIGHTS)) if ctx.workspace.has(HEAD_HEIGHTS) else {}
    limits = RemedyLimits(
        settings, prices, _more_pairs(site), layout.overlap_m, layout.min_zone_m, _move_limits(ctx), locks, searched
    )
    perimeter.remember(_REMEMBERED_BYTES)
    perimeter.solve_all()
    by_zone = _spots(perimeter, frame)
    areas = dict(zip(frame.spot_id, frame.geometry, strict=True))

    task = CompareTask(site, perimeter, limits, kept)
    compared = ctx.map(partial(compare, task), list(by_zone), "zones")
    options: dict[str, list[Option]] = {}
    earth: dict[str, str] = {}
    for zone_id, (found, reason) in zip(by_zone, compared, strict=True):
        options[zone_id], earth[zone_id] = found, reason

    def blank() -> tuple[DesignSurface, Kept | None]:
        surface = surface_over(site, perimeter, ground)
        return surface, keep_mask(kept, surface)

    def further(zone_id: str) -> list[Option]:
        if zone_id not in by_zone:  # nothing is wanted but what opens its window
            return []
        own = surface_over(site, perimeter, ground, [zone_id])
        known = options[zone_id]
        return zone_options(perimeter, own, zone_id, limits, keep_mask(kept, own), every=True, before=known)[0]

    wanted = accepted_zones(ctx.params["windows"] or "", perimeter)
    accepted = accepted_openings(ctx, perimeter, wanted, by_zone) if wanted else None
    while True:
        together = options if accepted is None else accepted.beside(options)
        joint, surface = put_together(perimeter, blank, together, settings, prices, further)
        failed = {} if accepted is None else accepted.failed(joint)
        if accepted is None or not failed:
            break
        accepted.without(failed)
    for why, left in () if accepted is None else accepted.left.items():
        ctx.warn(f"windows not opened in the proposed state, {', '.join(left)}: {why}")
    crossings = crossing_rows(joint)
    advice: list[Row] = []
    choices: list[Row] = []
    for zone_id, all_tried in joint.tried.items():
        zone, best = perimeter.zones[zone_id], joint.chosen.get(zone_id)
        if accepted is not None and best is not None and zone_id in accepted.options:
            reason = accepted.reason(joint, zone_id, best)
        else:
            reason = reason_for(best, all_tried, p.currency)
        if best is None:
            reason = f"{reason} Grading alone: {earth[zone_id].rstrip('.')}."
        reason = f"{reason} {locks.words(zone_id)}".rstrip()
        dead_m = perimeter.dead_length(zone_id, perimeter.dead(zone_id)), joint.dead_length(zone_id)
        choices += option_rows(zone, all_tried, best, reason, dead_m)
        for one in advise_zone(zone, by_zone.get(zone_id, []), perimeter.dead(zone_id), best, joint):
            area = works_area(surface, one, best) or multi(areas[one.spot.spot_id])
            threat = one.spot.threat
            target = perimeter.rules.of_fence(zone.fence_id).targets[threat]
            said = {"threat_definition": definition_of(target, site.all_targets[threat].over_fence)}
            advice.append(advice_row(one, zone, best, reason, area) | said)
    _warn_of_opened(ctx, perimeter, joint)
    strips = [one.grading.strip for one in joint.graded.values()]
    write_change(ctx.scratch / CUT_FILL, ctx.workspace.plan_crs, surface, strips)
    crs = ctx.workspace.work_crs
    return StepResult(
        layers={
            "advice": frame_of(ADVICE, advice, crs),
            "options": frame_of(OPTIONS, choices),
            "water_crossings": frame_of(WATER_CROSSINGS, crossings, crs),
            "proposed_heads": frame_of(PROPOSED_HEADS, proposed_rows(perimeter, joint.proposed, surface), crs),
        },
        files=[CUT_FILL],
        summary=_summary(ctx, advice, choices, bool(crossings)),
    )


def _warn_of_opened(ctx: StepContext, perimeter: Perimeter, joint: JointDesign) -> None:
    """Warn of zones without an option of their own that the design as a whole leaves worse than they stand."""
    for zone_id in perimeter.zones:
        if zone_id not in joint.chosen:
            now, then = perimeter.dead_length(zone_id, perimeter.dead(zone_id)), joint.dead_length(zone_id)
            if then > now + 1e-6:
                ctx.warn(f"zone {zone_id}: {then - now:.1f} m more are dead with what its neighbours get")


def _summary(ctx: StepContext, rows: list[Row], choices: list[Row], drained: bool) -> dict[str, object]:
    clear = sum(bool(r["clear"]) for r in rows)
    ctx.say(f"{len(rows)} dead spots: {clear} clear in a run of all zones as proposed, {len(rows) - clear} not")
    if clear:
        ctx.say(
            "clear: no undetected crossing by the best estimate, within tolerance; what stays unproven then: "
            "`geotools apply`, then `geotools gaps` on the proposed state"
        )
    taken = [r for r in choices if r["recommended"]]
    for row in taken:
        if row["option"] == "none":
            ctx.warn(f"zone {row['zone_id']}: {row['reason']}")
    currency = ctx.site.prices.currency
    used = ["cut_m3", "fill_m3", "haul_m3", "surface_m2", "strip_m2", "set_head", "head", "post"]
    if drained:
        used += ["stone_fill_m", "grated_drain_m", "pipe_m", "pipe_end"]
    mark = price_mark(ctx.site, *(f"prices.{name}" for name in used))
    return {
        "spots": len(rows),
        "clear": clear,
        "left_open": [f"{r['zone_id']}: {r['reason']}" for r in taken if not r["clear"]],
        "actions": {action: sum(r["action"] == action for r in rows) for action in ADVICE.field("action").choices},
        "recommended": {str(r["zone_id"]): str(r["option"]) for r in taken},
        "cost": sum(float(str(r.get("cost") or 0.0)) for r in taken),
        "for_tolerances": sum(for_tolerances(r) or 0.0 for r in taken),
        "currency": currency,
        "table": {
            "title": ", ".join(["Remedy for each zone with dead spots", *([mark] if mark else [])]),
            "columns": [
                "zone",
                "remedy",
                f"cost [{currency}]",
                "for tolerances",
                "dead now [m]",
                "dead after [m]",
                "clear",
            ],
            "rows": [
                [
                    str(r["zone_id"]),
                    str(r["option"]).replace("_", " "),
                    f"{r['cost']:,.0f}" if r.get("cost") is not None else "-",
                    "-" if (held := for_tolerances(r)) is None else f"{held:,.0f}",
                    f"{r['dead_before_m']:.1f}" if r["dead_before_m"] is not None else "-",
                    f"{r['dead_after_m']:.1f}" if r["dead_after_m"] is not None else "-",
                    "yes" if r["clear"] else "no",
                ]
                for r in taken
            ],
        },
    }


STEP = Step(
    name="remedy",
    title="Advise a remedy for each dead spot, compare the options of each zone",
    summary="Finds what closes each dead spot, heads or earth, compares prices and runs all zones again as proposed.",
    run=run,
    params=(
        Param(
            "windows",
            "text",
            "zones whose operating window is to be opened as `geotools window` advises: all, or names with commas",
        ),
    ),
    inputs=(
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(FENCE, "ground beside it is left alone"),
        LayerIn(BEAMS, "heads and their heights"),
        LayerIn(DEAD_SPOTS, "what has to be closed"),
        LayerIn(CLEAR_GROUND, "where a line may be moved to", required=False),
        LayerIn(HEADS, "which heads and posts are locked", required=False),
        LayerIn(HEAD_HEIGHTS, "heights that are searched already", required=False),
        LayerIn(CROSSINGS, "the weakest crossing of each zone, where windows are to be opened", required=False),
    ),
    outputs=(LayerOut(ADVICE), LayerOut(OPTIONS), LayerOut(PROPOSED_HEADS), LayerOut(WATER_CROSSINGS)),
    files=(FileOut(CUT_FILL, "raster", "fill (positive) and cut (negative) of the proposed state"),),
    order=45,
    citations=(
        "least earthwork: linear programme solved by HiGHS (Huangfu and Hall, Math. Prog. Comp. 10, 2018)",
        "head height limits and tolerances: common practice, no source",
    ),
)
