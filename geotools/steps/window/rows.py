"""What was found, as rows of the plan's layers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from shapely import LineString, MultiPolygon, Polygon, union_all

from geotools.corridor import StripGrid
from geotools.detection.cases import reaches
from geotools.detection.mover_places import Placed
from geotools.detection.nuisance import ZoneNuisance, reach_of
from geotools.detection.openings import Opening
from geotools.detection.operating import OperatingWindow, decibels
from geotools.detection.surface_windows import SurfaceWindow
from geotools.plan.model import Zone

__all__ = ["Row", "option_row", "reach_rows", "set_off_rows", "surface_row", "window_row"]

Row = dict[str, Any]
Array = npt.NDArray[np.float64]
#: A reach below this is none, m.
_NONE_M = 0.05


def reach_rows(zone: Zone, nuisance: ZoneNuisance, threshold: float, outside_left: bool) -> list[Row]:
    """Rows of the nuisance_reach layer; a mover that reaches the threshold nowhere has none."""
    rows: list[Row] = []
    for mover in nuisance.movers.values():
        best = nuisance.best(mover.name)
        left, right = reach_of(best, nuisance.grid.offset_m, threshold)
        area = reach_area(nuisance.grid, left, right)
        if area.is_empty:
            continue
        outer, inner = (left, right) if outside_left else (right, left)
        rows.append(
            {
                "reach_id": f"{zone.zone_id}/{mover.name}",
                "zone_id": zone.zone_id,
                "mover": mover.name,
                "outside_m": float(outer.max()),
                "inside_m": float(inner.max()),
                "length_m": float((np.maximum(left, right) > _NONE_M).mean() * zone.line.length),
                "largest": float(best.max()),
                "must_not_alarm": mover.must_not_alarm,
                "geometry": area,
            }
        )
    return rows


def reach_area(grid: StripGrid, left: Array, right: Array) -> MultiPolygon:
    """The ground between what is reached to the left and to the right of a beam line."""
    pieces = []
    reached = np.maximum(left, right) > _NONE_M
    half = grid.spacing_m[0] / 2.0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], reached, [False]]).astype(int)))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        along = grid.chainage_m[first:end]
        along = np.clip(np.concatenate([[along[0] - half], along, [along[-1] + half]]), 0.0, grid.line.length)
        outer = [np.concatenate([[s[first]], s[first:end], [s[end - 1]]]) for s in (left, right)]
        # a sliver keeps a side that reaches nothing from folding the area
        up, down = np.maximum(outer[0], 0.01), np.maximum(outer[1], 0.01)
        x, y = grid.line.to_map(np.concatenate([along, along[::-1]]), np.concatenate([up, -down[::-1]]))
        pieces.append(Polygon(np.column_stack([x, y])).buffer(0))
    whole = union_all(pieces) if pieces else MultiPolygon()
    return whole if isinstance(whole, MultiPolygon) else MultiPolygon([whole])


def set_off_rows(
    zone: Zone, placed: Sequence[Placed], nuisance: ZoneNuisance, threshold: float, known: frozenset[str]
) -> list[Row]:
    """Rows of the set_off layer: what moves on the user's own features. known : names of those."""
    rows: list[Row] = []
    for one in placed:
        if one.at not in known:
            continue
        met = one.found
        foot = zone.line.to_map(np.clip(met.chainage_m, 0.0, zone.line.length))
        reach = _stretch(nuisance, met.mover.name, met.offset_m, threshold)
        rows.append(
            {
                "set_off_id": f"{one.at}/{met.mover.name}/{zone.zone_id}",
                "zone_id": zone.zone_id,
                "feature": one.at,
                "mover": met.mover.name,
                "modulation": met.modulation,
                "modulation_db": decibels(met.modulation),
                "modulation_high": met.high,
                "from_m": reach[0],
                "to_m": reach[1],
                "chainage_m": met.chainage_m,
                "offset_m": met.offset_m,
                "beam_id": met.beam_id,
                "sets_off": _sets_off(met.modulation, met.high, threshold),
                "geometry": LineString([(met.x, met.y), (float(foot[0]), float(foot[1]))]),
            }
        )
    return rows


def _sets_off(modulation: float, high: float, threshold: float) -> str:
    if reaches(modulation, threshold):
        return "yes"
    return "possibly" if reaches(high, threshold) else "no"


def _stretch(nuisance: ZoneNuisance, name: str, offset_m: float, threshold: float) -> tuple[float | None, float | None]:
    """From and to where along the beam line a mover at an offset reaches the threshold."""
    grid = nuisance.grid
    column = int(np.argmin(np.abs(grid.offset_m - offset_m)))
    over = np.flatnonzero(reaches(nuisance.best(name)[:, column], threshold))
    return (float(grid.chainage_m[over[0]]), float(grid.chainage_m[over[-1]])) if over.size else (None, None)


def window_row(zone: Zone, window: OperatingWindow, placed: Sequence[Placed]) -> Row:
    """Row of the operating_windows layer."""
    weakest = window.weakest
    first = window.nuisance[0] if window.nuisance else None
    at = next((one.at for one in placed if first is not None and one.found is first), None)
    return {
        "zone_id": zone.zone_id,
        "state": window.state,
        "must_not": window.above,
        "must_not_high": window.above_high,
        "must_not_db": decibels(window.above),
        "must_not_mover": None if first is None else first.mover.name,
        "must_not_at": at,
        "must_not_chainage_m": None if first is None else first.chainage_m,
        "must_not_offset_m": None if first is None else first.offset_m,
        "must_not_beam_id": None if first is None else first.beam_id,
        "must": weakest.modulation,
        "must_low": weakest.low,
        "must_db": decibels(weakest.modulation),
        "must_threat": weakest.threat,
        "must_chainage_m": weakest.chainage_m,
        "width_db": window.width_db,
        "threshold": window.threshold,
        "threshold_inside": window.holds_threshold,
        "set_to": window.set_to,
        "closes_at_m": None,
        "opens_by": None,
        "opens_cost": None,
        "proposed": None,
        "geometry": zone.line.line(),
    }


def option_row(zone_id: str, number: int, opening: Opening, recommended: bool) -> Row:
    """Row of the window_options table."""
    window = opening.window
    line = opening.zones[0].line if len(opening.zones) == 1 else None
    return {
        "option_id": f"{zone_id}/{number:02d}",
        "zone_id": zone_id,
        "option": opening.option,
        "words": opening.words,
        "must_not": window.above,
        "must_not_high": window.above_high,
        "must": window.weakest.modulation,
        "must_low": window.weakest.low,
        "state": opening.state,
        "width_db": window.width_db,
        "set_to": None if opening.state == "empty" else window.set_to,
        "cost": opening.cost,
        "tx_x": None if line is None else line.x0,
        "tx_y": None if line is None else line.y0,
        "rx_x": None if line is None else line.x1,
        "rx_y": None if line is None else line.y1,
        "recommended": recommended,
    }


def surface_row(one: SurfaceWindow) -> Row:
    """Row of the window_surfaces table."""
    window = one.window
    return {
        "surface_id": f"{one.zone_id}/{one.depth_m:.2f}/{one.bound}",
        "zone_id": one.zone_id,
        "depth_m": one.depth_m,
        "bound": one.bound,
        "must_not": window.above,
        "must_not_mover": window.nuisance[0].mover.name if window.nuisance else None,
        "must": window.weakest.modulation,
        "must_threat": window.weakest.threat,
        "width_db": window.width_db,
        "standing_db": one.standing_db,
        "keeps": one.keeps,
    }
