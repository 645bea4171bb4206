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


#: Labels of a loop are carried for so many bytes' worth of starts at a time.
_LABEL_BYTES = 64_000_000


def _checked(station: NDArray[np.intp], tail: NDArray[np.integer], head: NDArray, cost: NDArray[np.float64]) -> None:
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
    if not np.all(cost >= 0):
        raise NumericInputError("a zone's cost is not a number of zero or more", found=cost[~(cost >= 0)][:3])


class _SpanTable:
    """The zones in order of start, then end, the cheapest alone of those between the same two nodes."""

    def __init__(self, count: int, tail: NDArray[np.integer], head: NDArray[np.integer], cost: NDArray) -> None:
        self.number: NDArray[np.intp] | None = None
        in_order = (tail[1:] > tail[:-1]) | ((tail[1:] == tail[:-1]) & (head[1:] > head[:-1]))
        if not in_order.all():
            order = np.lexsort((cost, head, tail))
            new = np.append(True, (np.diff(tail[order]) != 0) | (np.diff(head[order]) != 0))
            self.number = order[new]
            tail, head, cost = tail[self.number], head[self.number], cost[self.number]
        self.tail, self.head, self.cost = tail, head, cost
        self.first = np.searchsorted(tail, np.arange(count + 1))

    def chosen(self, places: list[int]) -> NDArray[np.intp]:
        """Positions in the arrays that were handed in."""
        at = np.array(places, dtype=np.intp)
        return at if self.number is None else self.number[at]


def cheapest_chain(
    station: NDArray[np.intp],
    tail: NDArray[np.integer],
    head: NDArray[np.integer],
    cost: NDArray[np.float64],
) -> Chain | None:
    """Cheapest chain from any node of the first station to any node of the last.

    Parameters
    ----------
    station : (n,) station number of each node, never falling.
    tail, head : (m,) node numbers; ``station[tail] < station[head]``. In order of tail, then head, they are not copied.
    cost : (m,) zero or more, any unit; infinite for a zone that may not be used.

    Returns
    -------
    The chain, or None where no chain reaches the last station.

    Raises
    ------
    NumericInputError : nodes out of order, costs below zero or not numbers.
    """
    station, tail, head = np.asarray(station), np.asarray(tail), np.asarray(head)
    cost = np.asarray(cost, dtype=np.float64)
    _checked(station, tail, head, cost)
    onward = np.searchsorted(station, station, side="right").astype(np.int32)
    if np.any(head < onward[tail]):
        raise NumericInputError(
            "a zone of an open line ends before it starts", expected="station[tail] < station[head]"
        )
    zones = _SpanTable(station.size, tail, head, cost)
    label = np.where(station == station[0], 0.0, np.inf)
    came_by = np.full(station.size, -1, dtype=np.intp)
    # nodes in order: whatever can lead to one has been looked at before it
    for node in range(station.size):
        lo, hi = zones.first[node], zones.first[node + 1]
        if lo == hi or np.isinf(label[node]):
            continue
        to, reached = zones.head[lo:hi], label[node] + zones.cost[lo:hi]
        better = np.flatnonzero(reached < label[to])
        label[to[better]] = reached[better]
        came_by[to[better]] = lo + better
    sinks = np.flatnonzero(station == station[-1])
    end = int(sinks[np.argmin(label[sinks])])
    if not np.isfinite(label[end]):
        return None
    places, node = [], end
    while came_by[node] >= 0:
        places.append(int(came_by[node]))
        node = int(zones.tail[places[-1]])
    edges = zones.chosen(places[::-1])
    nodes = np.append(tail[edges], end).astype(np.intp)
    return Chain(nodes, edges, float(label[end]))


def _cheapest_cut(n_stations: int, station: NDArray[np.intp], tail: NDArray[np.integer], span: NDArray) -> int:
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
    tail: NDArray[np.integer],
    head: NDArray[np.integer],
    cost: NDArray[np.float64],
) -> Chain | None:
    """Cheapest closed loop that goes once round.

    Parameters
    ----------
    n_stations : stations on the loop; station numbers run from 0 to ``n_stations - 1``.
    station : (n,) station number of each node, never falling.
    tail, head : (m,) node numbers. A zone that ends at a lower (or the same) station than it starts runs over the seam.
    cost : (m,) zero or more, any unit; infinite for a zone that may not be used.

    Returns
    -------
    The loop (two zones at least), or None where there is none.

    Raises
    ------
    NumericInputError : nodes out of order, costs below zero or not numbers.
    """
    station, tail, head = np.asarray(station), np.asarray(tail), np.asarray(head)
    cost = np.asarray(cost, dtype=np.float64)
    _checked(station, tail, head, cost)
    brief = station.astype(np.int32)
    span = np.mod(brief[head] - brief[tail], np.int32(n_stations))
    usable = (span > 0) & np.isfinite(cost)
    if not usable.all():
        given = np.flatnonzero(usable)
        found = cheapest_loop(n_stations, station, tail[given], head[given], cost[given]) if given.size else None
        return None if found is None else Chain(found.nodes, given[found.edges], found.cost)
    if not cost.size:
        return None
    cut = _cheapest_cut(n_stations, station, tail, span)
    offset = np.mod(brief[tail] - np.int32(cut), np.int32(n_stations))
    jumpers = np.unique(tail[(offset + span > n_stations) & (offset > 0)])
    starts = np.union1d(np.flatnonzero(station == cut), jumpers)
    if starts.size == 0:
        return None
    del offset, span

    # three turns of the loop laid out in a row, stations counted from the cut: starts stand in the first turn
    # (or on the cut), every loop ends one turn later
    zones = _SpanTable(station.size, tail, head, cost)
    n = station.size
    node_in_row = np.roll(np.arange(n), -int(np.searchsorted(station, cut)))
    place = np.empty(n, dtype=np.int32)
    place[node_in_row] = np.arange(n)
    # a zone that ends at an earlier place than it starts runs on into the next turn
    ahead = place[zones.head] + np.where(place[zones.head] <= place[zones.tail], np.int32(n), np.int32(0))
    at_once = max(1, _LABEL_BYTES // (12 * 3 * n))
    best: tuple[float, int, list[int]] | None = None
    for first in range(0, starts.size, at_once):
        rows = place[starts[first : first + at_once]].astype(np.intp)
        totals, came_by = _carried(zones, node_in_row, ahead, rows)
        column = int(np.argmin(totals))
        if np.isfinite(totals[column]) and (best is None or totals[column] < best[0]):
            start = int(rows[column])
            best = float(totals[column]), start, _walk_back(came_by[:, column], zones.tail, place, start, n)
    if best is None:
        return None
    edges = zones.chosen(best[2])
    return Chain(np.append(tail[edges], tail[edges[0]]).astype(np.intp), edges, best[0])


def _carried(
    zones: _SpanTable, node_in_row: NDArray[np.intp], ahead: NDArray[np.int32], starts: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Cost of the cheapest way once round from each start's row, (k,), and the zone that each row is reached by."""
    n, columns = node_in_row.size, np.arange(starts.size)
    last = int(starts.max()) + n
    label = np.full((last + 1, starts.size), np.inf)
    label[starts, columns] = 0.0
    came_by = np.full(label.shape, -1, dtype=np.int32)
    for row in range(int(starts.min()), last):
        turn, node = divmod(row, n)
        lo, hi = zones.first[node_in_row[node]], zones.first[node_in_row[node] + 1]
        if lo == hi or np.isinf(label[row]).all():
            continue
        to = ahead[lo:hi] + turn * n
        inside = np.flatnonzero(to <= last)
        to = to[inside]
        reached = label[row] + zones.cost[lo:hi][inside, None]
        held = label[to]
        better = reached < held
        label[to] = np.where(better, reached, held)
        came_by[to] = np.where(better, (lo + inside)[:, None], came_by[to])
    return label[starts + n, columns], came_by


def _walk_back(
    came_by: NDArray[np.int32], tail: NDArray[np.integer], place: NDArray[np.int32], start: int, n: int
) -> list[int]:
    """The zones from one start's row to the same place a turn later."""
    places, row = [], start + n
    while row != start:
        zone = int(came_by[row])
        places.append(zone)
        node_row = int(place[tail[zone]])
        # a zone is shorter than a turn: it began at the last row of its start before this one
        row = node_row + (row - 1 - node_row) // n * n
    return places[::-1]
