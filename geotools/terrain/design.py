"""A design surface: the terrain as it is plus the earth that is moved, held on one grid of square cells.

Only the change is held, and of it only the blocks where something was moved, so memory follows the works; the surface
away from them is the terrain itself, bit for bit, and sampling the design costs one more bilinear look-up. Whatever
reads a terrain by `sample`, `strip` or `profile` reads a design the same way.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from rasterio import Affine
from scipy import ndimage

from geotools.corridor import BeamLine, StripGrid
from geotools.errors import InputError, place_words
from geotools.io.sparse_grid import SparseGrid
from geotools.terrain.cells import Cells

__all__ = ["DesignSurface", "Ground", "Kept", "Overlaid", "SharedGround", "StripCells"]

Array = npt.NDArray[np.float64]

#: A grid above this many cells, 100 km each way at half a metre, is no longer one site.
MAX_CELLS = 40_000_000_000

# the four cells around a place, from the one at its upper left
_SOUTH, _EAST = np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1])
#: Cells of the box about some places that are read whole, for each place and in any case: a strip across the grid's
#: diagonal takes few for each of its own.
_BOX_PER_PLACE, _LEAST_BOX = 16, 65_536


class Ground(Protocol):
    """Whatever has levels: a terrain or a design surface."""

    @property
    def cell_m(self) -> float:
        """Cell size, m."""
        ...

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """Levels at map places, NaN where unknown."""
        ...


class Kept(Protocol):
    """Which cells of a surface keep their level: an array over the grid, or whatever reads like one."""

    def __getitem__(self, place: Any, /) -> Any:
        """True at rows and columns where nothing may be moved."""
        ...


class SharedGround:
    """A ground that several threads may ask: one open raster cannot be read by two at once."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._lock = threading.Lock()
        self.transform: Affine | None = getattr(ground, "transform", None)

    @property
    def cell_m(self) -> float:
        """Cell size, m."""
        return self._ground.cell_m

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """Levels at map places, NaN where unknown."""
        with self._lock:
            return self._ground.sample(x_m, y_m)


class Overlaid:
    """A ground with another laid over it wherever that one has levels: what was surveyed, over what was designed.

    Parameters
    ----------
    over : Ground
        Counts where it has a level.
    under : Ground
        Counts elsewhere.
    """

    def __init__(self, over: Ground, under: Ground) -> None:
        self.over, self.under = over, under

    @property
    def cell_m(self) -> float:
        """Cell size of the finer of the two, m."""
        return min(self.over.cell_m, self.under.cell_m)

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """Levels at map places, NaN where neither has one."""
        above, below = self.over.sample(x_m, y_m), self.under.sample(x_m, y_m)
        return np.where(np.isfinite(above), above, below)


@dataclass(frozen=True)
class StripCells:
    """Grid cells of one or more strips, ready for the grading programme.

    row, column : (n,) place in the grid of the surface they were taken from. x, y : (n,) map coordinates of the
    centres. cells : the same cells for `programme.grade`.
    """

    row: np.ndarray
    column: np.ndarray
    x: np.ndarray
    y: np.ndarray
    cells: Cells


@dataclass(frozen=True)
class _CellWords:
    """Says where a cell lies, by the line nearest to it; a value, so that cells can be sent to another process."""

    lines: dict[str, BeamLine]
    x: np.ndarray
    y: np.ndarray

    def __call__(self, cell: int) -> str:
        seen = {name: line.from_map(self.x[cell], self.y[cell]) for name, line in self.lines.items()}
        name, (along, off) = min(seen.items(), key=lambda item: abs(float(item[1][1])))
        return place_words(float(along), float(off), zone=name)


class DesignSurface:
    """Terrain plus change.

    Parameters
    ----------
    terrain : existing ground. bounds_m : left, bottom, right, top of the area that may be worked, m.
    cell_m : side of the cells; None takes the terrain's own where that is 0.4 to 1 m, else the nearest whole share or
        multiple of it, so that cells and terrain raster fall together.
    """

    def __init__(
        self, terrain: Ground, bounds_m: tuple[float, float, float, float], *, cell_m: float | None = None
    ) -> None:
        self.terrain = terrain
        self.cell_m = cell_m or _cell_for(terrain.cell_m)
        transform = getattr(terrain, "transform", None)
        # cells of a north-up terrain are kept; a turned or foreign grid gets cells of its own from a round origin
        ox, oy = (transform.c, transform.f) if transform is not None and transform.b == transform.d == 0 else (0.0, 0.0)
        c = self.cell_m
        left, bottom, right, top = bounds_m
        c0, c1 = int(np.floor((left - ox) / c)), int(np.ceil((right - ox) / c))
        r0, r1 = int(np.floor((oy - top) / c)), int(np.ceil((oy - bottom) / c))
        if (r1 - r0) * (c1 - c0) > MAX_CELLS:
            raise InputError(
                "the area to grade is too large for one grid",
                found=f"{c1 - c0} x {r1 - r0} cells of {c:g} m",
                expected=f"at most {MAX_CELLS} cells",
                mend="grade the zones in several runs, or set larger cells",
            )
        self.transform = Affine(c, 0.0, ox + c0 * c, 0.0, -c, oy - r0 * c)
        self.change = SparseGrid((r1 - r0, c1 - c0))

    def centres(self, row: npt.ArrayLike, column: npt.ArrayLike) -> tuple[Array, Array]:
        """Map coordinates of cell centres."""
        t = self.transform
        return t.c + (np.asarray(column) + 0.5) * t.a, t.f + (np.asarray(row) + 0.5) * t.e

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """Design levels at map places, bilinear, NaN where the terrain has none."""
        return self.terrain.sample(x_m, y_m) + self.change_at(x_m, y_m)

    def change_at(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """How far the design lies above (fill, positive) or below the terrain at map places."""
        t = self.transform
        x, y = np.broadcast_arrays(np.asarray(x_m, float), np.asarray(y_m, float))
        row, column = (y - t.f) / t.e - 0.5, (x - t.c) / t.a - 0.5
        above, left = np.floor(row), np.floor(column)
        down, right = row - above, column - left
        r = np.where(np.isfinite(above), above, -2).astype(np.intp)
        c = np.where(np.isfinite(left), left, -2).astype(np.intp)
        corners = self._corners(r, c)
        if corners is None:
            return np.zeros(x.shape)
        nw, ne, sw, se = corners
        upper, lower = nw * (1 - right) + ne * right, sw * (1 - right) + se * right
        return np.asarray(upper * (1 - down) + lower * down)

    def _corners(self, r: npt.NDArray[np.intp], c: npt.NDArray[np.intp]) -> tuple[Array, Array, Array, Array] | None:
        """Change of the four cells from each given one on; None where nothing is worked about any of them."""
        if not r.size:
            return None
        (first, last), (west, east) = ((int(axis.min()), int(axis.max()) + 2) for axis in (r, c))
        tall, wide = last - first, east - west
        if tall * wide > _BOX_PER_PLACE * r.size + _LEAST_BOX:  # places far apart: what lies between them is not read
            four = (4, *[1] * r.ndim)
            corners = self.change[r + _SOUTH.reshape(four), c + _EAST.reshape(four)].astype(np.float64)
            return (corners[0], corners[1], corners[2], corners[3]) if corners.any() else None
        box = self.change.box(first, last, west, east)
        if box is None or not box.any():
            return None
        values, at = box.astype(np.float64).ravel(), (r - first) * wide + (c - west)
        return values[at], values[at + 1], values[at + wide], values[at + wide + 1]

    def strip(self, grid: StripGrid) -> Array:
        """Levels at the nodes of a strip, (chainages, offsets)."""
        return self.sample(*grid.map_xy())

    def profile(self, line: BeamLine, chainage_m: npt.ArrayLike) -> Array:
        """Levels along a line."""
        return self.sample(*line.to_map(chainage_m))

    def strip_cells(
        self,
        lines: Mapping[str, BeamLine],
        half_width_m: float,
        *,
        keep: Kept | None = None,
        keep_off: Sequence[tuple[float, float, float]] = (),
    ) -> StripCells:
        """The cells within `half_width_m` of any of the lines; the outermost ring is untouched ground to tie in to.

        Parameters
        ----------
        lines : beam lines by zone.
        keep : read by rows and columns of the whole grid, True where nothing may be moved (no-dig areas).
        keep_off : places (x, y, radius) that keep their level, such as the posts' foundations.

        Cells that earlier work has changed keep the level it gave them. InputError where no cell has a level.
        """
        t = self.transform
        corners = np.array([(x, y) for line in lines.values() for x, y in ((line.x0, line.y0), (line.x1, line.y1))])
        reach = half_width_m + self.cell_m
        low, high = corners.min(axis=0) - reach, corners.max(axis=0) + reach
        rows, columns = self.change.shape
        c0, c1 = max(int((low[0] - t.c) / t.a), 0), min(int(np.ceil((high[0] - t.c) / t.a)), columns)
        r0, r1 = max(int((high[1] - t.f) / t.e), 0), min(int(np.ceil((low[1] - t.f) / t.e)), rows)
        x, y = self.centres(np.arange(r0, r1)[:, None], np.arange(c0, c1)[None, :])
        x, y = np.broadcast_arrays(x, y)
        inside = np.zeros(x.shape, bool)
        for line in lines.values():
            along, off = line.from_map(x, y)
            inside |= (np.abs(off) <= half_width_m) & (along >= -self.cell_m) & (along <= line.length + self.cell_m)
        row, column = np.nonzero(inside)
        ground = self.terrain.sample(x[inside], y[inside])
        known = np.isfinite(ground)
        if not known.any():
            raise InputError(
                "a strip to grade lies outside the terrain",
                found=f"no cell with a level within {half_width_m:g} m of the line",
                mend="use a terrain model that covers the corridor",
            )
        inside[row[~known], column[~known]] = False
        row, column, ground = row[known], column[known], ground[known]
        worked = self.change[row + r0, column + c0]
        movable = ndimage.binary_erosion(inside, np.ones((3, 3)))[row, column] & (worked == 0)
        if keep is not None:
            movable &= ~keep[row + r0, column + c0]
        cx, cy = x[row, column], y[row, column]
        for px, py, radius in keep_off:
            movable &= np.hypot(cx - px, cy - py) > radius
        number = np.full(inside.shape, -1)
        number[row, column] = np.arange(len(row))
        pairs = []
        for a, b in ((number[:-1], number[1:]), (number[:, :-1], number[:, 1:])):
            both = (a >= 0) & (b >= 0)
            pairs.append(np.c_[a[both], b[both]])
        joined = np.concatenate(pairs)
        level = ground + np.where(movable, 0.0, worked)

        lengths = np.full(len(joined), self.cell_m)
        words = _CellWords(dict(lines), cx, cy)
        cells = Cells(level, self.cell_m**2, joined, lengths, movable, np.c_[cx, cy], words)
        return StripCells(row + r0, column + c0, cx, cy, cells)

    def apply(self, strip: StripCells, design: np.ndarray) -> None:
        """Take the design levels of a strip's movable cells into the surface."""
        m = strip.cells.movable
        moved = (design - strip.cells.ground)[m]
        moved[np.abs(moved) < 1e-6] = 0.0  # the solver's own rounding is no earthwork
        row, column = self.locate(strip.x[m], strip.y[m])
        self.change[row, column] = moved

    def undo(self, strip: StripCells, mine: npt.NDArray[np.bool_]) -> None:
        """Give those of a strip's movable cells that are meant their existing level back."""
        m = strip.cells.movable & mine
        row, column = self.locate(strip.x[m], strip.y[m])
        self.change[row, column] = 0.0

    def around(self, strip: StripCells) -> DesignSurface:
        """A surface whose change over the cells of a strip can be altered without touching this one."""
        part = object.__new__(DesignSurface)
        part.terrain, part.cell_m, part.transform = self.terrain, self.cell_m, self.transform
        row, column = strip.row, strip.column
        part.change = self.change.copy(
            (int(row.min()) - 2, int(row.max()) + 3, int(column.min()) - 2, int(column.max()) + 3)
        )
        return part

    def digest(self, lines: Sequence[BeamLine], reach_m: float) -> bytes:
        """What is worked near lines, in short: within boxes that reach so far about each, m."""
        made = hashlib.blake2b(repr((self.change.shape, self.transform)).encode(), digest_size=16)
        for line in lines:
            (left, right), (bottom, top) = sorted((line.x0, line.x1)), sorted((line.y0, line.y1))
            rows, columns = self.locate([left - reach_m, right + reach_m], [top + reach_m, bottom - reach_m])
            box = self.change.box(int(rows[0]), int(rows[1]) + 1, int(columns[0]), int(columns[1]) + 1)
            made.update(b"-" if box is None or not box.any() else box.tobytes())
        return made.digest()

    def blank(self) -> DesignSurface:
        """A surface on the same cells without works."""
        part = object.__new__(DesignSurface)
        part.terrain, part.cell_m, part.transform = self.terrain, self.cell_m, self.transform
        part.change = SparseGrid(self.change.shape)
        return part

    def locate(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Row and column of the cells that hold map places; they may lie outside the grid."""
        t = self.transform
        row = np.floor((np.asarray(y_m, float) - t.f) / t.e).astype(int)
        return row, np.floor((np.asarray(x_m, float) - t.c) / t.a).astype(int)


def _cell_for(terrain_cell: float) -> float:
    if 0.4 <= terrain_cell <= 1.0:
        return terrain_cell
    return terrain_cell * round(0.5 / terrain_cell) if terrain_cell < 0.4 else terrain_cell / np.ceil(terrain_cell)
