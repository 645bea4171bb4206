"""Cheapest chain of zones over candidate junctions: exact dynamic programming, along a line or round a loop.

The candidates are nodes, several of them (side by side) may share a station, and the stations are in order along
the perimeter. A zone is an edge from a node to a node of a later station. The chain of least cost is a shortest path
in a graph without cycles, so one pass in order of station finds it exactly. A loop has no first station; every loop
either has a junction at a given station or one zone that jumps over it, so it is enough to start from the nodes of
that station and the nodes from which it can be jumped, each carried through the same pass as its own label.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.errors import NumericInputError

__all__ = ["Chain", "cheapest_chain", "cheapest_loop"]


@dataclass(frozen=True)
class Chain:
    """The chosen junctions.

    nodes : (n,) node numbers in order; for a loop the first node is repeated at the end.
    edges : (n-1,) positions of the chosen zones in the arrays that were handed in.
    cost : their total, in the unit of the costs handed in.
    """

    nodes: NDArray[np.intp]
    edges: NDArray[np.intp]
    cost: float


def _checked(
    station: NDArray[np.intp], tail: NDArray[np.intp], head: NDArray[np.intp], cost: NDArray[np.float64]
) -> None:
    if station.ndim != 1 or np.any(np.diff(station) < 0):
        raise NumericInputError(
            "the stations of the nodes are not in order", found=station[:8], expected="a 1-D array that never falls"
        )
    if not (tail.shape == head.shape == cost.shape and tail.ndim == 1):
        raise NumericInputError(
            "every zone needs a start, an end and a cost",
            found=f"{tail.shape}, {head.shape} and {cost.shape}",
            expected="three 1-D arrays of one length",
        )
    if np.any(~np.isfinite(cost)) or np.any(cost < 0):
        raise NumericInputError("a zone's cost is not a number of zero or more", found=cost[~(cost >= 0)][:3])


def _sweep(
    labels: NDArray[np.float64], tail: NDArray[np.intp], head: NDArray[np.intp], cost: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Relax all edges in order of their end node; ``labels`` (nodes, k) is updated, the chosen edge is returned."""
    chosen = np.full(labels.shape, -1, dtype=np.intp)
    order = np.lexsort((tail, head))
    ends, first = np.unique(head[order], return_index=True)
    last = np.append(first[1:], order.size)
    columns = np.arange(labels.shape[1])
    for node, lo, hi in zip(ends, first, last, strict=True):
        edge = order[lo:hi]
        reached = labels[tail[edge]] + cost[edge, None]
        best = np.argmin(reached, axis=0)
        value = reached[best, columns]
        better = value < labels[node]
        labels[node, better] = value[better]
        chosen[node, better] = edge[best[better]]
    return chosen


def _walk_back(chosen: NDArray[np.intp], tail: NDArray[np.intp], node: int, start: int) -> list[int]:
    edges = []
    while node != start:
        edge = int(chosen[node])
        edges.append(edge)
        node = int(tail[edge])
    return edges[::-1]


def cheapest_chain(
    station: NDArray[np.intp],
    tail: NDArray[np.intp],
    head: NDArray[np.intp],
    cost: NDArray[np.float64],
) -> Chain | None:
    """Cheapest chain from any node of the first station to any node of the last.

    Parameters
    ----------
    station : (n,) station number of each node, never falling.
    tail, head : (m,) node numbers; ``station[tail] < station[head]``.
    cost : (m,) zero or more, any unit.

    Returns
    -------
    The chain, or None where no chain reaches the last station.

    Raises
    ------
    NumericInputError : nodes out of order, costs below zero or not finite.
    """
    station, tail, head = (np.asarray(a, dtype=np.intp) for a in (station, tail, head))
    cost = np.asarray(cost, dtype=np.float64)
    _checked(station, tail, head, cost)
    if np.any(station[tail] >= station[head]):
        raise NumericInputError(
            "a zone of an open line ends before it starts", expected="station[tail] < station[head]"
        )
    labels = np.full((station.size + 1, 1), np.inf)
    sources = np.flatnonzero(station == station[0])
    # one node before all others, so that the several sources need one label only
    origin = station.size
    labels[origin, 0] = 0.0
    all_tail = np.concatenate([tail, np.full(sources.size, origin)])
    all_head = np.concatenate([head, sources])
    all_cost = np.concatenate([cost, np.zeros(sources.size)])
    chosen = _sweep(labels, all_tail, all_head, all_cost)
    sinks = np.flatnonzero(station == station[-1])
    end = int(sinks[np.argmin(labels[sinks, 0])])
    if not np.isfinite(labels[end, 0]):
        return None
    edges = np.array(_walk_back(chosen[:, 0], all_tail, end, origin)[1:], dtype=np.intp)
    nodes = np.append(tail[edges], end) if edges.size else np.array([end])
    return Chain(nodes, edges, float(labels[end, 0]))


def _cheapest_cut(n_stations: int, station: NDArray[np.intp], tail: NDArray[np.intp], span: NDArray[np.intp]) -> int:
    """The station that the fewest nodes reach over (or stand on)."""
    reach = np.zeros(station.size, dtype=np.intp)
    np.maximum.at(reach, tail, span)
    covers = np.zeros(2 * n_stations + 1, dtype=np.intp)
    np.add.at(covers, station, 1)
    np.add.at(covers, station + np.maximum(reach, 1), -1)
    running = np.cumsum(covers)[: 2 * n_stations]
    return int(np.argmin(running[:n_stations] + running[n_stations:]))


def cheapest_loop(
    n_stations: int,
    station: NDArray[np.intp],
    tail: NDArray[np.intp],
    head: NDArray[np.intp],
    cost: NDArray[np.float64],
) -> Chain | None:
    """Cheapest closed loop that goes once round.

    Parameters
    ----------
    n_stations : stations on the loop; station numbers run from 0 to ``n_stations - 1``.
    station : (n,) station number of each node, never falling.
    tail, head : (m,) node numbers. A zone that ends at a lower (or the same) station than it starts runs over the seam.
    cost : (m,) zero or more, any unit.

    Returns
    -------
    The loop (two zones at least), or None where there is none.

    Raises
    ------
    NumericInputError : nodes out of order, costs below zero or not finite.
    """
    station, tail, head = (np.asarray(a, dtype=np.intp) for a in (station, tail, head))
    cost = np.asarray(cost, dtype=np.float64)
    _checked(station, tail, head, cost)
    span = np.mod(station[head] - station[tail], n_stations)
    usable = np.flatnonzero(span > 0)
    if usable.size == 0:
        return None
    use_tail, use_head, use_span, use_cost = tail[usable], head[usable], span[usable], cost[usable]
    cut = _cheapest_cut(n_stations, station, use_tail, use_span)
    offset = np.mod(station[use_tail] - cut, n_stations)
    jumpers = np.unique(use_tail[(offset + use_span > n_stations) & (offset > 0)])
    starts = np.union1d(np.flatnonzero(station == cut), jumpers)
    if starts.size == 0:
        return None

    # three turns of the loop laid out in a row, stations counted from the cut: starts stand in the first turn
    # (or on the cut), every loop ends one turn later
    turn = np.mod(station - cut, n_stations)
    nodes_in_row = np.lexsort((np.arange(station.size), turn))
    place = np.empty(station.size, dtype=np.intp)
    place[nodes_in_row] = np.arange(station.size)
    n = station.size
    wraps = (turn[use_tail] + use_span >= n_stations).astype(np.intp)
    row_tail = np.concatenate([place[use_tail] + k * n for k in range(2)])
    row_head = np.concatenate([place[use_head] + (k + wraps) * n for k in range(2)])
    row_edge = np.tile(usable, 2)
    row_cost = np.tile(use_cost, 2)

    labels = np.full((3 * n, starts.size), np.inf)
    columns = np.arange(starts.size)
    labels[place[starts], columns] = 0.0
    earliest = place[starts].min()
    keep = (row_tail >= earliest) & (row_head <= place[starts].max() + n)
    kept = np.flatnonzero(keep)
    chosen = _sweep(labels, row_tail[kept], row_head[kept], row_cost[kept])
    totals = labels[place[starts] + n, columns]
    best = int(np.argmin(totals))
    if not np.isfinite(totals[best]):
        return None
    start = int(place[starts[best]])
    steps = _walk_back(chosen[:, best], row_tail[kept], start + n, start)
    edges = row_edge[kept[steps]]
    return Chain(np.append(tail[edges], tail[edges[0]]), edges, float(totals[best]))
