"""Strips of one chain of beam lines laid on the map: sides, edges, touching nodes, steps over the chain.

Geometry alone: it hangs on neither ground nor head heights, so that a case tried costs none of it again. Nodes of a
strip are numbered ``row * offsets + column``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from geotools.corridor import StripGrid
from geotools.detection.chain import chain_vertices, side_of

__all__ = ["Link", "Steps", "Topology"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Link:
    """Where one strip lies on another.

    Attributes
    ----------
    other : int
        Place of the other strip.
    nodes, near : (m,) int
        Nodes of this strip that lie on the other, and the other's node nearest to each.
    at : (2, m) float
        Their fractional row and column in the other.
    """

    other: int
    nodes: Ints
    near: Ints
    at: Floats

    def look_up(self, values: Floats) -> Floats:
        """Values of the other strip, (n, k), at the nodes of this one, (m,), bilinear."""
        return np.asarray(map_coordinates(values, self.at, order=1, mode="nearest", prefilter=False))


@dataclass(frozen=True)
class Steps:
    """Pairs of touching nodes of one strip that lie right and left of its own piece of the chain, (m,) each.

    row : that of the right node; its chainage is where somebody steps over.
    """

    right: Ints
    left: Ints
    row: Ints


class Topology:
    """The strips of one chain, each worked out when first needed.

    Parameters
    ----------
    grids : sequence of StripGrid
        Nodes of every zone's strip, in the fence line's order; each along its own line.
    forward : sequence of bool
        Whether each line runs the fence line's own way.
    closed : bool
        Whether the last zone meets the first.
    """

    def __init__(self, grids: Sequence[StripGrid], forward: Sequence[bool], closed: bool) -> None:
        self.grids, self.closed = grids, closed
        lines = [g.line if ahead else g.line.reversed() for g, ahead in zip(grids, forward, strict=True)]
        self.vertices = chain_vertices(lines, closed)
        self._touching = _touching(grids)
        self._sides: dict[int, tuple[Flags, Ints]] = {}
        self._links: dict[int, tuple[Link, ...]] = {}
        self._edges: dict[int, tuple[Flags, Flags]] = {}
        self._meets: dict[int, Ints] = {}
        self._steps: dict[int, Steps] = {}

    def shape(self, place: int) -> tuple[int, int]:
        """Rows and columns of a strip."""
        grid = self.grids[place]
        return grid.chainage_m.size, grid.offset_m.size

    def touching(self, place: int) -> tuple[int, ...]:
        """Places of the strips that may lie on this one."""
        return self._touching[place]

    def right(self, place: int) -> Flags:
        """Nodes right of the chain, (n, k); the others are left of it."""
        return self._side(place)[0]

    def _side(self, place: int) -> tuple[Flags, Ints]:
        if place not in self._sides:
            x, y = self.grids[place].map_xy()
            side, piece = side_of(self.vertices, place, x, y, self.closed)
            self._sides[place] = side < 0, piece
        return self._sides[place]

    def links(self, place: int) -> tuple[Link, ...]:
        """The other strips that this one lies on."""
        if place not in self._links:
            x, y = self.grids[place].map_xy()
            found = []
            for other in self._touching[place]:
                row, column, inside = self.grids[other].locate(x, y)
                if inside.any():
                    at = np.array([row[inside], column[inside]])
                    near = np.rint(at).astype(np.intp)
                    columns = self.grids[other].offset_m.size
                    found.append(Link(other, np.flatnonzero(inside), near[0] * columns + near[1], at))
            self._links[place] = tuple(found)
        return self._links[place]

    def meets(self, place: int) -> Ints:
        """Nodes of a strip by which a way may lead to or from another strip, each once."""
        if place not in self._meets:
            met = [link.nodes for link in self.links(place)]
            met += [link.near for other in self._touching[place] for link in self.links(other) if link.other == place]
            self._meets[place] = np.unique(np.concatenate(met)) if met else np.empty(0, dtype=np.intp)
        return self._meets[place]

    def edges(self, place: int) -> tuple[Flags, Flags]:
        """Nodes on the corridor's right and left edge, (n, k): on their strip's edge, on no other strip."""
        if place not in self._edges:
            free = np.zeros(self.shape(place), dtype=bool)
            free[:, 0] = free[:, -1] = True
            for link in self.links(place):
                free.ravel()[link.nodes] = False
            right = self.right(place)
            self._edges[place] = free & right, free & ~right
        return self._edges[place]

    def steps(self, place: int) -> Steps:
        """The steps over the strip's own piece of the chain."""
        if place not in self._steps:
            (n, k), (right, piece) = self.shape(place), self._side(place)
            number, flat = np.arange(n * k, dtype=np.intp).reshape(n, k), right.ravel()
            rights, lefts = [], []
            for a, b in neighbours_of(number):
                over = flat[a] != flat[b]
                u, v = a[over], b[over]
                rights.append(np.where(flat[u], u, v))
                lefts.append(np.where(flat[u], v, u))
            every_right, every_left = np.concatenate(rights), np.concatenate(lefts)
            mine = (piece.ravel()[every_right] == place) & (piece.ravel()[every_left] == place)
            self._steps[place] = Steps(every_right[mine], every_left[mine], every_right[mine] // k)
        return self._steps[place]

    def counted(self, place: int) -> Flags:
        """Rows of a strip along which the chain runs, (n,); what lies past its end is the next zone's."""
        flags = np.zeros(self.shape(place)[0], dtype=bool)
        flags[self.steps(place).row] = True
        return flags

    def window(self, place: int, margin: int) -> list[int]:
        """Places up to ``margin`` zones before and after, in order."""
        count = len(self.grids)
        near = range(place - margin, place + margin + 1)
        if not self.closed:
            return [p for p in near if 0 <= p < count]
        return list(dict.fromkeys(p % count for p in near))


def neighbours_of(number: Ints) -> list[tuple[Ints, Ints]]:
    """Pairs of touching nodes of a grid of numbers, (n, k): through sides and corners."""
    return [
        (a.ravel(), b.ravel())
        for a, b in (
            (number[:-1], number[1:]),
            (number[:, :-1], number[:, 1:]),
            (number[:-1, :-1], number[1:, 1:]),
            (number[:-1, 1:], number[1:, :-1]),
        )
    ]


def _touching(grids: Sequence[StripGrid]) -> list[tuple[int, ...]]:
    """For each strip those whose bounding boxes meet its own."""
    boxes = []
    for grid in grids:
        half, length = float(grid.offset_m[-1]), grid.line.length
        x, y = grid.line.to_map([0.0, 0.0, length, length], [-half, half, -half, half])
        boxes.append([x.min(), y.min(), x.max(), y.max()])
    box = np.array(boxes).reshape(-1, 4)
    order = np.argsort(box[:, 0], kind="stable")
    lefts = box[order, 0]
    near: list[set[int]] = [set() for _ in grids]
    for place, a in enumerate(order.tolist()):
        # sorted by their left edge: only those that begin before this one ends can meet it
        last = int(np.searchsorted(lefts, box[a, 2], side="right"))
        for b in order[place + 1 : last].tolist():
            if box[b, 1] <= box[a, 3] and box[b, 3] >= box[a, 1]:
                near[a].add(b)
                near[b].add(a)
    return [tuple(sorted(others)) for others in near]
