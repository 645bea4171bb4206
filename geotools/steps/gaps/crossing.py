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

__all__ = ["Graph", "build_graph", "shortest_way", "worst_from"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


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
        for a, b in (
            (number[:-1], number[1:]),
            (number[:, :-1], number[:, 1:]),
            (number[:-1, :-1], number[1:, 1:]),
            (number[:-1, 1:], number[1:, :-1]),
        ):
            u.append(a.ravel())
            v.append(b.ravel())
    for a_patch, b_patch, a_nodes, b_nodes in links:
        u.append(first[a_patch] + a_nodes)
        v.append(first[b_patch] + b_nodes)
    return Graph(first, np.concatenate(u), np.concatenate(v))


def worst_from(graph: Graph, cost: Floats, seeds: Ints) -> Floats:
    """Smallest possible largest cost on a way from any seed to each node, both ends counted, (nodes,).

    ``inf`` for nodes that no way reaches.
    """
    root = graph.size
    worst = np.full(root, np.inf)
    if not seeds.size:
        return worst
    # a stored zero would read as "no edge"
    lift = 1e-6
    weight = np.concatenate([np.maximum(cost[graph.u], cost[graph.v]), cost[seeds]]) + lift
    u = np.concatenate([graph.u, np.full(seeds.size, root)])
    v = np.concatenate([graph.v, seeds])
    # two patches may be linked both ways: keep one of equal pairs, or the matrix would add them
    low, high = np.minimum(u, v), np.maximum(u, v)
    _, keep = np.unique(low * (root + 1) + high, return_index=True)
    matrix = coo_matrix((weight[keep], (low[keep], high[keep])), shape=(root + 1, root + 1)).tocsr()
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


def shortest_way(
    graph: Graph, x: Floats, y: Floats, allowed: NDArray[np.bool_], start: Ints, end: Ints, via: int
) -> Ints:
    """Shortest way over allowed nodes from a start node through ``via`` to an end node; node numbers, start first.

    ``start`` and ``end`` must be reachable from ``via`` over allowed nodes.
    """
    keep = allowed[graph.u] & allowed[graph.v]
    u, v = graph.u[keep], graph.v[keep]
    nodes = np.unique(np.concatenate([u, v, [via]]))
    number = np.full(graph.size, -1)
    number[nodes] = np.arange(nodes.size)
    length = np.hypot(x[u] - x[v], y[u] - y[v]) + 1e-6
    low, high = np.minimum(number[u], number[v]), np.maximum(number[u], number[v])
    _, once = np.unique(low * nodes.size + high, return_index=True)
    matrix = coo_matrix((length[once], (low[once], high[once])), shape=(nodes.size, nodes.size)).tocsr()
    distance, before = dijkstra(matrix, directed=False, indices=int(number[via]), return_predecessors=True)
    halves = []
    for ends in (start, end):
        local = number[ends[allowed[ends]]]
        local = local[local >= 0]
        node = int(local[np.argmin(distance[local])])
        way = [node]
        while before[node] >= 0:
            node = int(before[node])
            way.append(node)
        halves.append(nodes[way])
    return np.concatenate([halves[0], halves[1][::-1][1:]])
