"""Declaration of the remedy step: dead spots in; proven advice out."""

from __future__ import annotations

from collections.abc import Sequence

import geopandas as gpd
import numpy as np
from shapely import MultiPolygon, get_coordinates

from geotools.detection.chains import perimeter_of
from geotools.detection.from_plan import head_type_of
from geotools.detection.height_search import trials_of
from geotools.detection.perimeter import HeadPair, Perimeter
from geotools.earthwork.from_plan import grade_settings, keep_mask, kept_areas, surface_over
from geotools.engine.step import LayerIn, LayerOut, Step, StepContext, StepResult
from geotools.io.grids import outline
from geotools.plan.schema import ADVICE, BEAMS, DEAD_SPOTS, FENCE, OPTIONS, ZONES
from geotools.plan.workspace import frame_of
from geotools.steps.remedy.kernel import Remedy, Spot, advise_zone
from geotools.steps.remedy.options import Costs, Option, recommend, zone_options
from geotools.terrain.design import DesignSurface, SharedGround

Row = dict[str, object]


def _spots(perimeter: Perimeter, frame: gpd.GeoDataFrame) -> dict[str, list[Spot]]:
    """Dead spots by zone. Chainages are taken from the areas themselves, so that an edited area counts."""
    found: dict[str, list[Spot]] = {}
    for row in frame.sort_values("spot_id").itertuples():
        if row.zone_id not in perimeter.zones or row.threat not in perimeter.rules.targets:
            continue
        along, _ = perimeter.zones[row.zone_id].line.from_map(*get_coordinates(row.geometry).T)
        found.setdefault(row.zone_id, []).append(Spot(row.spot_id, row.threat, float(along.min()), float(along.max())))
    return found


def _works_area(surface: DesignSurface, remedy: Remedy) -> MultiPolygon | None:
    """Outline of the cells that a remedy moves."""
    if remedy.grading is None or remedy.mine is None:
        return None
    strip = remedy.grading.strip
    moved = remedy.mine & (np.abs(remedy.grading.design - strip.cells.ground) > 1e-3)
    cells = np.zeros(surface.change.shape, bool)
    cells[strip.row[moved], strip.column[moved]] = True
    area = outline(cells, surface.transform)
    return None if area.is_empty else area


def _multi(area: object) -> MultiPolygon:
    return area if isinstance(area, MultiPolygon) else MultiPolygon([area])


def _row(remedy: Remedy, zone_id: str, spot_area: object, surface: DesignSurface) -> Row:
    row: Row = {
        "advice_id": f"{remedy.spot.spot_id}-A",
        "spot_id": remedy.spot.spot_id,
        "zone_id": zone_id,
        "threat": remedy.spot.threat,
        "action": remedy.action,
        "proven": remedy.proven,
        "dead_before_m": remedy.dead_before_m,
        "dead_after_m": remedy.dead_after_m,
        "reason": remedy.reason,
        "geometry": _works_area(surface, remedy) or _multi(spot_area),
    }
    if remedy.heights is not None:
        row |= {"level": remedy.level, "tx_height_m": remedy.heights[0], "rx_height_m": remedy.heights[1]}
    if remedy.grading is not None:
        names = ("cut_m3", "fill_m3", "area_m2", "depth_m")
        row |= dict(zip(names, remedy.grading.volumes(remedy.mine), strict=True))
    return row


def _low_pair(ctx: StepContext) -> HeadPair | None:
    """The low heads of the stack rules, None where the site's rules have none."""
    rule = next((r for r in ctx.site.stack_rules if r.level == "low"), None)
    if rule is None:
        return None
    return HeadPair(rule.level, head_type_of(ctx.site, rule.head_type), rule.height_m, rule.height_m)


def _option_rows(zone_id: str, options: Sequence[Option], currency: str) -> list[Row]:
    best, reason = recommend(options, currency)
    rows: list[Row] = []
    for option in options:
        row: Row = {
            "option_id": f"{zone_id}-{option.name}",
            "zone_id": zone_id,
            "option": option.name,
            "recommended": option is best,
            "proven": option.proven,
            "cost": option.cost,
            "dead_before_m": option.dead_before_m,
            "dead_after_m": option.dead_after_m,
            "weakest_before": option.weakest_before,
            "weakest_after": option.weakest_after,
            "reason": reason if option is best else f"{option.words[0].upper()}{option.words[1:]}.",
        }
        pair = option.moved
        if pair is not None:
            row |= {"level": pair.level, "tx_height_m": pair.tx_height_m, "rx_height_m": pair.rx_height_m}
        if option.grading is not None:
            row |= dict(zip(("cut_m3", "fill_m3", "area_m2"), option.grading.volumes()[:3], strict=True))
        rows.append(row)
    if best is None:
        before = options[0].dead_before_m if options else None
        least = min((o.dead_after_m for o in options), default=None)
        rows.append(
            {
                "option_id": f"{zone_id}-none",
                "zone_id": zone_id,
                "option": "none",
                "recommended": True,
                "proven": False,
                "dead_before_m": before,
                "dead_after_m": least,
                "reason": reason,
            }
        )
    return rows


def run(ctx: StepContext) -> StepResult:
    """Advise on every dead spot and compare the options of every zone; see the manual beside this file."""
    site = ctx.site
    frame = ctx.read(DEAD_SPOTS)
    if (frame["method"] == "straightness").any():
        ctx.warn(
            "the dead spots come from the straightness rule; what is advised and proven here is by the wave model, "
            "which may find other spots: run `geotools gaps` with --method wave before relying on it"
        )
    ground = SharedGround(ctx.terrain)
    perimeter = perimeter_of(site, ctx.read, ground)
    settings = grade_settings(site)
    kept = kept_areas(site, ctx.read(FENCE), ctx.workspace.work_crs)
    p = site.prices
    if not p.model_fields_set:
        ctx.warn("the site file sets no prices: costs are invented round figures, good for comparing options alone")
    costs = Costs(p.cut_m3, p.fill_m3, p.surface_m2, p.set_head, p.head, p.post)
    perimeter.solve_all()
    by_zone = _spots(perimeter, frame)
    areas = dict(zip(frame.spot_id, frame.geometry, strict=True))

    def answer(zone_id: str) -> tuple[list[Option], list[Remedy], DesignSurface]:
        # each zone on a surface of its own: the site may be larger than memory
        surface = surface_over(site, perimeter, ground, [zone_id])
        trials = trials_of(perimeter, zone_id, settings.height_limits)
        options, grading = zone_options(
            perimeter,
            surface,
            zone_id,
            settings,
            costs,
            low=_low_pair(ctx),
            overlap_m=site.layout.overlap_m,
            shortest_m=site.layout.min_zone_m,
            keep=keep_mask(kept, surface),
            trials=trials,
        )
        remedies = advise_zone(perimeter, surface, zone_id, by_zone[zone_id], settings, grading, trials)
        return options, remedies, surface

    rows: list[Row] = []
    choices: list[Row] = []
    answers = zip(by_zone, perimeter.together(answer, list(by_zone)), strict=True)
    for number, (zone_id, (options, remedies, surface)) in enumerate(answers, start=1):
        ctx.progress(number, len(by_zone), f"zone {zone_id}")
        choices += _option_rows(zone_id, options, p.currency)
        best, _ = recommend(options, p.currency)
        for remedy in remedies:
            row = _row(remedy, zone_id, areas[remedy.spot.spot_id], surface)
            if remedy.action == "none" and best is not None:
                row["reason"] = f"{remedy.reason} What clears the zone: to {best.words} (see the options)."
            rows.append(row)
    return StepResult(
        layers={
            "advice": frame_of(ADVICE, rows, ctx.workspace.work_crs),
            "options": frame_of(OPTIONS, choices),
        },
        summary=_summary(ctx, rows, choices),
    )


def _summary(ctx: StepContext, rows: list[Row], choices: list[Row]) -> dict[str, object]:
    proven = sum(bool(r["proven"]) for r in rows)
    ctx.say(f"{len(rows)} dead spots: {proven} closed and proven by a new run, {len(rows) - proven} without remedy")
    taken = [r for r in choices if r["recommended"]]
    for row in taken:
        if row["option"] == "none":
            ctx.warn(f"zone {row['zone_id']}: {row['reason']}")
    currency = ctx.site.prices.currency
    return {
        "spots": len(rows),
        "proven": proven,
        "actions": {action: sum(r["action"] == action for r in rows) for action in ADVICE.field("action").choices},
        "recommended": {str(r["zone_id"]): str(r["option"]) for r in taken},
        "cost": sum(float(str(r.get("cost") or 0.0)) for r in taken),
        "currency": currency,
        "table": {
            "title": "Remedy for each zone with dead spots",
            "columns": ["zone", "remedy", f"cost [{currency}]", "dead now [m]", "dead after [m]", "proven"],
            "rows": [
                [
                    str(r["zone_id"]),
                    str(r["option"]).replace("_", " "),
                    f"{r['cost']:,.0f}" if r.get("cost") is not None else "-",
                    f"{r['dead_before_m']:.1f}" if r["dead_before_m"] is not None else "-",
                    f"{r['dead_after_m']:.1f}" if r["dead_after_m"] is not None else "-",
                    "yes" if r["proven"] else "no",
                ]
                for r in taken
            ],
        },
    }


STEP = Step(
    name="remedy",
    title="Advise a remedy for each dead spot, compare the options of each zone",
    summary="What closes each dead spot, heads or earth, compared by price and proven by a new run.",
    run=run,
    inputs=(
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(FENCE, "ground beside it is left alone"),
        LayerIn(BEAMS, "heads and their heights"),
        LayerIn(DEAD_SPOTS, "what has to be closed"),
    ),
    outputs=(LayerOut(ADVICE), LayerOut(OPTIONS)),
    order=45,
    citations=(
        "least earthwork: linear programme solved by HiGHS (Huangfu and Hall, Math. Prog. Comp. 10, 2018)",
        "head height limits and tolerances: common practice, no source",
    ),
)
