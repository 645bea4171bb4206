"""Spare loops: further trenches that feed a network from its other end when one of its branches is cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from geotools.steps.routes.graph import RouteGraph
from geotools.steps.routes.network import CableNetwork

__all__ = ["Loop", "spare_loops"]

Floats = npt.NDArray[np.float64]
#: What runs this near to the network, for longer than that or for more than that share, lies in the same trench, m.
_SAME_TRENCH_M, _SAME_FOR_M, _SAME_SHARE = 1.0, 5.0, 0.6


@dataclass(frozen=True)
class Loop:
    """One spare loop: its places in order, (n, 2) m; its price; the branches that may be cut then without a loss."""

    line: Floats
    cost: float
    spares: frozenset[int]


def spare_loops(
    graph: RouteGraph, network: CableNetwork, nodes: Sequence[tuple[int, int]], heads: Sequence[float]
) -> list[Loop]:
    """Loops one after the other, each the one that saves most heads for its price, until no branch can be spared more.

    Parameters
    ----------
    graph : RouteGraph
        All trenches there could be.
    network : CableNetwork
        The network as it is laid.
    nodes : sequence of (int, int)
        Nodes of the graph at start and end of each branch; (-1, -1) for a spur to a post.
    heads : sequence of float
        Heads that each branch feeds.
    """
    at = {end: k for k, (_, end) in enumerate(nodes) if end >= 0}
    left = {k: float(heads[k]) for k, (_, end) in enumerate(nodes) if end >= 0 and heads[k] > 0}
    free = _elsewhere(graph, network)
    found: list[Loop] = []
    stops = [0, *at]
    while left and len(found) < len(network.branches):
        away, before = free.shortest(stops)
        best: tuple[float, int, int] | None = None
        ways = {stop: frozenset(network.way(at[stop])) if stop in at else frozenset() for stop in stops}
        for i, a in enumerate(stops):
            for b in stops[i + 1 :]:
                if not np.isfinite(away[i, b]):
                    continue
                spared = (ways[a] ^ ways[b]) & left.keys()
                saved = sum(left[k] for k in spared)
                if saved > 0 and (best is None or saved / away[i, b] > best[0]):
                    best = saved / float(away[i, b]), i, b
        if best is None:
            break
        _, i, b = best
        spared = ways[stops[i]] ^ ways[b]
        path = [b]
        while path[-1] != stops[i]:
            path.append(int(before[i, path[-1]]))
        found.append(Loop(_line(free, path), float(away[i, b]), spared))
        left = {k: held for k, held in left.items() if k not in spared}
    return _needed(found)


def _needed(loops: Sequence[Loop]) -> list[Loop]:
    """Without loops that spare nothing which the others do not, the dearest of those first."""
    kept = list(loops)
    for loop in sorted(loops, key=lambda one: -one.cost):
        others = [one for one in kept if one is not loop]
        if loop.spares <= frozenset().union(*(one.spares for one in others)):
            kept = others
    return kept


def _elsewhere(graph: RouteGraph, network: CableNetwork) -> RouteGraph:
    """Trenches that do not lie in those of the network."""
    laid = shapely.union_all([shapely.LineString(b.line) for b in network.branches]).buffer(_SAME_TRENCH_M)
    lines = shapely.linestrings(graph.places.xy[graph.ends])
    same, whole = shapely.length(shapely.intersection(lines, laid)), shapely.length(lines)
    return graph.without(np.asarray((same <= _SAME_FOR_M) & (same <= _SAME_SHARE * whole)))


def _line(graph: RouteGraph, path: Sequence[int]) -> Floats:
    """Places of a way through nodes; a source stands where the trench that reaches it ends."""
    pairs, xy = graph.cheapest(), graph.places.xy
    points: list[Floats] = []
    for a, b in pairwise(path):
        ends = [int(p) for p in graph.ends[pairs[a, b]]]
        start, end = ends if int(graph.node(ends[0])) == a else ends[::-1]
        points += [xy[start]] * (not points) + [xy[end]]
    return np.array(points)
