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

    A block of tiles gets its values when a place in it is first needed, and loses them when too many are held:
    places requested in their order along the band cost the same memory however long it is.

    Parameters
    ----------
    points : (n, 2) points along the band, m; tiles within ``radius_m`` of one of them are kept.
    radius_m : half width of the band.
    field : called with x and y of many nodes at once, near each other; gives their values.
    cell_m : node spacing.
    outside : value where there is no tile.
    held_tiles : the most tiles whose values are held, as far as one block does not need more.
    """

    # powers of two: tiles and places in them are then told by shifting bits
    _CELL_BITS = 4
    _BLOCK_BITS = 5
    _CELLS = 1 << _CELL_BITS
    _BLOCK = 1 << _BLOCK_BITS
    #: Places looked up at a time: few enough that what is worked out for them stays in the processor's cache.
    _PIECE = 16_384
    _ABSENT, _WAITING = -1, -2

    def __init__(
        self,
        points: ArrayLike,
        radius_m: float,
        field: Field,
        *,
        cell_m: float = 1.0,
        outside: float = np.nan,
        held_tiles: int = 8192,
    ) -> None:
        xy = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        side = cell_m * self._CELLS
        self._cell, self._side, self._outside, self._field = cell_m, side, outside, field
        self._most = held_tiles
        self._origin = np.floor((xy.min(axis=0) - radius_m) / side) * side
        reach = int(np.ceil(radius_m / side))
        near = np.array([(i, j) for i in range(-reach, reach + 1) for j in range(-reach, reach + 1)])
        home = np.unique(np.floor((xy - self._origin) / side).astype(np.int64), axis=0)
        tiles = np.unique((home[:, None, :] + near[None, :, :]).reshape(-1, 2), axis=0)
        tiles = tiles[(tiles >= 0).all(axis=1)]
        # square tiles about the points hold more than the band: drop those farther than its half width
        centre = self._origin + (tiles + 0.5) * side
        gap, _ = cKDTree(xy).query(centre)
        self._tiles = tiles[gap <= radius_m + side / np.sqrt(2)]
        self._shape = self._tiles.max(axis=0) + 1
        # block by block, so that a field read from a raster never needs more than one block's window
        blocks, home_block = np.unique(self._tiles >> self._BLOCK_BITS, axis=0, return_inverse=True)
        order = np.argsort(home_block.ravel(), kind="stable")
        self._members = np.split(order, np.flatnonzero(np.diff(home_block.ravel()[order])) + 1)
        self._block_at = np.full((self._shape >> self._BLOCK_BITS) + 1, self._ABSENT, dtype=np.int32)
        self._block_at[blocks[:, 0], blocks[:, 1]] = np.arange(len(blocks))
        # where in the values each tile of a block is; the row past the last stands for no block
        self._place = np.full((len(blocks) + 1, self._BLOCK, self._BLOCK), self._ABSENT, dtype=np.int32)
        for block, members in enumerate(self._members):
            self._set_place(block, members, self._WAITING)
        self._held: dict[int, tuple[int, int]] = {}
        self._values = np.empty((0, self._CELLS + 1, self._CELLS + 1))

    def _set_place(self, block: int, members: NDArray[np.intp], place: NDArray[np.intp] | int) -> None:
        i, j = (self._tiles[members] & (self._BLOCK - 1)).T
        self._place[block, i, j] = place

    def _measured(self, members: NDArray[np.intp]) -> NDArray[np.float64]:
        """Values of tiles that lie near each other."""
        tiles, step = self._tiles[members], np.arange(self._CELLS + 1) * self._cell
        x = self._origin[0] + tiles[:, 0, None, None] * self._side + step[None, :, None]
        y = self._origin[1] + tiles[:, 1, None, None] * self._side + step[None, None, :]
        x, y = np.broadcast_arrays(x, y)
        return np.reshape(self._field(x.ravel(), y.ravel()), x.shape)

    def _hold(self, wanted: list[int]) -> None:
        """Have the values of these blocks; of those held before, keep as many of the last measured as there is room."""
        fresh = [block for block in wanted if block not in self._held]
        room = self._most - sum(len(self._members[block]) for block in wanted)
        kept = set(wanted)
        for block in reversed(self._held):
            room -= 0 if block in kept else len(self._members[block])
            if room < 0:
                break
            kept.add(block)
        order = [*(block for block in self._held if block in kept), *fresh]
        # all that can fail comes first
        parts = [
            self._values[slice(*self._held[block])] if block in self._held else self._measured(self._members[block])
            for block in order
        ]
        for block in self._held:
            self._set_place(block, self._members[block], self._WAITING)
        self._values, self._held, at = np.concatenate(parts), {}, 0
        for block in order:
            members = self._members[block]
            self._held[block] = (at, at + len(members))
            self._set_place(block, members, np.arange(at, at + len(members)))
            at += len(members)

    def __call__(self, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]:
        """Bilinear value at any points, arrays of one shape."""
        px, py = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        found = np.empty(px.shape)
        flat_x, flat_y, flat = px.reshape(-1), py.reshape(-1), found.reshape(-1)
        for start in range(0, flat.size, self._PIECE):
            piece = slice(start, start + self._PIECE)
            self._look_up(flat_x[piece], flat_y[piece], flat[piece])
        return found

    def _look_up(self, x: NDArray[np.float64], y: NDArray[np.float64], found: NDArray[np.float64]) -> None:
        """Fill ``found``, halving the places in their order while they need more blocks than there is room for."""
        px, py = (x - self._origin[0]) / self._cell, (y - self._origin[1]) / self._cell
        fx, fy = np.floor(px), np.floor(py)
        ix, iy = fx.astype(np.int64), fy.astype(np.int64)
        tx, ty = ix >> self._CELL_BITS, iy >> self._CELL_BITS
        known = (tx >= 0) & (ty >= 0) & (tx < self._shape[0]) & (ty < self._shape[1])
        if not known.all():
            tx, ty = np.where(known, tx, 0), np.where(known, ty, 0)
        block = self._block_at[tx >> self._BLOCK_BITS, ty >> self._BLOCK_BITS]
        tx &= self._BLOCK - 1
        ty &= self._BLOCK - 1
        tile = self._place[block, tx, ty]
        waiting = known & (tile == self._WAITING)
        if waiting.any():
            wanted = np.unique(block[known & (tile != self._ABSENT)]).tolist()
            if sum(len(self._members[b]) for b in wanted) > self._most and len(wanted) > 1:
                half = x.size // 2
                self._look_up(x[:half], y[:half], found[:half])
                self._look_up(x[half:], y[half:], found[half:])
                return
            self._hold(wanted)
            tile = self._place[block, tx, ty]
        known &= tile >= 0
        if not known.any():
            found[:] = self._outside
            return
        tile = np.maximum(tile, 0).astype(np.int64)
        u, v = px - fx, py - fy
        row = self._CELLS + 1
        at = (tile * row + (ix & (self._CELLS - 1))) * row + (iy & (self._CELLS - 1))
        flat = self._values.reshape(-1)
        ahead = 1 - v
        low = flat[at] * ahead + flat[at + 1] * v
        at += row
        high = flat[at] * ahead + flat[at + 1] * v
        found[:] = low * (1 - u) + high * u
        if not known.all():
            found[~known] = self._outside

    @property
    def nbytes(self) -> int:
        """Memory of the values that are held and of their places, bytes."""
        return int(self._values.nbytes + self._place.nbytes + self._block_at.nbytes + self._tiles.nbytes)


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
