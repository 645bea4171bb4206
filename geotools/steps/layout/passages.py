"""Free width where the line that beams follow runs through a building or along its wall: that of the way past it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from geotools.steps.layout.width import FreeWidth, free_width, unit_normals

__all__ = ["past_objects", "width_along"]

#: Nearer than this to the edge of the clear ground, the line counts as off it, m.
_EDGE_M = 0.05
#: Spacing of the free widths that are written out, m.
_STEP_M = 5.0


def past_objects(line: LineString, ground: BaseGeometry, widths: FreeWidth, reach_m: float) -> FreeWidth:
    """The widths, those from off the clear ground replaced by that of the widest passage square to the line.

    Parameters
    ----------
    line : the line that chainage is counted along, m. ground : what beams and posts may use.
    widths : measured from the line. reach_m : how far to either side passages count.

    Returns
    -------
    ``left`` and ``right`` are still counted from the line: one of them is below zero where the passage lies wholly to
    one side. Both are 0 where there is no passage.
    """
    at, left_of = unit_normals(line, widths.chainage)
    points = shapely.points(at)
    shapely.prepare(ground)
    off = ~shapely.covers(ground, points) | (shapely.distance(ground.boundary, points) < _EDGE_M)
    left, right = widths.left.copy(), widths.right.copy()
    for k in np.flatnonzero(off):
        lo, hi = _widest(ground, at[k], left_of[k], reach_m)
        left[k], right[k] = hi, -lo
    return FreeWidth(widths.chainage, left, right)


def _widest(
    ground: BaseGeometry, at: NDArray[np.float64], left: NDArray[np.float64], reach_m: float
) -> tuple[float, float]:
    """From and to of the widest piece of clear ground along a normal, m to the left of the line; zeros for none."""
    across = LineString([at - reach_m * left, at + reach_m * left]).intersection(ground)
    pieces = [part for part in shapely.get_parts(across) if part.length > 0]
    if not pieces:
        return 0.0, 0.0
    ends = (shapely.get_coordinates(max(pieces, key=lambda part: part.length)) - at) @ left
    return float(ends.min()), float(ends.max())


def width_along(
    line: shapely.LineString, ground: BaseGeometry, obstacles: Sequence[BaseGeometry], reach_m: float
) -> FreeWidth:
    """Free width of a course's clear ground at every few metres, between obstacles and past what stands in it.

    Parameters
    ----------
    line, ground, obstacles : of the course, m.
    reach_m : how far is measured to either side, m.
    """
    count = max(int(np.ceil(line.length / _STEP_M)), 1) + (not line.is_closed)
    stations = np.linspace(0.0, line.length, count, endpoint=not line.is_closed)
    measured = free_width(line, [*obstacles, ground.boundary], stations, reach_m=reach_m)
    return past_objects(line, ground, measured, reach_m)
