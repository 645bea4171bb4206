"""Rows of the layers: ponds that reach into a zone, running water across a beam, streams that works dam."""

from __future__ import annotations

import numpy as np
from shapely import LineString, MultiPolygon

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.water import Pond
from geotools.io.grids import outline
from geotools.plan import ids
from geotools.steps.drain.kernel import Water
from geotools.steps.drain.nearby import LowHeads, Ways
from geotools.steps.drain.surroundings import Surroundings

__all__ = ["Row", "crossing_rows", "dams", "pond_rows"]

Row = dict[str, object]

#: A stream bed raised by more than this holds water back, m (common practice, no source).
DAM_M = 0.05


def _area(window: Surroundings, cells: np.ndarray) -> MultiPolygon:
    mask = np.zeros(window.level.shape, bool)
    mask.ravel()[cells] = True
    return outline(mask, window.transform)


def _place(window: Surroundings, cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    row, column = np.unravel_index(cells, window.level.shape)
    t = window.transform
    return t.c + (column + 0.5) * t.a, t.f + (row + 0.5) * t.e


def _pond_row(
    window: Surroundings, pond: Pond, state: str, number: int, heads: LowHeads, zones: str, unit: float
) -> Row:
    area = _area(window, pond.cells)
    x, y = _place(window, np.array([pond.pour]))
    return {
        "pond_id": f"{ids.point_id(window.zone_id, 'P', number)}-{state}",
        "state": state,
        "zones": zones,
        "depth_m": pond.depth,
        "area_m2": pond.area,
        "volume_m3": pond.volume,
        "level_m": pond.level,
        "pour_x": float(x[0]) / unit,
        "pour_y": float(y[0]) / unit,
        "splash": " ".join(heads.splashed(area)) or None,
        "geometry": area,
    }


def pond_rows(
    window: Surroundings,
    water: Water,
    state: str,
    perimeter: Perimeter,
    half: float,
    heads: LowHeads,
    unit: float,
) -> list[tuple[bool, tuple[str, int, int], Row]]:
    """Ponds that reach into a zone: whether no zone is nearer to the deepest place, what identifies the pond, its row.

    The windows of several zones may hold the same pond.
    """
    rows: list[tuple[bool, tuple[str, int, int], Row]] = []
    for pond in water.ponds:
        deepest = pond.cells[np.argmin(window.level.ravel()[pond.cells])]
        deep_x, deep_y = _place(window, np.array([deepest]))
        key = (state, round(10 * float(deep_x[0])), round(10 * float(deep_y[0])))
        x, y = _place(window, pond.cells)
        wet = []
        for zone_id in (window.zone_id, *perimeter.neighbours(window.zone_id)):
            line = perimeter.zones[zone_id].line
            along, off = line.from_map(x, y)
            if ((np.abs(off) <= half) & (along >= 0) & (along <= line.length)).any():
                wet.append(zone_id)
        if wet:
            row = _pond_row(window, pond, state, len(rows) + 1, heads, " ".join(sorted(wet)), unit)
            rows.append((bool(window.mine.ravel()[deepest]), key, row))
    return rows


def crossing_rows(window: Surroundings, water: Water, state: str) -> list[Row]:
    """Running water across one zone's beam line, in the given state."""
    rows: list[Row] = []
    for crossing in water.crossings:
        if len(crossing.cells) < 2:
            continue
        x, y = _place(window, crossing.cells)
        rows.append(
            {
                "crossing_id": f"{ids.crossing_id(window.zone_id, len(rows) + 1)}-{state}",
                "zone_id": window.zone_id,
                "state": state,
                "chainage_m": crossing.chainage,
                "catchment_m2": crossing.catchment,
                "fall_permille": 1000.0 * crossing.fall,
                "geometry": LineString(np.c_[x, y]),
            }
        )
    return rows


def dams(window: Surroundings, water: Water, ways: Ways) -> list[str]:
    """Streams whose bed the grading raises where no way for the water is built.

    Water held back beyond the ground looked at would not show as a pond.
    """
    said = []
    near = ways.near(window.transform, window.level.shape)
    built = [LineString(way[:, :2]).buffer(2 * abs(window.transform.a)) for way in near]
    for crossing in water.crossings:
        raised = float(window.change.ravel()[crossing.cells].max())
        if raised <= DAM_M:
            continue
        stream = LineString(np.c_[_place(window, crossing.cells)])
        if not any(way.intersects(stream) for way in built):
            said.append(
                f"grading raises the bed of a stream by {raised:.2f} m at chainage {crossing.chainage:.0f} m of "
                f"{window.zone_id}; a way for the water, or a cut outlet, is needed"
            )
    return said
