"""Where water stands and where it runs: depression filling, ponds, single-direction flow.

Filling is the priority flood of Barnes, Lehman and Mulla, Priority-flood: an optimal depression-filling and
watershed-labeling algorithm for digital elevation models, Computers & Geosciences 62 (2014). Flow goes to the steepest
of eight neighbours of the filled surface (O'Callaghan and Mark, 1984), and through flats along the flood's own order,
so that every cell has a path to the edge.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from affine import Affine
from scipy import ndimage

from geotools.errors import NumericInputError

__all__ = ["Flow", "Pond", "contributing_area", "flood", "let_through", "line_crossings", "ponds"]

_STEPS = [(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)]


@dataclass(frozen=True)
class Flow:
    """A surface made to drain. filled : (rows, cols) level; receiver : flat index each cell drains to, itself where
    water leaves; order : flat indices, every cell after the one it drains to.
    """

    filled: np.ndarray
    receiver: np.ndarray
    order: np.ndarray


@dataclass(frozen=True)
class Pond:
    """A hollow that holds water; cells : flat indices; pour : flat index of the cell it overflows at; m, m2, m3."""

    cells: np.ndarray
    pour: int
    level: float
    depth: float
    area: float
    volume: float


def let_through(level: np.ndarray, transform: Affine, ways: Sequence[np.ndarray]) -> np.ndarray:
    """Ground as water finds it where ways through the works are kept open: cut down to each from inlet to outlet.

    Parameters
    ----------
    level : (rows, cols) levels, m; NaN outside the site. transform : of its cells to map coordinates, m.
    ways : inlet and outlet of each in space, (2, 3), m; those outside the array change nothing.
    """
    found = np.array(level, float)
    rows, columns = found.shape
    for way in ways:
        inlet, outlet = way
        length = float(np.hypot(*(outlet - inlet)[:2]))
        share = np.linspace(0.0, 1.0, max(int(np.ceil(4 * length / abs(transform.a))), 1) + 1)
        x, y, bed = (inlet + share[:, None] * (outlet - inlet)).T
        c = np.floor((x - transform.c) / transform.a).astype(int)
        r = np.floor((y - transform.f) / transform.e).astype(int)
        there = (r >= 0) & (r < rows) & (c >= 0) & (c < columns)
        # the lowest of several places in one cell counts; cells without a level stay so
        np.minimum.at(found, (r[there], c[there]), bed[there])
    return found


def flood(level: np.ndarray) -> Flow:
    """Fill every depression to its pour point; water leaves at the edge of the array and beside cells without a level.

    level : (rows, cols), nan outside the site.
    """
    level = np.asarray(level, float)
    if level.ndim != 2 or not np.isfinite(level).any():
        raise NumericInputError(
            "There is no ground to drain.", found=f"shape {level.shape}", expected="a 2-D array with levels"
        )
    cols = level.shape[1]
    wide = cols + 2
    padded = np.pad(level, 1, constant_values=np.nan)
    inside = np.isfinite(padded)
    outlet = inside & ~ndimage.binary_erosion(inside, np.ones((3, 3)))
    # Plain lists: the loop below visits every cell once, and numpy scalars would make it several times slower. Levels
    # are ordered by their rank and a cell waits as one whole number, rank first, then place: quicker than pairs.
    levels, ranks = np.unique(padded, return_inverse=True)
    size = padded.size
    ground = ranks.ravel().tolist()
    waiting = inside.ravel().copy()
    waiting[np.flatnonzero(outlet)] = False
    todo = waiting.tolist()
    filled, parent = list(ground), list(range(size))
    heap = [ground[i] * size + i for i in np.flatnonzero(outlet).tolist()]
    heapq.heapify(heap)
    order: list[int] = []
    pop, push = heapq.heappop, heapq.heappush
    while heap:
        here, i = divmod(pop(heap), size)
        order.append(i)
        up, down = i - wide, i + wide
        for j in (up - 1, up, up + 1, i - 1, i + 1, down - 1, down, down + 1):
            if todo[j]:
                todo[j] = False
                parent[j] = i
                z = ground[j]
                if z < here:  # noqa: PLR1730 - a call of max for every cell takes as long as all the rest
                    z = here
                filled[j] = z
                push(heap, z * size + j)
    water = levels[filled].reshape(padded.shape)
    receiver = _steepest(water, outlet, np.array(parent))

    def unpadded(flat: np.ndarray) -> np.ndarray:
        return (flat // wide - 1) * cols + flat % wide - 1

    own = np.arange(padded.size)
    receiver = np.where(inside.ravel(), receiver, own).reshape(padded.shape)[1:-1, 1:-1].ravel()
    return Flow(water[1:-1, 1:-1], unpadded(receiver), unpadded(np.array(order)))


def _steepest(water: np.ndarray, outlet: np.ndarray, parent: np.ndarray) -> np.ndarray:
    """Replace the flood's parent by the steepest lower neighbour, where there is one."""
    wide = water.shape[1]
    best = np.zeros(water.shape)
    receiver = parent.reshape(water.shape).copy()
    index = np.arange(water.size).reshape(water.shape)
    for dr, dc in _STEPS:
        neighbour = np.roll(water, (-dr, -dc), axis=(0, 1))  # the padding is nan, so what wraps round never wins
        slope = (water - neighbour) / np.hypot(dr, dc)
        better = np.nan_to_num(slope, nan=-1.0) > best
        best[better] = slope[better]
        receiver[better] = index[better] + dr * wide + dc
    receiver[outlet] = index[outlet]
    return receiver.ravel()


def contributing_area(flow: Flow, cell_area: float) -> np.ndarray:
    """Plan area that drains through each cell, itself included, m2, in the shape of the surface."""
    total = np.where(np.isfinite(flow.filled.ravel()), cell_area, 0.0).tolist()
    receiver = flow.receiver.tolist()
    # steepest descent may jump ahead in the flood's order, so walk from high to low, and within a flat backwards
    rank = np.empty(flow.filled.size, int)
    rank[flow.order] = np.arange(len(flow.order))
    height = flow.filled.ravel()[flow.order]
    for i in flow.order[np.lexsort((rank[flow.order], height))][::-1].tolist():
        if receiver[i] != i:
            total[receiver[i]] += total[i]
    return np.array(total).reshape(flow.filled.shape)


def ponds(level: np.ndarray, flow: Flow, cell_area: float, *, min_depth: float = 0.02) -> list[Pond]:
    """Hollows deeper than `min_depth`, the largest volume first.

    Cells of one hollow share a water level; hollows that overflow into each other at different levels stay apart.
    """
    depth = flow.filled - level
    wet = np.nan_to_num(depth, nan=0.0) > 0
    found = []
    labels, count = ndimage.label(wet, np.ones((3, 3)))
    boxes = ndimage.find_objects(labels)
    cols = level.shape[1]
    for number in range(1, count + 1):
        box = boxes[number - 1]
        mine = labels[box] == number
        for surface in np.unique(flow.filled[box][mine]):
            r, c = np.nonzero(mine & (flow.filled[box] == surface))
            cells = (r + box[0].start) * cols + c + box[1].start
            d = depth.ravel()[cells]
            if d.max() <= min_depth:
                continue
            found.append(
                Pond(
                    cells,
                    _pour(cells, flow),
                    float(surface),
                    float(d.max()),
                    len(d) * cell_area,
                    float(d.sum() * cell_area),
                )
            )
    return sorted(found, key=lambda pond: -pond.volume)


def _pour(cells: np.ndarray, flow: Flow) -> int:
    """Follow the water from any cell of a pond until it has left it."""
    mine = set(cells.tolist())
    i = int(cells[0])
    while i in mine and flow.receiver[i] != i:
        i = int(flow.receiver[i])
    return i


def line_crossings(flow: Flow, area: np.ndarray, side: np.ndarray, along: np.ndarray, *, min_area: float) -> np.ndarray:
    """Flat indices of the cells whose water crosses a line on its way to their receiver.

    area : contributing area from `contributing_area`. side : signed offset of each cell from the line, nan where the
    line does not reach. along : chainage of each cell. min_area : smaller streams are left out, m2. Sorted by chainage.
    """
    s = side.ravel()
    here, there = s, s[flow.receiver]
    crosses = ((here > 0) != (there > 0)) & np.isfinite(here) & np.isfinite(there) & (area.ravel() >= min_area)
    cells = np.flatnonzero(crosses)
    return cells[np.argsort(along.ravel()[cells], kind="stable")]
