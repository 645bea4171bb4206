"""Declaration of the remedy step: dead spots in; proven advice out."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
from shapely import MultiPolygon, box, get_coordinates, unary_union

from geotools.earthwork.surface import DesignSurface
from geotools.planned import grade_settings, keep_mask, perimeter_of, surface_over
from geotools.scenario import Perimeter
from geotools.schema import ADVICE, BEAMS, DEAD_SPOTS, FENCE
from geotools.step import LayerIn, LayerOut, Step, StepContext, StepResult
from geotools.steps.remedy.kernel import Remedy, Spot, advise_zone
from geotools.workspace import frame_of

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
    moved = remedy.mine & (np.abs(remedy.grading.design - remedy.grading.strip.cells.ground) > 1e-3)
    half = surface.cell_m / 2
    x, y = remedy.grading.strip.x[moved], remedy.grading.strip.y[moved]
    area = unary_union(box(x - half, y - half, x + half, y + half))
    return None if area.is_empty else _multi(area)


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


def run(ctx: StepContext) -> StepResult:
    """Advise on every dead spot; see the manual beside this file."""
    frame = ctx.read(DEAD_SPOTS)
    perimeter = perimeter_of(ctx.site, ctx.read(BEAMS), ctx.terrain)
    surface = surface_over(ctx.site, perimeter, ctx.terrain)
    settings = grade_settings(ctx.site)
    keep = keep_mask(ctx.site, surface, ctx.read(FENCE), ctx.workspace.work_crs)
    perimeter.solve_all()
    by_zone = _spots(perimeter, frame)
    areas = dict(zip(frame.spot_id, frame.geometry, strict=True))
    rows: list[Row] = []
    for number, (zone_id, spots) in enumerate(by_zone.items()):
        ctx.progress(number, len(by_zone), f"zone {zone_id}")
        for remedy in advise_zone(perimeter, surface, zone_id, spots, settings, keep=keep):
            rows.append(_row(remedy, zone_id, areas[remedy.spot.spot_id], surface))
    counts = {action: sum(r["action"] == action for r in rows) for action in ADVICE.field("action").choices}
    proven = sum(bool(r["proven"]) for r in rows)
    ctx.say(f"{len(rows)} dead spots: {proven} closed and proven by a new run, {len(rows) - proven} without remedy")
    return StepResult(
        layers={"advice": frame_of(ADVICE, rows, ctx.workspace.work_crs)},
        summary={"spots": len(rows), "proven": proven, "actions": counts},
    )


STEP = Step(
    name="remedy",
    title="Advise a remedy for each dead spot",
    summary="For each dead spot the head heights that close it, else the least earthwork, each proven by a new run.",
    run=run,
    inputs=(
        LayerIn(FENCE, "ground beside it is left alone"),
        LayerIn(BEAMS, "heads and their heights"),
        LayerIn(DEAD_SPOTS, "what has to be closed"),
    ),
    outputs=(LayerOut(ADVICE),),
    order=45,
    citations=(
        "least earthwork: linear programme solved by HiGHS (Huangfu and Hall, Math. Prog. Comp. 10, 2018)",
        "head height limits and tolerances: common practice, no source",
    ),
)
