"""Strips of neighbouring zones laid on one ground: who else sees a place, and which nodes touch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from geotools.beam.strip import HIGHEST_TOP_M, Strip
from geotools.corridor import BeamLine

__all__ = ["Link", "Patch", "joined", "overlaps"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Link = tuple[int, int, Ints, Ints]
"""Two patches and their touching nodes, numbered within each."""


@dataclass
class Patch:
    """One strip on the map and what was found on it.

    line : from transmitter post to receiver post. best : (threats, n, k) modulation. floor : (n, k) detection floor.
    """

    line: BeamLine
    strip: Strip
    best: Floats
    floor: Floats

    @property
    def spacing(self) -> tuple[float, float]:
        """Spacing of the nodes along and across, m."""
        x, y = self.strip.chainage_m, self.strip.offset_m
        return float(x[1] - x[0]), float(y[1] - y[0])

    def node_xy(self) -> tuple[Floats, Floats]:
        """Map coordinates of the nodes, (n, k) each."""
        return self.line.to_map(self.strip.chainage_m[:, None], self.strip.offset_m[None, :])

    def place(self, x: Floats, y: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Row and column (fractional) of map places, and whether they lie on the patch."""
        along, across = self.line.from_map(x, y)
        dx, dy = self.spacing
        half = float(self.strip.offset_m[-1])
        inside = (along >= 0) & (along <= self.line.length) & (np.abs(across) <= half)
        return along / dx, (across + half) / dy, inside


def overlaps(patches: Sequence[Patch]) -> list[tuple[int, int]]:
    """Ordered pairs (a, b), a not b, of patches whose bounding boxes meet."""
    boxes = []
    for patch in patches:
        half = float(patch.strip.offset_m[-1])
        corners = patch.line.to_map([0.0, 0.0, patch.line.length, patch.line.length], [-half, half, -half, half])
        boxes.append([corners[0].min(), corners[1].min(), corners[0].max(), corners[1].max()])
    box = np.array(boxes).reshape(-1, 4)
    order = np.argsort(box[:, 0])
    lefts = box[order, 0]
    pairs = []
    for place, a in enumerate(order):
        # sorted by their left edge: only those that begin before this one ends can meet it
        last = int(np.searchsorted(lefts, box[a, 2], side="right"))
        for b in order[place + 1 : last]:
            if box[b, 1] <= box[a, 3] and box[b, 3] >= box[a, 1]:
                pairs += [(int(a), int(b)), (int(b), int(a))]
    return sorted(pairs)


def joined(patches: Sequence[Patch]) -> tuple[list[Floats], list[Floats], list[Link]]:
    """Modulation and floor of every patch with what its neighbours' beams add, and the nodes at which patches touch.

    Returns
    -------
    best : (threats, n, k) each. floor : (n, k) each.
    links : ``(a, b, nodes of a, nodes of b)`` flat node numbers; each node of a that lies on b with b's nearest node.
    """
    best = [patch.best.copy() for patch in patches]
    floor = [patch.floor.copy() for patch in patches]
    links = []
    for a, b in overlaps(patches):
        x, y = patches[a].node_xy()
        row, column, inside = patches[b].place(x, y)
        if not inside.any():
            continue
        at = np.array([row[inside], column[inside]])
        for threat in range(best[a].shape[0]):
            there = map_coordinates(patches[b].best[threat], at, order=1, mode="nearest")
            best[a][threat][inside] = np.maximum(best[a][threat][inside], there)
        # where no height alarms there is nothing to interpolate: the highest top looked at stands in
        capped = np.minimum(patches[b].floor, patches[b].strip.ground_m + HIGHEST_TOP_M)
        there = map_coordinates(capped, at, order=1, mode="nearest")
        seen = there < patches[a].strip.ground_m[inside] + 0.99 * HIGHEST_TOP_M
        floor[a][inside] = np.where(seen, np.minimum(floor[a][inside], there), floor[a][inside])
        k = patches[b].strip.offset_m.size
        near = np.rint(at).astype(np.intp)
        links.append((a, b, np.flatnonzero(inside), near[0] * k + near[1]))
    return best, floor, links
