"""How far places lie from the line that beams are asked to follow, looked up quickly at many places."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from geotools.steps.layout.zone_rules import Field
from geotools.terrain.band_grid import BandGrid

__all__ = ["distance_off", "off_line", "square_off"]

#: A beam nearer to the fence than was asked counts as one so many times as far off on the other side.
NEARER = 3.0

#: Spacing of the points that stand for the line, m.
_EVERY_M = 0.25
#: Places of a beam whose distances are added up, of those that are looked at otherwise.
_EACH = 3


def distance_off(line: shapely.LineString, fence_side: float = 0.0) -> Field:
    """Distance from a line at any places, m; exact beside straight parts of it.

    fence_side : +1 where the fence is to the left of the line, -1 to the right, where distances count `NEARER` times; 0
    where both sides are alike.
    """
    return _weighed(_sided(line), fence_side)


def off_line(line: shapely.LineString, reach_m: float, fence_side: float = 0.0) -> Field:
    """`distance_off` within ``reach_m`` of the line, looked up in a grid.

    The grid holds distances with their side: between nodes to both sides of the line plain distances would not fall to
    nothing on it.
    """
    spine = shapely.get_coordinates(shapely.segmentize(line, 4.0))
    return _weighed(BandGrid(spine, reach_m, _sided(line), outside=reach_m), fence_side)


def _sided(line: shapely.LineString) -> Field:
    """Distance from a line, positive to its left, m."""
    points = shapely.get_coordinates(shapely.segmentize(line, _EVERY_M))
    leg = np.diff(points, axis=0)
    step = np.hypot(leg[:, 0], leg[:, 1])
    points, leg, step = points[:-1][step > 0], leg[step > 0], step[step > 0]
    middle, along = points + leg / 2, leg / step[:, None]
    tree = cKDTree(middle)

    def sided(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        _, k = tree.query(np.stack([x, y], axis=-1))
        dx, dy = x - middle[k, 0], y - middle[k, 1]
        across = along[k, 0] * dy - along[k, 1] * dx
        past = np.maximum(np.abs(along[k, 0] * dx + along[k, 1] * dy) - step[k] / 2, 0.0)
        return np.copysign(np.hypot(across, past), across)

    return sided


def _weighed(sided: Field, fence_side: float) -> Field:
    """Distances without their side, on the fence's side `NEARER` times as far."""
    left, right = (NEARER if side == fence_side else 1.0 for side in (1.0, -1.0))

    def apart(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        at = sided(x, y)
        return np.where(at > 0.0, left * at, -right * at)

    return apart


def square_off(
    off: Field, x: NDArray[np.float64], y: NDArray[np.float64], along: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Square of the distance from the line, added up along beams, (m,), m3: from every third of their places (m, k).

    The square, so that a beam which swings out and back counts more than one beside the line, parallel to it.
    """
    few = np.unique(np.append(np.arange(0, x.shape[1], _EACH), x.shape[1] - 1))
    square, at = off(x[:, few], y[:, few]) ** 2, along[:, few]
    return np.asarray(np.sum((square[:, 1:] + square[:, :-1]) / 2 * np.diff(at, axis=1), axis=1))
