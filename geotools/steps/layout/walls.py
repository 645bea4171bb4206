"""What the look-up of free width does not see, thinner than its cells: one beam finds it, all beams there heed it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geotools.steps.layout.candidate_nodes import Candidates
from geotools.steps.layout.edgelist import Edges
from geotools.steps.layout.edges import runs_past
from geotools.steps.layout.zone_rules import LayoutWeights, ZoneRules

__all__ = ["Walls"]


@dataclass(frozen=True)
class Walls:
    """Corrects the costs of possible zones by what the exact proof of a chosen one has found.

    The beams across a thin wall would else be chosen one after the other, only to be refused, and cost a search each.

    nodes, edges : candidates, and the zones between them, of which the costs are written to.
    region : ground that beams may use, m.
    rules, prices : limits, and the weights of the choice.
    closed : whether the line is a ring.
    promised : by zone, the room past both junctions that its cost counts on where that is not the look-up's, m.
    """

    nodes: Candidates
    edges: Edges
    region: BaseGeometry
    rules: ZoneRules
    prices: LayoutWeights
    closed: bool
    promised: dict[int, float] = field(default_factory=dict)

    def refuse(self, k: int) -> None:
        """Bar zone ``k``, and all whose axes cross the same wall."""
        self.edges.cost[k] = np.inf
        wall, others = self._met_by(k, np.zeros(2))
        if others.size:
            start, end = self._junctions(others)
            self.edges.cost[others[_crosses(wall, start, end)]] = np.inf

    def lacks(self, k: int, room_m: float) -> float:
        """Room past its junctions that the cost of zone ``k`` counts on and the exact outline does not have, m."""
        return self._counted_on(k) - room_m

    def shorten(self, k: int, room_m: float) -> None:
        """Price what zone ``k`` lacks of room, and what the same wall takes at least from others that end before it."""
        self._price(k, room_m)
        wall, others = self._met_by(k, self._wanted(np.array([k]))[0])
        if not others.size:
            return
        wanted = self._wanted(others)
        most = np.minimum(wanted, self._free_run(wall, others, wanted)).sum(axis=1)
        for i in np.flatnonzero(most < wanted.sum(axis=1)):
            if self._counted_on(int(others[i])) > most[i]:
                self._price(int(others[i]), float(most[i]))

    def _price(self, k: int, room_m: float) -> None:
        self.edges.cost[k] += self.prices.short_m * self.lacks(k, room_m)
        self.promised[k] = room_m

    def _counted_on(self, k: int) -> float:
        if k in self.promised:
            return self.promised[k]
        return float(self._wanted(np.array([k])).sum()) - self.edges.lack_and_dead_m(k)[0]

    @cached_property
    def _edge(self) -> BaseGeometry:
        return self.region.boundary

    def _wanted(self, which: NDArray[np.intp]) -> NDArray[np.float64]:
        """(n, 2) how far beams should run past their junctions, m."""
        ends = (self.edges.tail[which], self.edges.head[which])
        reach = self.rules.extension_m
        return np.stack(
            [runs_past(self.nodes, node, reach, last=bool(i), closed=self.closed) for i, node in enumerate(ends)],
            axis=1,
        )

    def _junctions(self, which: NDArray[np.intp]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        return self.nodes.xy[self.edges.tail[which]], self.nodes.xy[self.edges.head[which]]

    def _met_by(self, k: int, past: NDArray[np.float64]) -> tuple[BaseGeometry, NDArray[np.intp]]:
        """The edge of the region about a beam that crosses it, and the zones near it that may be chosen."""
        (p,), (q,) = self._junctions(np.array([k]))
        u = (q - p) / np.hypot(*(q - p))
        beam = shapely.LineString([p - past[0] * u, q + past[1] * u])
        if not self._edge.crosses(beam):
            return shapely.Point(), np.empty(0, dtype=np.intp)
        near = shapely.dwithin(shapely.points(self.nodes.xy), beam, self.rules.longest_m)
        wall = self._edge.intersection(beam.buffer(self.rules.longest_m))
        shapely.prepare(wall)
        tail, head = self.edges.tail, self.edges.head
        free = near[tail] & near[head] & np.isfinite(self.edges.cost)
        # what is locked stands as it does
        for first, last in self.nodes.held.spans:
            free &= (tail != first) | (head != last)
        return wall, np.flatnonzero(free)

    def _free_run(
        self, wall: BaseGeometry, which: NDArray[np.intp], wanted: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """(n, 2) how far axes run past their junctions before they cross the wall, infinite where they do not, m."""
        p, q = self._junctions(which)
        u = (q - p) / np.hypot(*(q - p).T)[:, None]
        run = np.full(wanted.shape, np.inf)
        for side, (junction, onward) in enumerate(((p, -u), (q, u))):
            end = junction + wanted[:, side, None] * onward
            met = np.flatnonzero(_crosses(wall, junction, end))
            line = shapely.linestrings(np.stack([junction[met], end[met]], axis=1))
            run[met, side] = shapely.distance(shapely.points(junction[met]), shapely.intersection(line, wall))
        return run


def _crosses(wall: BaseGeometry, start: NDArray[np.float64], end: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether straight lines, (n, 2) to (n, 2) m, pass from one side of a prepared wall to the other."""
    lines = shapely.linestrings(np.stack([start, end], axis=1))
    found = np.asarray(shapely.intersects(wall, lines))
    found[found] = shapely.crosses(wall, lines[found])
    return found
