"""One network of trenches that joins all posts to a source at little cost: a Steiner tree, near the cheapest.

Kou, Markowsky and Berman, "A fast algorithm for Steiner trees", Acta Informatica 15 (1981): shortest ways between all
places that must be joined, the cheapest tree of those, its trenches' own cheapest tree, loose ends cut off; at most
twice the price of the cheapest network. Then joints are taken in, one at a time, as long as one makes it cheaper.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from geotools.steps.routes.graph import RouteGraph

__all__ = ["cheapest_tree", "reached", "steiner_tree"]

Floats = npt.NDArray[np.float64]
Edge = tuple[int, int]
#: A joint has to save this share of the price to be taken in.
_WORTH = 1e-6
_ROUNDS = 50


def reached(graph: RouteGraph, wanted: Sequence[int]) -> list[int]:
    """Those of the nodes that a way leads to from a source."""
    away, _ = graph.shortest([0])
    return [node for node in wanted if np.isfinite(away[0, node])]


def cheapest_tree(nodes: Sequence[int], cost: Floats) -> list[Edge]:
    """Cheapest tree that joins all nodes (Prim); cost : (n, n) between them, inf where there is no edge."""
    count = len(nodes)
    best = np.full(count, np.inf)
    parent = np.full(count, -1)
    out = np.ones(count, bool)
    edges: list[Edge] = []
    at = 0
    for _ in range(count - 1):
        out[at] = False
        nearer = out & (cost[at] < best)
        best[nearer], parent[nearer] = cost[at, nearer], at
        at = int(np.argmin(np.where(out, best, np.inf)))
        if parent[at] < 0:
            break
        edges.append((nodes[parent[at]], nodes[at]))
    return edges


def steiner_tree(graph: RouteGraph, wanted: Sequence[int]) -> list[Edge]:
    """Edges between nodes of a network that joins the wanted nodes to node 0, the sources.

    Parameters
    ----------
    graph : RouteGraph
        Places and trenches.
    wanted : sequence of int
        Nodes to join; a way must lead to each.
    """
    terminals = list(dict.fromkeys([0, *wanted]))
    every = list(range(graph.nodes))
    away, before = graph.shortest(every)
    joints = [n for n in every if n not in set(terminals) and np.isfinite(away[0, n])]
    best = _expanded(graph, terminals, away, before)
    price = _price(graph, best)
    taken = list(terminals)
    for _ in range(_ROUNDS):
        tried = []
        for joint in joints:
            nodes = [*taken, joint]
            edges = cheapest_tree(nodes, away[np.ix_(nodes, nodes)])
            tried.append((sum(away[a, b] for a, b in edges), joint))
        found = min(tried, default=None)
        if found is None:
            break
        edges = _pruned(_expanded(graph, [*taken, found[1]], away, before), terminals)
        if _price(graph, edges) >= price * (1 - _WORTH):
            break
        best, price = edges, _price(graph, edges)
        taken.append(found[1])
        joints.remove(found[1])
    return _pruned(best, terminals)


def _price(graph: RouteGraph, edges: Iterable[Edge]) -> float:
    pairs = graph.cheapest()
    return float(sum(graph.cost[pairs[edge]] for edge in edges))


def _expanded(graph: RouteGraph, nodes: Sequence[int], away: Floats, before: npt.NDArray[np.intp]) -> list[Edge]:
    """The cheapest tree of shortest ways between nodes, as a tree of the trenches along them."""
    used: set[Edge] = set()
    for start, end in cheapest_tree(nodes, away[np.ix_(nodes, nodes)]):
        at = end
        while at != start:
            last = int(before[start, at])
            used.add((min(last, at), max(last, at)))
            at = last
    pairs = graph.cheapest()
    inner = sorted({n for edge in used for n in edge})
    place = {n: k for k, n in enumerate(inner)}
    cost = np.full((len(inner), len(inner)), np.inf)
    for a, b in used:
        cost[place[a], place[b]] = cost[place[b], place[a]] = graph.cost[pairs[a, b]]
    return _pruned(cheapest_tree(inner, cost), nodes) if inner else []


def _pruned(edges: Sequence[Edge], keep: Sequence[int]) -> list[Edge]:
    """The tree without loose ends."""
    left, wanted = list(edges), set(keep)
    while True:
        counted: dict[int, int] = {}
        for edge in left:
            for node in edge:
                counted[node] = counted.get(node, 0) + 1
        loose = {n for n, times in counted.items() if times == 1 and n not in wanted}
        if not loose:
            return left
        left = [edge for edge in left if not loose & set(edge)]
