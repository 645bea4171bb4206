"""What of a fence line lies near some places: a border's has thousands of pieces, few of them beside one zone."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from geotools.corridor import StripGrid

__all__ = ["LinePlaces", "pieces_near"]

Array = npt.NDArray[np.float64]


class LinePlaces:
    """Places along a shape, no farther apart than a spacing, found again by where they lie.

    Parameters
    ----------
    shape : geometry
        Lines, m; of a point the point itself.
    every_m : float
        Spacing, m.
    """

    def __init__(self, shape: BaseGeometry, every_m: float) -> None:
        self._xy = shapely.get_coordinates(shapely.segmentize(shape, every_m))
        self._tree = shapely.STRtree(shapely.points(self._xy))

    def on(self, grid: StripGrid) -> tuple[Array, Array]:
        """Those that lie on a strip, x and y in their order along the shape, (m,)."""
        half = float(grid.offset_m[-1])
        strip = grid.line.rectangle(0.0, grid.line.length, half)
        x, y = self._xy[np.sort(self._tree.query(strip.buffer(0.01)))].T
        inside = grid.locate(x, y)[2]
        return x[inside], y[inside]


def pieces_near(line: BaseGeometry, x: Array, y: Array) -> Array:
    """Straight pieces of a line, (n, 2, 2), among them the nearest of every place (m,), in the line's order.

    No place is farther from the line than the middle of all places is, and half across them: what lies beyond that
    from their box is nobody's nearest.
    """
    coords = np.asarray(line.coords)[:, :2]
    pieces = np.stack([coords[:-1], coords[1:]], axis=1)
    if not len(x):
        return pieces[:0]
    low, high = np.array([x.min(), y.min()]), np.array([x.max(), y.max()])
    reach = line.distance(shapely.Point((low + high) / 2)) + np.hypot(*(high - low)) / 2 + 0.01
    near = (pieces.min(axis=1) <= high + reach) & (pieces.max(axis=1) >= low - reach)
    return np.asarray(pieces[near.all(axis=1)])
