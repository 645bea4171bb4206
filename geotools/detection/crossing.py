"""Who gets across the chain of beam lines, where, and how easily.

The chain parts the corridor in two. Somebody comes over nodes right of it, steps over it once, and goes on over nodes
left of it; the step is weighed by the largest modulation met on the easiest such way. A place that is only touched on
the way to a step elsewhere is no crossing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.detection.chain import chain_vertices, side_of
from geotools.detection.patch import Link, Patch
from geotools.detection.solve import ZoneWork
from geotools.detection.ways import build_graph, shortest_way, worst_from

__all__ = ["Corridor", "ThreatResult"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class ThreatResult:
    """One threat over one fence line.

    stations : per zone (n,), largest modulation met on the easiest way that steps over the chain there; ``inf`` at
    stations past the place where the next zone takes over. steps : per zone (n, 2), the strip's nodes right and left of
    the step there, -1 where there is none. weakest : per zone, the smallest of the stations.
    ways : per zone, (m, 2) map places of that way, from the right of the chain to its left.
    """

    stations: list[Floats]
    steps: list[Ints]
    weakest: list[float]
    ways: list[Floats]


class Corridor:
    """The strips of a fence line as one graph, its two edges, and the steps over the chain.

    Parameters
    ----------
    works, patches : zones in the fence line's order. links : where their strips touch. closed : last meets first.
    """

    def __init__(
        self, works: Sequence[ZoneWork], patches: Sequence[Patch], links: Sequence[Link], closed: bool
    ) -> None:
        self.shapes = [patch.floor.shape for patch in patches]
        self.graph = build_graph(self.shapes, links)
        lines = [work.line if work.forward else work.line.reversed() for work in works]
        vertices = chain_vertices(lines, closed)
        places = [patch.node_xy() for patch in patches]
        self.x = np.concatenate([x.ravel() for x, _ in places])
        self.y = np.concatenate([y.ravel() for _, y in places])
        found = [side_of(vertices, place, x.ravel(), y.ravel(), closed) for place, (x, y) in enumerate(places)]
        side = np.concatenate([part for part, _ in found])
        self.is_right, self.is_left = side < 0, side > 0
        self.on_right, self.on_left = self._edges(patches, links)
        piece = np.concatenate([part for _, part in found])
        self._steps = self._find_steps(piece)

    def _edges(self, patches: Sequence[Patch], links: Sequence[Link]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Nodes on the corridor's right and left edge: on their strip's edge, on no other strip."""
        first = self.graph.first
        free = np.zeros(self.graph.size, dtype=bool)
        for place, (n, k) in enumerate(self.shapes):
            number = first[place] + np.arange(n * k, dtype=np.intp).reshape(n, k)
            free[number[:, 0]] = free[number[:, -1]] = True
        for a, _, nodes, _ in links:
            free[first[a] + nodes] = False
        return free & self.is_right, free & self.is_left

    def _find_steps(self, piece: Ints) -> list[tuple[Ints, Ints, Ints]]:
        """For each patch the steps over its own piece of the chain: right node, left node, row."""
        first = self.graph.first
        crossing = self.is_right[self.graph.u] != self.is_right[self.graph.v]
        u, v = self.graph.u[crossing], self.graph.v[crossing]
        right, left = np.where(self.is_right[u], u, v), np.where(self.is_right[u], v, u)
        patch_right = np.searchsorted(first, right, side="right") - 1
        patch_left = np.searchsorted(first, left, side="right") - 1
        steps = []
        for place, (_, k) in enumerate(self.shapes):
            mine = (patch_right == place) & (patch_left == place) & (piece[right] == place) & (piece[left] == place)
            steps.append((right[mine], left[mine], (right[mine] - first[place]) // k))
        return steps

    def threat(self, best: Sequence[Floats], drawn: range) -> ThreatResult:
        """Crossings of one threat.

        best : its modulation, neighbours joined in, (n, k) per patch.
        drawn : places of the patches whose ways are wanted.
        """
        cost = np.concatenate([grid.ravel() for grid in best])
        from_right = worst_from(self.graph, cost, np.flatnonzero(self.on_right), self.is_right)
        from_left = worst_from(self.graph, cost, np.flatnonzero(self.on_left), self.is_left)
        stations, steps, weakest, ways = [], [], [], []
        for place, (n, _) in enumerate(self.shapes):
            right, left, row = self._steps[place]
            value = np.maximum(from_right[right], from_left[left])
            station = np.full(n, np.inf)
            taken = np.full((n, 2), -1, dtype=np.intp)
            # written from the worst to the best, so that each row keeps its best
            order = np.argsort(-value, kind="stable")
            station[row[order]] = value[order]
            taken[row[order]] = np.column_stack([right[order], left[order]]) - self.graph.first[place]
            steps.append(taken)
            lowest = float(station.min())
            stations.append(station)
            weakest.append(lowest)
            if not np.isfinite(lowest) or place not in drawn:
                ways.append(np.empty((0, 2)))
                continue
            # several stations may be equally weak: the middle one of the first such run stands for them
            equal = np.flatnonzero(station <= lowest + 1e-9)
            run = equal[: int(np.argmax(np.append(np.diff(equal) > 1, True))) + 1]
            at = int(run[run.size // 2])
            nodes = self._way(cost <= lowest + 1e-9, place, at, *(taken[at] + self.graph.first[place]).tolist())
            ways.append(np.column_stack([self.x[nodes], self.y[nodes]]))
        return ThreatResult(stations, steps, weakest, ways)

    def _way(self, allowed: NDArray[np.bool_], place: int, row: int, right: int, left: int) -> Ints:
        """Nodes of the shortest way over allowed nodes through one step, from the right edge to the left."""
        k = self.shapes[place][1]
        across = self.graph.first[place] + row * k + np.arange(k)
        if allowed[across].all():
            # straight across is open, and nothing is shorter
            if self.on_right[across[0]] and self.on_left[across[-1]]:
                return np.asarray(across, dtype=np.intp)
            if self.on_left[across[0]] and self.on_right[across[-1]]:
                return np.asarray(across[::-1], dtype=np.intp)
        come = shortest_way(self.graph, self.x, self.y, allowed & self.is_right, right, self.on_right)
        go = shortest_way(self.graph, self.x, self.y, allowed & self.is_left, left, self.on_left)
        return np.concatenate([come[::-1], go])
