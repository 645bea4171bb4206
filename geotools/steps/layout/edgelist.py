"""The list of possible zones: what grows with the perimeter, so kept in few bytes each."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
from numpy.typing import NDArray

__all__ = ["Edges"]


class Edges:
    """Possible zones between candidates, in order of start, then end; 24 bytes for each that lacks no room.

    tail, head : (m,) node numbers. cost : (m,) the prices together, infinite for a zone that was found not to fit.
    earthwork_m3 : (m,) expected on this zone.

    ``most`` : how many there can be. Memory is taken as they are added.
    """

    def __init__(self, most: int) -> None:
        self._tail, self._head = np.empty(most, dtype=np.int32), np.empty(most, dtype=np.int32)
        self._cost, self._earthwork_m3 = np.empty(most), np.empty(most)
        self._count = 0
        # of the few that lack room past a junction or have dead ground: which, by how much and how long
        self._rare: list[tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]] = []

    @property
    def tail(self) -> NDArray[np.int32]:
        """Nodes that the zones start at."""
        return self._tail[: self._count]

    @property
    def head(self) -> NDArray[np.int32]:
        """Nodes that they end at."""
        return self._head[: self._count]

    @property
    def cost(self) -> NDArray[np.float64]:
        """Their prices together; may be written to."""
        return self._cost[: self._count]

    def add(self, tail: NDArray, head: NDArray, cost: NDArray, lack: NDArray, earth: NDArray, dead: NDArray) -> None:
        """Add zones, in any order, whose starts come after those of all that were added before."""
        order = np.lexsort((head, tail))
        new = slice(self._count, self._count + tail.size)
        self._tail[new], self._head[new] = tail[order], head[order]
        self._cost[new], self._earthwork_m3[new] = cost[order], earth[order]
        lack, dead = lack[order], dead[order]
        rare = np.flatnonzero((lack > 0) | (dead > 0))
        if rare.size:
            self._rare.append((rare + self._count, lack[rare], dead[rare]))
        self._count += tail.size

    def hold(self, tail: int, head: int, cost: float) -> None:
        """Make this the only zone that starts at the one node and the only one that ends at the other."""
        other = (self.tail == tail) | (self.head == head)
        own = (self.tail == tail) & (self.head == head)
        self.cost[other & ~own] = np.inf
        if own.any():
            self.cost[own] = cost
            return
        at = self._count
        self._tail, self._head = np.insert(self._tail, at, tail), np.insert(self._head, at, head)
        self._cost, self._earthwork_m3 = np.insert(self._cost, at, cost), np.insert(self._earthwork_m3, at, 0.0)
        self._count += 1

    def earthwork_m3(self, k: int) -> float:
        """Expected on one zone, m3."""
        return float(self._earthwork_m3[k])

    def lack_and_dead_m(self, k: int) -> tuple[float, float]:
        """What a zone's beam lacks of its two runs past the junctions, and its ground that stays blind, m."""
        part = bisect_right(self._rare, k, key=lambda rare: rare[0][0]) - 1
        if part >= 0:
            which, lack, dead = self._rare[part]
            at = int(np.searchsorted(which, k))
            if at < which.size and which[at] == k:
                return float(lack[at]), float(dead[at])
        return 0.0, 0.0
