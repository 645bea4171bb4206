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

__all__ = ["Flow", "Pond", "contributing_area", "filled", "flood", "let_through", "line_crossings", "ponds"]

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
    site = _Padded.of(level)
    wide, size = site.level.shape[1], site.level.size
    # Plain lists: the loop below visits every cell once, and numpy scalars would make it several times slower. Levels
    # are ordered by their rank and a cell waits as one whole number, rank first, then place: quicker than pairs.
    levels, ranks = np.unique(site.level, return_inverse=True)
    ground = ranks.ravel().tolist()
    todo = (site.inside & ~site.outlet).ravel().tolist()
    risen, parent = list(ground), list(range(size))
    heap = [ground[i] * size + i for i in np.flatnonzero(site.outlet).tolist()]
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
                risen[j] = z
                push(heap, z * size + j)
    water = levels[risen].reshape(site.level.shape)
    receiver = _steepest(water, site.outlet, np.array(parent))
    receiver = np.where(site.inside.ravel(), receiver, np.arange(size)).reshape(water.shape)[1:-1, 1:-1].ravel()
    return Flow(water[1:-1, 1:-1], site.unpadded(receiver), site.unpadded(np.array(order)))


def filled(level: np.ndarray) -> np.ndarray:
    """The level alone that :func:`flood` fills to, (rows, cols), in a fraction of its time.

    A cell falls to the bottom of one hollow, or to where water leaves; water stands in it as high as in that bottom, or
    not at all. So it is enough to know over which passes the hollows empty into each other.
    """
    ground = _Padded.of(level)
    bottom = _bottoms(ground)
    # bottoms that touch are one flat; hollow 0 is all from where water leaves
    deepest = ground.inside & ~ground.outlet & (bottom == np.arange(bottom.size).reshape(bottom.shape))
    hollow, count = ndimage.label(deepest, np.ones((3, 3)))
    hollow = hollow.ravel()[bottom]
    height = _overflow(*_passes(ground.level, hollow, ground.inside), count + 1)
    return np.asarray(np.maximum(ground.level, height[hollow])[1:-1, 1:-1])


@dataclass(frozen=True)
class _Padded:
    """Ground with a rim of cells without a level; inside : cells with one; outlet : those where water leaves."""

    level: np.ndarray
    inside: np.ndarray
    outlet: np.ndarray

    @classmethod
    def of(cls, level: np.ndarray) -> _Padded:
        level = np.asarray(level, float)
        if level.ndim != 2 or not np.isfinite(level).any():
            raise NumericInputError(
                "There is no ground to drain.", found=f"shape {level.shape}", expected="a 2-D array with levels"
            )
        padded = np.pad(level, 1, constant_values=np.nan)
        inside = np.isfinite(padded)
        return cls(padded, inside, inside & ~ndimage.binary_erosion(inside, np.ones((3, 3))))

    def unpadded(self, flat: np.ndarray) -> np.ndarray:
        """Flat indices of the ground without its rim."""
        wide = self.level.shape[1]
        return np.asarray((flat // wide - 1) * (wide - 2) + flat % wide - 1)


def _bottoms(ground: _Padded) -> np.ndarray:
    """For every cell the flat index of the one that it falls to, step by step; an outlet stays."""
    index = np.arange(ground.level.size).reshape(ground.level.shape)
    lowest, ahead = ground.level.copy(), index.copy()
    for dr, dc in _STEPS:
        near = np.roll(ground.level, (-dr, -dc), axis=(0, 1))  # the padding is nan, so what wraps round never wins
        lower = near < lowest
        lowest[lower] = near[lower]
        ahead[lower] = index[lower] + dr * ground.level.shape[1] + dc
    way = np.where(ground.outlet, index, ahead).ravel()
    while not np.array_equal(further := way[way], way):
        way = further
    return np.asarray(way.reshape(ground.level.shape))


def _passes(level: np.ndarray, hollow: np.ndarray, inside: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Hollows that touch each other, both ways, and the lowest level between them; hollow : by cell, with a rim."""
    one, other, over = [], [], []
    rows, columns = level.shape
    for dr, dc in _STEPS[4:]:
        here = np.s_[: rows - dr, max(-dc, 0) : columns - max(dc, 0)]
        there = np.s_[dr:, max(dc, 0) : columns + min(dc, 0)]
        apart = inside[here] & inside[there] & (hollow[here] != hollow[there])
        one.append(hollow[here][apart])
        other.append(hollow[there][apart])
        over.append(np.maximum(level[here], level[there])[apart])
    a, b, height = np.concatenate(one + other), np.concatenate(other + one), np.concatenate(over + over)
    order = np.lexsort((height, b, a))
    a, b, height = a[order], b[order], height[order]
    first = np.r_[True, (np.diff(a) != 0) | (np.diff(b) != 0)][: a.size]
    return a[first], b[first], height[first]


def _overflow(one: np.ndarray, other: np.ndarray, height: np.ndarray, count: int) -> np.ndarray:
    """Level over which each of ``count`` hollows empties, by way of others, into hollow 0; -inf for that.

    one, other, height : as `_passes` gives them.
    """
    starts = np.searchsorted(one, np.arange(count + 1)).tolist()
    to, over = other.tolist(), height.tolist()
    level = [np.inf] * count
    heap = [(-np.inf, 0)]
    while heap:
        here, i = heapq.heappop(heap)
        if level[i] < np.inf:
            continue
        level[i] = here
        for k in range(starts[i], starts[i + 1]):
            if level[to[k]] == np.inf:
                heapq.heappush(heap, (max(here, over[k]), to[k]))
    return np.array(level)


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
