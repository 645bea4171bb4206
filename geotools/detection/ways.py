"""The easiest way across: bottleneck paths over the nodes of all strips, exact on that graph.

Every way from one side of the corridor to the other meets a largest modulation; the weakest crossing is the way whose
largest is smallest. On a graph it runs along a minimum spanning tree (Hu, Operations Research 9, 1961, from memory),
so that one tree from each side answers for every node at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import breadth_first_order, dijkstra, minimum_spanning_tree

from geotools.detection.topology import neighbours_of

__all__ = ["Graph", "build_graph", "shortest_way", "worst_from"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Graph:
    """Nodes of all patches, numbered patch by patch, and the pairs that touch.

    first : (patches + 1,) number of each patch's first node. u, v : (edges,) touching nodes.
    """

    first: Ints
    u: Ints
    v: Ints

    @property
    def size(self) -> int:
        """Number of nodes."""
        return int(self.first[-1])


def build_graph(shapes: Sequence[tuple[int, int]], links: Sequence[tuple[int, int, Ints, Ints]]) -> Graph:
    """Graph of patches of these (n, k) shapes: eight neighbours within a patch, links between patches."""
    first = np.concatenate([[0], np.cumsum([n * k for n, k in shapes])]).astype(np.intp)
    u: list[Ints] = []
    v: list[Ints] = []
    for start, (n, k) in zip(first, shapes, strict=False):
        number = start + np.arange(n * k, dtype=np.intp).reshape(n, k)
        for a, b in neighbours_of(number):
            u.append(a)
            v.append(b)
    # two patches may be linked both ways: each pair is kept once
    pairs = [np.empty((0, 2), dtype=np.intp)]
    pairs += [np.column_stack([first[a] + a_nodes, first[b] + b_nodes]) for a, b, a_nodes, b_nodes in links]
    linked = np.unique(np.sort(np.concatenate(pairs), axis=1), axis=0)
    return Graph(first, np.concatenate([*u, linked[:, 0]]), np.concatenate([*v, linked[:, 1]]))


def worst_from(graph: Graph, cost: Floats, seeds: Ints, within: Flags | None = None) -> Floats:
    """Smallest possible largest cost on a way from any seed to each node, both ends counted, (nodes,).

    within : flags of the nodes that a way may use, all if not given. ``inf`` for nodes that no way reaches.
    """
    root = graph.size
    worst = np.full(root, np.inf)
    u, v = graph.u, graph.v
    if within is not None:
        seeds = seeds[within[seeds]]
        keep = within[u] & within[v]
        u, v = u[keep], v[keep]
    if not seeds.size:
        return worst
    # a stored zero would read as "no edge"
    lift = 1e-6
    weight = np.concatenate([np.maximum(cost[u], cost[v]), cost[seeds]]) + lift
    u = np.concatenate([u, np.full(seeds.size, root)])
    v = np.concatenate([v, seeds])
    matrix = coo_matrix((weight, (u, v)), shape=(root + 1, root + 1)).tocsr()
    order, before = breadth_first_order(minimum_spanning_tree(matrix), root, directed=False)
    value = np.append(cost, 0.0)
    parent = np.arange(root + 1)
    parent[order[1:]] = before[order[1:]]
    # pointer doubling: after each round a node knows the worst of twice as many steps towards the root
    while (parent[order] != root).any():
        value = np.maximum(value, value[parent])
        parent = parent[parent]
    reached = order[order != root]
    worst[reached] = value[reached]
    return worst


def shortest_way(graph: Graph, x: Floats, y: Floats, allowed: Flags, node: int, ends: Flags) -> Ints:
    """Shortest way over allowed nodes from ``node`` to any end node; node numbers, ``node`` first.

    ``allowed`` and ``ends`` are flags of nodes; an end must be within reach. It is sought on the patch of ``node`` and
    those before and after it, then on the whole graph.
    """
    patch = int(np.searchsorted(graph.first, node, side="right")) - 1
    low = int(graph.first[max(patch - 1, 0)])
    high = int(graph.first[min(patch + 2, graph.first.size - 1)])
    for span in ((low, high), (0, graph.size)):
        way = _shortest(graph, x, y, allowed, node, ends, span)
        if way is not None:
            return way
    raise ValueError("no end is within reach over allowed nodes")


def _shortest(
    graph: Graph, x: Floats, y: Floats, allowed: Flags, node: int, ends: Flags, span: tuple[int, int]
) -> Ints | None:
    low, high = span
    keep = np.zeros(graph.size, dtype=bool)
    keep[low:high] = allowed[low:high]
    edges = np.flatnonzero(keep[graph.u] & keep[graph.v])
    u, v = graph.u[edges] - low, graph.v[edges] - low
    length = np.hypot(x[u + low] - x[v + low], y[u + low] - y[v + low]) + 1e-6
    matrix = coo_matrix((length, (u, v)), shape=(high - low, high - low)).tocsr()
    distance, before = dijkstra(matrix, directed=False, indices=node - low, return_predecessors=True)
    reached = np.where(ends[low:high] & keep[low:high], distance, np.inf)
    at = int(reached.argmin())
    if not np.isfinite(reached[at]):
        return None
    way = [at]
    while before[at] >= 0:
        at = int(before[at])
        way.append(at)
    return np.array(way[::-1], dtype=np.intp) + low
