"""A field known in a narrow band only: grid tiles along the perimeter, so that memory follows length, not area."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

__all__ = ["BandGrid", "clearance_grid"]

Field = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]


class BandGrid:
    """Values at grid nodes in square tiles that cover a band; bilinear in between, ``outside`` beyond it.

    Parameters
    ----------
    points : (n, 2) points along the band, m; tiles within ``radius_m`` of one of them are kept.
    radius_m : half width of the band.
    field : called with x and y of many nodes at once, near each other; gives their values.
    cell_m : node spacing.
    outside : value where there is no tile.
    """

    _CELLS = 16
    _BLOCK = 32

    def __init__(
        self, points: ArrayLike, radius_m: float, field: Field, *, cell_m: float = 1.0, outside: float = np.nan
    ) -> None:
        xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        side = cell_m * self._CELLS
        self._cell, self._side, self._outside = cell_m, side, outside
        self._origin = np.floor((xy.min(axis=0) - radius_m) / side) * side
        reach = int(np.ceil(radius_m / side))
        near = np.array([(i, j) for i in range(-reach, reach + 1) for j in range(-reach, reach + 1)])
        home = np.unique(np.floor((xy - self._origin) / side).astype(np.int64), axis=0)
        tiles = np.unique((home[:, None, :] + near[None, :, :]).reshape(-1, 2), axis=0)
        tiles = tiles[(tiles >= 0).all(axis=1)]
        # square tiles about the points hold more than the band: drop those farther than its half width
        centre = self._origin + (tiles + 0.5) * side
        gap, _ = cKDTree(xy).query(centre)
        tiles = tiles[gap <= radius_m + side / np.sqrt(2)]
        self._shape = tiles.max(axis=0) + 1
        self._index = np.full(self._shape, -1, dtype=np.int32)
        self._index[tiles[:, 0], tiles[:, 1]] = np.arange(len(tiles))
        step = np.arange(self._CELLS + 1) * cell_m
        x = self._origin[0] + tiles[:, 0, None, None] * side + step[None, :, None]
        y = self._origin[1] + tiles[:, 1, None, None] * side + step[None, None, :]
        x, y = np.broadcast_arrays(x, y)
        self._values = np.empty(x.shape)
        # block by block, so that a field read from a raster never needs more than one block's window
        block = np.unique(tiles // self._BLOCK, axis=0, return_inverse=True)[1].ravel()
        order = np.argsort(block, kind="stable")
        for part in np.split(order, np.flatnonzero(np.diff(block[order])) + 1):
            self._values[part] = np.reshape(field(x[part].ravel(), y[part].ravel()), x[part].shape)

    def __call__(self, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
        """Bilinear value at any points, arrays of one shape."""
        px = (np.asarray(x, dtype=np.float64) - self._origin[0]) / self._cell
        py = (np.asarray(y, dtype=np.float64) - self._origin[1]) / self._cell
        fx, fy = np.floor(px), np.floor(py)
        ix, iy = fx.astype(np.int64), fy.astype(np.int64)
        tx, ty = ix // self._CELLS, iy // self._CELLS
        known = (tx >= 0) & (ty >= 0) & (tx < self._shape[0]) & (ty < self._shape[1])
        tile = np.where(known, self._index[np.where(known, tx, 0), np.where(known, ty, 0)], -1)
        known = tile >= 0
        tile = np.maximum(tile, 0)
        i, j = ix - tx * self._CELLS, iy - ty * self._CELLS
        u, v = px - fx, py - fy
        flat = self._values.reshape(-1)
        row = self._CELLS + 1
        at = (tile * row + i) * row + j
        low = flat[at] * (1 - v) + flat[at + 1] * v
        high = flat[at + row] * (1 - v) + flat[at + row + 1] * v
        return np.where(known, low * (1 - u) + high * u, self._outside)

    @property
    def nbytes(self) -> int:
        """Memory of the values, bytes."""
        return int(self._values.nbytes + self._index.nbytes)


def clearance_grid(region: BaseGeometry, points: ArrayLike, radius_m: float, *, cell_m: float = 1.0) -> BandGrid:
    """Distance to the edge of a region: positive inside, negative outside, m.

    The distance is that to points 0.25 m apart along the edge, so it is never below the true one and at most
    0.02 m above it where it is 0.5 m; the chosen zones are checked against the exact outline afterwards.

    Parameters
    ----------
    region : polygon or multipolygon, m.
    points, radius_m, cell_m : the band, as in `BandGrid`.
    """
    edge = shapely.get_coordinates(shapely.segmentize(region.boundary, 0.25))
    tree = cKDTree(edge)
    shapely.prepare(region)

    def field(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        distance, _ = tree.query(np.column_stack([x, y]))
        return np.where(shapely.contains_xy(region, x, y), distance, -distance)

    return BandGrid(points, radius_m, field, cell_m=cell_m, outside=-radius_m)
