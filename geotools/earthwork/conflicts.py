"""Limits that contradict each other, found without a programme: how high slopes let a cell rise, and how high it must.

Every limit on levels but the ends of a line is a difference between two cells, so the most that a cell may rise is a
shortest path from the ground that holds it down (Cormen, Leiserson, Rivest and Stein, Introduction to Algorithms,
"Difference constraints and shortest paths"). Where that is less than what a line asks of the cell, no works satisfy
both. The ends of a line that may be moved are looked for by cuts: each contradiction is a limit on them, and where no
ends satisfy all of these, there are no works at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse.csgraph import dijkstra

from geotools.earthwork.highs import Linear, cheapest
from geotools.earthwork.limits import Falls, SightLine, allowed, slope_limits
from geotools.terrain.cells import Cells

if TYPE_CHECKING:
    from geotools.earthwork.programme import GradingRules

__all__ = ["Held"]

Array = npt.NDArray[np.float64]

#: What two limits must be apart to contradict each other, m: more than the solver of programmes lets pass by rounding.
_APART_M = 1e-4
#: Rounds in which ends are looked for; contradictions that one adds, at most, the worst first.
_ROUNDS, _CUTS = 6, 40


@dataclass(frozen=True)
class _Asked:
    """Limits of cells' levels: coefficients (m, e) of the lines' ends and a constant (m,), by cell (m,)."""

    cell: npt.NDArray[np.intp]
    of_ends: Array
    constant: Array

    def at(self, ends: Array) -> Array:
        """(m,) the limits with the ends at (e,) levels."""
        return self.of_ends @ ends + self.constant


class Held:
    """Ground whose slopes, falls and held cells say how far each cell can go.

    Parameters
    ----------
    cells : Cells
        The ground.
    rules : GradingRules
        Steepest slope and tolerances of building.
    falls : Falls, optional
        Falls that flow paths keep. Those that a crossing may take, and those that today's ground has not, are left out:
        what is found without them holds with them.
    """

    def __init__(self, cells: Cells, rules: GradingRules, falls: Falls | None = None) -> None:
        self.cells, self.rules, self.falls = cells, rules, falls

    @cached_property
    def _links(self) -> sparse.csr_array:
        """(n, n) how much more a cell may rise than another, from the row's to the column's; never below 0."""
        p, q, limit = slope_limits(self.cells, self.rules.max_slope)
        rise = self.cells.ground[p] - self.cells.ground[q]
        rows, columns, room = np.r_[p, q], np.r_[q, p], np.r_[limit + rise, limit - rise]
        if self.falls is not None:
            kept = (self.falls.crossing < 0) & ~self.falls.short(self.cells.ground)
            upper, lower = self.falls.upper[kept], self.falls.lower[kept]
            more = self.cells.ground[upper] - self.cells.ground[lower] - self.falls.least[kept]
            rows, columns, room = np.r_[rows, upper], np.r_[columns, lower], np.r_[room, more]
        # where two limits tie the same cells, the closer one counts
        order = np.lexsort((room, columns, rows))
        rows, columns, room = rows[order], columns[order], np.maximum(room[order], 0.0)
        first = np.ones(len(rows), bool)
        first[1:] = (np.diff(rows) != 0) | (np.diff(columns) != 0)
        n = len(self.cells.ground)
        starts = np.searchsorted(rows[first], np.arange(n + 1))
        return sparse.csr_array((room[first], columns[first], starts), shape=(n, n))

    def contradict(self, lines: Sequence[SightLine]) -> bool:
        """Whether it is certain that no works satisfy the lines: False where that is not known.

        lines : lines of sight over these cells; their ends may take any level within their reach.
        """
        ground = self.cells.ground
        datum = float(np.mean(ground))
        reach = np.array([line.reach for line in lines]).reshape(-1, 2) - datum
        ends = np.array([line.ends for line in lines]).reshape(-1) - datum
        least, most = self._asked(lines, datum, ends)
        ends = np.clip(ends, reach[:, 0], reach[:, 1])
        free = bool((reach[:, 1] - reach[:, 0] > _APART_M).any())
        cuts: list[tuple[Array, Array]] = []
        for _ in range(_ROUNDS):
            found = self._contradictions(least, most, ends)
            if found is None:
                return False
            if not free:
                return True
            cuts.append(found)
            better = _ends_within(cuts, reach)
            if better is None:
                return True
            ends = better
        return False

    def _asked(self, lines: Sequence[SightLine], datum: float, ends: Array) -> tuple[_Asked, _Asked]:
        """The least and the most that cells may rise, by the lines and where ground is held."""
        held = np.flatnonzero(~self.cells.movable)
        cell, share = [held], [np.zeros((len(held), len(ends)))]
        least, most = [np.zeros(len(held))], [np.zeros(len(held))]
        for j, line in enumerate(lines):
            c, t, low, high = allowed(line, self.cells.ground - datum, self.rules, ends[2 * j : 2 * j + 2])
            of_ends = np.zeros((len(c), len(ends)))
            of_ends[:, 2 * j], of_ends[:, 2 * j + 1] = 1.0 - t, t
            cell.append(c)
            share.append(of_ends)
            least.append(-low - (self.cells.ground[c] - datum))
            most.append(high - (self.cells.ground[c] - datum))
        cells, shares = np.concatenate(cell), np.concatenate(share)
        below, above = np.concatenate(least), np.concatenate(most)
        down, up = np.isfinite(below), np.isfinite(above)
        return _Asked(cells[down], shares[down], below[down]), _Asked(cells[up], shares[up], above[up])

    def _contradictions(self, least: _Asked, most: _Asked, ends: Array) -> tuple[Array, Array] | None:
        """Limits on the ends, coefficients (m, e) times the ends no more than (m,), that these ends break; or None."""
        if not len(most.cell) or not len(least.cell):
            return None
        n, links = len(self.cells.ground), self._links
        top = most.at(ends)
        # from one more node to every cell that is held down, by as much as its limit is above the lowest
        from_below = top - top.min()
        order = np.lexsort((from_below, most.cell))
        closest = order[np.r_[True, np.diff(most.cell[order]) != 0]]
        graph = sparse.csr_array(
            (
                np.r_[links.data, from_below[closest]],
                np.r_[links.indices, most.cell[closest]],
                np.r_[links.indptr, len(links.data) + len(closest)],
            ),
            shape=(n + 1, n + 1),
        )
        far, before = dijkstra(graph, indices=n, return_predecessors=True)
        over = least.at(ends) - (far[least.cell] + top.min())
        broken = np.flatnonzero(over > _APART_M)
        if not len(broken):
            return None
        broken = broken[np.argsort(-over[broken], kind="stable")[:_CUTS]]
        limit_of = np.full(n, -1)
        limit_of[most.cell[closest]] = closest
        root = limit_of[_first_after(before, n, least.cell[broken])]
        way = far[least.cell[broken]] - from_below[root]
        return least.of_ends[broken] - most.of_ends[root], way + most.constant[root] - least.constant[broken]


def _first_after(before: npt.NDArray[np.int32], start: int, nodes: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """The node after `start` on the way to each of the nodes, (m,); before : (n,) each node's predecessor."""
    to = before.astype(np.intp)
    own = np.arange(len(to))
    to = np.where((to == start) | (to < 0), own, to)
    while True:
        further = to[to]
        if (further == to).all():
            return np.asarray(to[nodes])
        to = further


def _ends_within(cuts: Sequence[tuple[Array, Array]], reach: Array) -> Array | None:
    """Ends, (e,), within reach (e, 2) that break no cut, as far from breaking one as can be; None where all break one.

    A cut is coefficients (m, e) and what they come to at most, (m,).
    """
    of_ends, most = (np.concatenate(parts) for parts in zip(*cuts, strict=True))
    e = len(reach)
    found = cheapest(
        Linear(
            np.r_[np.zeros(e), 1.0],
            np.r_[reach[:, 0], -1.0],
            np.r_[reach[:, 1], np.inf],
            np.zeros(e + 1, bool),
            sparse.csc_array(np.c_[of_ends, -np.ones(len(most))]),
            np.full(len(most), -np.inf),
            most,
        )
    )
    assert found is not None  # any ends will do, if they may break cuts by enough
    return None if found[e] > _APART_M else found[:e]
