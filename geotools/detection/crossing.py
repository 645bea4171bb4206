"""How easily somebody gets across the chain of beam lines, where, and by which way.

The chain parts the corridor in two. Somebody comes over nodes right of it, steps over it once, and goes on over nodes
left of it; the step is weighed by the largest modulation met on the easiest such way. A place that is only touched on
the way to a step elsewhere is no crossing.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.detection.topology import Topology
from geotools.detection.ways import build_graph, shortest_way, worst_from

__all__ = ["Corridor", "ThreatResult"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class ThreatResult:
    """One threat over one chain.

    Attributes
    ----------
    stations : list of (n,) array
        Per zone, largest modulation met on the easiest way that steps over the chain there; ``inf`` at stations past
        the place where the next zone takes over.
    steps : list of (n, 2) array
        Per zone, the strip's nodes right and left of the step there, -1 where there is none.
    weakest : list of float
        Per zone, the smallest of the stations.
    ways : list of (m, 2) array
        Per zone, map places of that way, from the right of the chain to its left.
    """

    stations: list[Floats]
    steps: list[Ints]
    weakest: list[float]
    ways: list[Floats]


class Corridor:
    """The strips of a chain as one graph.

    Parameters
    ----------
    topology : Topology
        Of the chain's strips.
    """

    def __init__(self, topology: Topology) -> None:
        self.topology = topology
        places = range(len(topology.grids))
        self.shapes = [topology.shape(place) for place in places]
        links = [(place, link.other, link.nodes, link.near) for place in places for link in topology.links(place)]
        self.graph = build_graph(self.shapes, links)
        xy = [grid.map_xy() for grid in topology.grids]
        self.x = np.concatenate([x.ravel() for x, _ in xy])
        self.y = np.concatenate([y.ravel() for _, y in xy])
        self.is_right = np.concatenate([topology.right(place).ravel() for place in places])
        self.is_left = ~self.is_right
        edges = [topology.edges(place) for place in places]
        self.on_right = np.concatenate([right.ravel() for right, _ in edges])
        self.on_left = np.concatenate([left.ravel() for _, left in edges])

    def threat(self, best: Sequence[Floats], drawn: Collection[int]) -> ThreatResult:
        """Crossings of one threat.

        Parameters
        ----------
        best : sequence of (n, k) array
            Its modulation in each strip, neighbours joined in.
        drawn : collection of int
            Places of the strips whose ways are looked for.
        """
        cost = np.concatenate([grid.ravel() for grid in best])
        from_right = worst_from(self.graph, cost, np.flatnonzero(self.on_right), self.is_right)
        from_left = worst_from(self.graph, cost, np.flatnonzero(self.on_left), self.is_left)
        stations, steps, weakest, ways = [], [], [], []
        for place, (n, _) in enumerate(self.shapes):
            first, over = self.graph.first[place], self.topology.steps(place)
            value = np.maximum(from_right[over.right + first], from_left[over.left + first])
            station = np.full(n, np.inf)
            taken = np.full((n, 2), -1, dtype=np.intp)
            # written from the worst to the best, so that each row keeps its best
            order = np.argsort(-value, kind="stable")
            station[over.row[order]] = value[order]
            taken[over.row[order]] = np.column_stack([over.right[order], over.left[order]])
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
            nodes = self._way(cost <= lowest + 1e-9, place, at, *(taken[at] + first).tolist())
            ways.append(np.column_stack([self.x[nodes], self.y[nodes]]))
        return ThreatResult(stations, steps, weakest, ways)

    def _way(self, allowed: Flags, place: int, row: int, right: int, left: int) -> Ints:
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
