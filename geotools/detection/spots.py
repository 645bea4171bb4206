"""Dead spots: runs of stations where somebody gets through, as areas with their measures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from geotools.beam.strip import HIGHEST_TOP_M
from geotools.corridor import StripGrid
from geotools.detection.patch import Patch
from geotools.plan.model import DeadSpot

__all__ = ["find_spots", "outline", "runs", "stretch"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Ints = NDArray[np.intp]


def runs(flags: Flags) -> list[tuple[int, int]]:
    """First and last index of every run of True."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def stretch(grid: StripGrid, first: int, last: int) -> tuple[float, float]:
    """Chainages that rows ``first`` to ``last`` stand for, m: half a spacing to either side, between the posts."""
    x, half = grid.chainage_m, grid.spacing_m[0] / 2
    return max(float(x[first]) - half, 0.0), min(float(x[last]) + half, float(x[-1]))


def outline(grid: StripGrid, open_nodes: Flags, first: int, last: int) -> Polygon:
    """Area of the open nodes around the beam line, rows ``first`` to ``last``: in each row as far as they reach.

    ``open_nodes`` (n, k); the node on the beam line counts as open in every row.
    """
    x, y = grid.chainage_m, grid.offset_m
    dx, dy = grid.spacing_m
    middle, k = y.size // 2, y.size
    left, right = [], []
    for row in range(first, last + 1):
        shut_left = np.flatnonzero(~open_nodes[row, middle + 1 :])
        shut_right = np.flatnonzero(~open_nodes[row, :middle][::-1])
        j_left = middle + (int(shut_left[0]) if shut_left.size else k - 1 - middle)
        j_right = middle - (int(shut_right[0]) if shut_right.size else middle)
        left.append(min(float(y[j_left]) + dy / 2, float(y[-1])))
        right.append(max(float(y[j_right]) - dy / 2, float(y[0])))
    rows = x[first : last + 1]
    along = np.concatenate([[max(float(rows[0]) - dx / 2, 0.0)], rows, [min(float(rows[-1]) + dx / 2, float(x[-1]))]])
    up = np.array([left[0], *left, left[-1]])
    down = np.array([right[0], *right, right[-1]])
    mx, my = grid.line.to_map(np.concatenate([along, along[::-1]]), np.concatenate([down, up[::-1]]))
    shape = Polygon(np.column_stack([mx, my]))
    return shape if shape.is_valid else shape.buffer(0)


def find_spots(patch: Patch, number: int, stations: Floats, steps: Ints, threshold: float) -> list[DeadSpot]:
    """Spots of one zone and threat.

    Parameters
    ----------
    patch : Patch
        The zone's.
    number : int
        The threat's place in it.
    stations : (n,) array
        Largest modulation on the easiest way through each.
    steps : (n, 2) array
        Nodes where that way steps over the chain.
    threshold : float
        Modulation that alarms.
    """
    best = patch.best[number]
    gap = np.minimum(patch.floor - patch.ground_m, HIGHEST_TOP_M).ravel()
    spots = []
    for first, last in runs(stations < threshold):
        rows = slice(first, last + 1)
        spots.append(
            DeadSpot(
                *stretch(patch.grid, first, last),
                rows=(first, last),
                area=outline(patch.grid, best < threshold, first, last),
                crawl_gap_m=float(gap[steps[rows]].min(axis=1).max()),
                modulation=float(stations[rows].min()),
            )
        )
    return spots
