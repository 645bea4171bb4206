"""Rows of the layers that remedy writes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely import LineString, MultiPolygon

from geotools.io.grids import outline
from geotools.plan import ids
from geotools.plan.model import Zone
from geotools.steps.remedy.advice import Advice
from geotools.steps.remedy.joint import JointDesign
from geotools.steps.remedy.option import Option
from geotools.terrain.design import DesignSurface

__all__ = ["Row", "advice_row", "crossing_rows", "for_tolerances", "multi", "option_rows", "works_area"]

Row = dict[str, object]


def works_area(surface: DesignSurface, advice: Advice, best: Option | None) -> MultiPolygon | None:
    """Outline of the cells that are moved for a spot."""
    if advice.mine is None or best is None or best.grading is None:
        return None
    strip = best.grading.strip
    moved = advice.mine & (np.abs(best.grading.design - strip.cells.ground) > 1e-3)
    if not moved.any():
        return None
    row, column = surface.locate(strip.x[moved], strip.y[moved])
    r0, c0 = int(row.min()), int(column.min())
    cells = np.zeros((int(row.max()) - r0 + 1, int(column.max()) - c0 + 1), bool)
    cells[row - r0, column - c0] = True
    t = surface.transform
    area = outline(cells, type(t)(t.a, 0.0, t.c + c0 * t.a, 0.0, t.e, t.f + r0 * t.e))
    return None if area.is_empty else area


def multi(area: object) -> MultiPolygon:
    """The area as one of several parts."""
    return area if isinstance(area, MultiPolygon) else MultiPolygon([area])


def advice_row(advice: Advice, zone: Zone, best: Option | None, reason: str, area: MultiPolygon) -> Row:
    """Row of the advice on a spot; `area` : what is worked for it, or the spot itself."""
    row: Row = {
        "advice_id": f"{advice.spot.spot_id}-A",
        "spot_id": advice.spot.spot_id,
        "zone_id": zone.zone_id,
        "threat": advice.spot.threat,
        "action": advice.action,
        "clear": advice.dead_after_m == 0.0 and (advice.action == "nothing_to_do" or best is None or best.clear),
        "dead_before_m": advice.dead_before_m,
        "dead_after_m": advice.dead_after_m,
        "reason": reason if advice.action != "nothing_to_do" else "The model finds nobody crossing undetected here.",
        "geometry": area,
    }
    pair = None if best is None or advice.action == "nothing_to_do" else best.moved(zone)
    if pair is not None:
        row |= {"level": pair.level, "tx_height_m": pair.tx_height_m, "rx_height_m": pair.rx_height_m}
    if advice.volumes is not None:
        row |= dict(zip(("cut_m3", "fill_m3", "area_m2", "depth_m"), advice.volumes, strict=True))
    return row


def option_rows(
    zone: Zone, options: Sequence[Option], best: Option | None, reason: str, dead_m: tuple[float, float]
) -> list[Row]:
    """Rows of the options table; the recommended one with the figures of the whole design.

    dead_m : dead length of the zone now, and in the proposed state, m: where nothing is done, that is what it leaves.
    """
    rows: list[Row] = []
    for tried in options:
        taken = best is not None and tried.name == best.name
        option = best if taken and best is not None else tried
        row: Row = {
            "option_id": f"{zone.zone_id}-{option.name}",
            "zone_id": zone.zone_id,
            "option": option.name,
            "recommended": taken,
            "serves": option.serves,
            "clear": option.clear,
            "cost": option.cost,
            "cost_as_drawn": option.as_drawn,
            "cost_bound": option.bound,
            "dead_before_m": option.dead_before_m,
            "dead_after_m": option.dead_after_m,
            "weakest_before": option.weakest_before,
            "weakest_after": option.weakest_after,
            "reason": _with_search(reason if taken else f"{option.words[0].upper()}{option.words[1:]}.", tried),
        }
        pair = option.moved(zone)
        if pair is not None and option.name not in ("split", "split_and_grade"):
            row |= {"level": pair.level, "tx_height_m": pair.tx_height_m, "rx_height_m": pair.rx_height_m}
        if option.volumes is not None:
            row |= dict(zip(("cut_m3", "fill_m3", "area_m2"), option.volumes[:3], strict=True))
        rows.append(row)
    if best is None:
        rows.append(
            {
                "option_id": f"{zone.zone_id}-none",
                "zone_id": zone.zone_id,
                "option": "none",
                "recommended": True,
                "serves": "dead spots",
                "clear": False,
                "dead_before_m": dead_m[0],
                "dead_after_m": dead_m[1],
                "reason": reason,
            }
        )
    return rows


def _with_search(reason: str, tried: Option) -> str:
    return f"{reason} Searched: {tried.searched}." if tried.searched else reason


def crossing_rows(joint: JointDesign) -> list[Row]:
    """Ways for water through the works, from inlet to outlet."""
    return [
        {
            "crossing_id": ids.crossing_id(zone_id, number),
            "zone_id": zone_id,
            "kind": crossing.kind,
            "inlet_m": crossing.inlet_m,
            "outlet_m": crossing.outlet_m,
            "length_m": float(np.hypot(*(crossing.line[1] - crossing.line[0]))),
            "cover_m": crossing.cover_m,
            "catchment_m2": crossing.catchment_m2,
            "cost": crossing.cost,
            "geometry": LineString(crossing.line),
        }
        for zone_id, graded in joint.graded.items()
        for number, crossing in enumerate(graded.crossings, start=1)
    ]


def for_tolerances(row: Row) -> float | None:
    """What of an option's cost is the price of holding its tolerances; None where that is not known."""
    cost, drawn = row.get("cost"), row.get("cost_as_drawn")
    return None if cost is None or drawn is None else float(str(cost)) - float(str(drawn))
