"""Ponds and flow paths around one zone, from levels on a grid: pure arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.earthwork.water import Flow, Pond, contributing_area, flood, line_crossings, ponds

#: Ponds that come so near to a line are followed as far as they reach, m.
BESIDE_M = 4.0

__all__ = ["Crossing", "Piece", "Water", "water_around"]


@dataclass(frozen=True)
class Crossing:
    """Running water that crosses the beam line: cells of its way from upstream to downstream, flat indices; chainage
    in m; catchment in m2; fall along the way, rise over run.
    """

    cells: npt.NDArray[np.intp]
    chainage: float
    catchment: float
    fall: float


@dataclass(frozen=True)
class Water:
    """What a zone's surroundings do with rain.

    cut_off : a pond beside the line overflows at the edge of the ground looked at, so that it may be larger.
    """

    ponds: list[Pond]
    crossings: list[Crossing]
    cut_off: bool = False


@dataclass(frozen=True)
class Piece:
    """One zone's surroundings in one state.

    Attributes
    ----------
    level : (rows, columns) array
        Levels, m; NaN outside the ground looked at.
    along, side : (rows, columns) array
        Chainage and offset of the cells' centres, m.
    length : float
        Length of the zone, m.
    """

    level: np.ndarray
    along: np.ndarray
    side: np.ndarray
    length: float


def water_around(piece: Piece, *, cell: float, min_depth: float, min_catchment: float, reach: float = 8.0) -> Water:
    """Ponds and crossings around one zone.

    Parameters
    ----------
    piece : Piece
        The ground around it.
    cell : float
        Side of a cell, m.
    min_depth : float
        Least depth of a pond, m.
    min_catchment : float
        Least catchment of a crossing, m2.
    reach : float
        How far a crossing's way is followed on both sides of the line, m.
    """
    level, along, side = piece.level, piece.along, piece.side
    flow = flood(level)
    area = contributing_area(flow, cell * cell)
    on_zone = np.where((along >= 0) & (along <= piece.length), side, np.nan)
    found = []
    for i in line_crossings(flow, area, on_zone, along, min_area=min_catchment):
        way = _way(flow, area, int(i), cell, reach)
        surface = flow.filled.ravel()[way]
        run = float(np.hypot(*np.diff(np.array(np.unravel_index(way, level.shape)), axis=1)).sum() * cell)
        fall = float(surface[0] - surface[-1]) / run if run > 0 else 0.0
        found.append(Crossing(way, float(along.ravel()[i]), float(area.ravel()[i]), fall))
    standing = ponds(level, flow, cell * cell, min_depth=min_depth)
    beside = (np.abs(on_zone) <= BESIDE_M).ravel()
    cut_off = any(flow.receiver[pond.pour] == pond.pour and beside[pond.cells].any() for pond in standing)
    return Water(standing, found, cut_off)


def _way(flow: Flow, area: np.ndarray, start: int, cell: float, reach: float) -> npt.NDArray[np.intp]:
    """Cells of the stream through `start`: up along the largest feeder, down along the receivers."""
    steps = round(reach / cell)
    columns = flow.filled.shape[1]
    catchment = area.ravel()
    up = [start]
    for _ in range(steps):
        r, c = divmod(up[-1], columns)
        near = [
            rr * columns + cc
            for rr in range(max(r - 1, 0), min(r + 2, flow.filled.shape[0]))
            for cc in range(max(c - 1, 0), min(c + 2, columns))
        ]
        feeders = [n for n in near if n != up[-1] and flow.receiver[n] == up[-1]]
        if not feeders:
            break
        up.append(max(feeders, key=lambda n: (catchment[n], -n)))
    down = [start]
    for _ in range(steps):
        nxt = int(flow.receiver[down[-1]])
        if nxt == down[-1]:
            break
        down.append(nxt)
    return np.array([*up[::-1], *down[1:]], dtype=np.intp)
