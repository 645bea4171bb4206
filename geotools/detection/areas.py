"""Who gets over the chain below one level: areas of open ground, joined from strip to strip.

The same ways as :mod:`geotools.detection.crossing` weighs, answered by yes or no: connected areas of nodes below the
level answer that for a hundredth of the time, and only the strips that a case changes are labelled anew.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from geotools.detection.topology import Topology

__all__ = ["Areas", "areas_of", "crossed", "easiest_step", "stepped_over"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.intp]
_TOUCH = np.ones((3, 3), dtype=int)


@dataclass(frozen=True)
class _Side:
    """Areas of one side of the chain in one strip.

    labels : (n * k,) number of the area a node is in, 0 for none. count : areas. from_edge : (count + 1,) whether an
    area begins on the corridor's edge.
    """

    labels: NDArray[np.int32]
    count: int
    from_edge: Flags


@dataclass(frozen=True)
class Areas:
    """Open areas of one strip, right and left of the chain."""

    right: _Side
    left: _Side


def areas_of(topology: Topology, place: int, below: Flags) -> Areas:
    """Areas of the nodes that are open.

    Parameters
    ----------
    topology : Topology
        Of the chain.
    place : int
        The strip's.
    below : (n, k) bool
        Nodes at which nobody is detected.
    """
    right = topology.right(place)
    on_right, on_left = topology.edges(place)
    return Areas(_side(below & right, on_right), _side(below & ~right, on_left))


def _side(open_: Flags, edge: Flags) -> _Side:
    labels, count = label(open_, structure=_TOUCH)
    from_edge = np.zeros(count + 1, dtype=bool)
    from_edge[labels[edge]] = True
    from_edge[0] = False
    return _Side(labels.ravel(), count, from_edge)


def stepped_over(topology: Topology, place: int, below: Flags) -> Flags:
    """Steps over the chain in one strip, (steps,), whose both nodes are open; without any nobody crosses there.

    Parameters
    ----------
    topology : Topology
        Of the chain.
    place : int
        The strip's.
    below : (n, k) bool
        Nodes at which nobody is detected.
    """
    steps, open_ = topology.steps(place), below.ravel()
    return np.asarray(open_[steps.right] & open_[steps.left])


def easiest_step(topology: Topology, place: int, met: Floats) -> float:
    """Least modulation that a single step over the chain in one strip meets: no way over it there meets less.

    met : (n, k) modulation at the strip's nodes. inf where the chain has no step in the strip.
    """
    steps, values = topology.steps(place), met.ravel()
    return float(np.maximum(values[steps.right], values[steps.left]).min(initial=np.inf))


def crossed(
    topology: Topology, window: Sequence[int], areas: Callable[[int], Areas], wanted: Sequence[int]
) -> dict[int, Flags]:
    """Rows at which somebody steps over the chain, by way of the strips of a window.

    Parameters
    ----------
    topology : Topology
        Of the chain.
    window : sequence of int
        Places of the strips that a way may use.
    areas : callable
        Gives the open areas of a strip.
    wanted : sequence of int
        Places in question, all of the window.

    Returns
    -------
    dict of int to (n,) bool
    """
    reached: list[tuple[dict[int, Flags], dict[int, Flags]]] = []

    def joined() -> tuple[dict[int, Flags], dict[int, Flags]]:
        """Areas of the whole window that are reached from its edges; requested only where one strip cannot tell."""
        if not reached:
            found = {place: areas(place) for place in window}
            right = _reached(topology, {place: one.right for place, one in found.items()})
            reached.append((right, _reached(topology, {place: one.left for place, one in found.items()})))
        return reached[0]

    rows = {}
    for place in wanted:
        steps, one = topology.steps(place), areas(place)
        right, left = one.right.labels[steps.right], one.left.labels[steps.left]
        open_ = (right > 0) & (left > 0)
        over = open_ & one.right.from_edge[right] & one.left.from_edge[left]
        meets = topology.meets(place)
        may_be = open_ & _outward(one.right, meets)[right] & _outward(one.left, meets)[left]
        if (over != may_be).any():
            # an open step whose areas do not begin on this strip's own edge may be reached by way of another
            from_right, from_left = joined()
            over = from_right[place][right] & from_left[place][left]
        flags = np.zeros(topology.shape(place)[0], dtype=bool)
        flags[steps.row[over]] = True
        rows[place] = flags
    return rows


def _outward(side: _Side, meets: Ints) -> Flags:
    """Areas, by number, that begin on the strip's own edge or have a node that meets another strip; others are shut."""
    outward = side.from_edge.copy()
    outward[side.labels[meets]] = True
    outward[0] = False
    return outward


def _reached(topology: Topology, sides: dict[int, _Side]) -> dict[int, Flags]:
    """For each strip the areas, by number, that are reached from the corridor's edge; number 0 never is."""
    first, total = {}, 0
    for place, side in sides.items():
        first[place] = total
        total += side.count + 1
    ends: list[NDArray[np.int64]] = []
    for place, side in sides.items():
        for link in topology.links(place):
            other = sides.get(link.other)
            if other is None or not side.count or not other.count:
                continue
            a, b = side.labels[link.nodes], other.labels[link.near]
            both = (a > 0) & (b > 0)
            if both.any():
                pairs = np.unique(a[both].astype(np.int64) * (other.count + 1) + b[both])
                ends.append(
                    np.array([pairs // (other.count + 1) + first[place], pairs % (other.count + 1) + first[link.other]])
                )
    start = np.concatenate([side.from_edge for side in sides.values()])
    if ends and start.any():
        u, v = np.concatenate(ends, axis=1)
        graph = coo_matrix((np.ones(u.size, dtype=np.int8), (u, v)), shape=(total, total))
        _, part = connected_components(graph, directed=False)
        start = np.isin(part, part[start])
    return {place: start[first[place] : first[place] + side.count + 1] for place, side in sides.items()}
