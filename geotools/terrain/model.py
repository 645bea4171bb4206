"""A terrain model read window by window: heights in metres at places in metres, whatever the file counts in."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
import numpy.typing as npt
from pyproj import CRS
from rasterio import Affine
from rasterio.enums import MaskFlags
from rasterio.warp import calculate_default_transform
from rasterio.windows import Window

from geotools.corridor import Array, BeamLine, StripGrid
from geotools.errors import InputError
from geotools.io.crs import horizontal, metres_per_unit, transformer
from geotools.io.rasters import RASTER_TROUBLE, open_raster, safe_gdal, understood
from geotools.terrain.known import KnownLevels

#: No single window above this many cells is read: a strip of an ordinary zone needs a thousandth of it.
MAX_WINDOW_CELLS = 60_000_000
#: Places are sampled in pieces whose window and number stay below these, so that memory does not grow with the line.
PIECE_CELLS = 2_000_000
PIECE_PLACES = 500_000
#: No terrain model has cells smaller or larger than these.
MIN_CELL_M, MAX_CELL_M = 0.001, 10_000.0


@dataclass(frozen=True)
class TerrainPiece:
    """A piece of terrain: heights (rows, columns), NaN where unknown, and the transform of its cells; metres."""

    height_m: Array
    transform: Affine


def _apply(t: Affine, columns: npt.NDArray[Any], rows: npt.NDArray[Any]) -> tuple[Array, Array]:
    return t.a * columns + t.b * rows + t.c, t.d * columns + t.e * rows + t.f


def _nodata_value(given: float | None, kind: np.dtype[Any]) -> Any:
    """The no-data value as the cells hold it; None where they cannot hold it, or it is found as NaN anyway."""
    if given is None or not np.isfinite(given):
        return None
    if np.issubdtype(kind, np.integer):
        limits = np.iinfo(kind)
        return kind.type(int(given)) if limits.min <= given <= limits.max and given == int(given) else None
    with np.errstate(over="ignore"):
        return kind.type(given)


def _inverted(transform: Affine, path: Path | str) -> Affine:
    """From places to cells; InputError where the raster's cells have no area, or no place."""
    if not np.isfinite(transform[:6]).all() or not abs(transform.determinant) > 0.0:
        raise InputError(
            "the terrain raster's cells have no size",
            where=path,
            found=tuple(round(v, 9) for v in transform[:6]),
            expected="a georeferenced raster",
            mend="give the raster its place again; gdalinfo shows origin and pixel size",
        )
    return ~transform


def bilinear(
    block: npt.NDArray[Any], rows: Array, columns: Array, clean: Callable[[npt.NDArray[Any]], Array] = np.asarray
) -> Array:
    """Heights between the cell centres of a block, held constant beyond its outermost centres.

    Parameters
    ----------
    block : (rows, columns); ``rows``, ``columns`` : fractional places counted from the first cell's centre, one shape.
    clean : makes heights of the block's values; done to the cells that are met alone.

    NaN where one of the four cells about a place is NaN.
    """
    height, width = block.shape
    r, c = np.clip(rows, 0.0, height - 1.0), np.clip(columns, 0.0, width - 1.0)
    r0 = np.minimum(r.astype(np.int64), max(height - 2, 0))
    c0 = np.minimum(c.astype(np.int64), max(width - 2, 0))
    r -= r0
    c -= c0
    flat = np.ascontiguousarray(block).reshape(-1)
    at = r0 * width + c0
    right, down = int(width > 1), width * int(height > 1)
    upper = clean(flat[at])
    upper = upper + c * (clean(flat[at + right]) - upper)
    at += down
    lower = clean(flat[at])
    lower = lower + c * (clean(flat[at + right]) - lower)
    return np.asarray(upper + r * (lower - upper))


class Terrain:
    """An open terrain model. It can be sent to another process, which opens the file anew.

    Parameters
    ----------
    path : raster file.
    plan_crs : the plan's coordinate system. Places are brought into the raster's own system one by one and heights read
        there, so that a raster in another system loses nothing to resampling.
    metres_per_height : what one unit of the raster's values is worth in metres.
    source_crs : the raster's system where the file does not say it.
    band : band number, from 1.

    known : levels measured again, which :meth:`sample` corrects the model by; None until they are set.

    Raises InputError where the file cannot be read or has no coordinate system.
    """

    def __init__(
        self,
        path: Path | str,
        plan_crs: CRS,
        *,
        metres_per_height: float = 1.0,
        source_crs: CRS | None = None,
        band: int = 1,
    ) -> None:
        self.path = path
        self.plan_crs = plan_crs
        self.metres_per_height = metres_per_height
        self.band = band
        self._told_crs = source_crs
        self.known: KnownLevels | None = None
        self._file = open_raster(path)
        self._reading = Lock()  # one open raster serves one reader at a time, and steps read from several threads
        with understood(path):
            self._describe(source_crs, band)
        source, plan = horizontal(self.source_crs), horizontal(plan_crs)
        with understood(path):
            transform, self.shape = self._plan_grid(source, plan)
            self.transform = Affine(*(self._unit * value for value in transform[:6]))
            self._inverse = _inverted(self.transform, self.path)
            cell = self.cell_m
        if not MIN_CELL_M <= cell <= MAX_CELL_M:
            raise InputError(
                "the terrain raster's cells are of an absurd size",
                where=path,
                found=f"{cell:g} m",
                expected=f"{MIN_CELL_M:g} to {MAX_CELL_M:g} m",
                mend="check system and size of cells: the header is damaged, or it is no terrain model",
            )

    def _describe(self, source_crs: CRS | None, band: int) -> None:
        """Take from the file what reading needs."""
        plan_crs, metres_per_height = self.plan_crs, self.metres_per_height
        own = self._file.crs
        if own is None and source_crs is None:
            raise InputError(
                "the terrain raster has no coordinate system",
                where=self.path,
                expected="a raster that names its system",
                mend="set input.terrain_crs in the site file",
            )
        self.source_crs = CRS.from_user_input(own) if own is not None else CRS(source_crs)
        source, plan = horizontal(self.source_crs), horizontal(plan_crs)
        self.reprojected = source != plan
        self._unit = metres_per_unit(plan_crs)
        self._to_source = transformer(plan, source) if self.reprojected else None
        self._cells = _inverted(self._file.transform, self.path)
        self._scale = self._file.scales[band - 1] * metres_per_height
        self._shift = self._file.offsets[band - 1] * metres_per_height
        self._virtual = self._file.driver == "VRT"
        self._nodata = _nodata_value(self._file.nodatavals[band - 1], np.dtype(self._file.dtypes[band - 1]))
        self._masked = not {MaskFlags.all_valid, MaskFlags.nodata} & set(self._file.mask_flag_enums[band - 1])

    def _plan_grid(self, source: CRS, plan: CRS) -> tuple[Affine, tuple[int, int]]:
        """Cells in the plan's system, rows and columns: the raster's own, or ones of about that size laid over it."""
        raster = self._file
        if not self.reprojected:
            return raster.transform, (int(raster.height), int(raster.width))
        made, width, height = calculate_default_transform(
            source.to_wkt(), plan.to_wkt(), raster.width, raster.height, *raster.bounds
        )
        left, top = made.c, made.f
        right, bottom = left + made.a * width, top + made.e * height
        # Two significant digits, and edges at whole cells: neighbouring rasters of one model then share one grid.
        cell = float(f"{made.a:.1e}")
        c0, c1 = np.floor(left / cell), np.ceil(right / cell)
        r0, r1 = np.floor(-top / cell), np.ceil(-bottom / cell)
        return Affine(cell, 0.0, c0 * cell, 0.0, -cell, -r0 * cell), (int(r1 - r0), int(c1 - c0))

    def __reduce__(self) -> tuple[Any, ...]:
        told = None if self._told_crs is None else self._told_crs.to_wkt()
        return _reopen, (self.path, self.plan_crs.to_wkt(), self.metres_per_height, told, self.band, self.known)

    @property
    def cell_m(self) -> float:
        """Cell size, the larger of the two sides, m."""
        t = self.transform
        return float(max(np.hypot(t.a, t.d), np.hypot(t.b, t.e)))

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top in metres."""
        rows, columns = self.shape
        corners = _apply(self.transform, np.array([0, columns, 0, columns]), np.array([0, 0, rows, rows]))
        (xs, ys) = corners
        return float(xs.min()), float(ys.min()), float(xs.max()), float(ys.max())

    @property
    def tags(self) -> dict[str, str]:
        """Metadata of the raster and of its band."""
        with understood(self.path):
            return {**self._file.tags(), **self._file.tags(self.band)}

    def patch(self, x_m: float, y_m: float, side: int) -> Array:
        """A square of the raster's own cells about a place, m, NaN where unknown; nothing is resampled.

        Parameters
        ----------
        x_m, y_m : float
            Its middle in the plan's metres.
        side : int
            Cells along a side; less at the raster's edge, and none outside it.
        """
        column, row = (int(np.rint(value)) for (value,) in self._places(np.array([x_m]), np.array([y_m])))
        left, top = max(column - side // 2, 0), max(row - side // 2, 0)
        right = min(column + (side + 1) // 2, self._file.width)
        bottom = min(row + (side + 1) // 2, self._file.height)
        if right <= left or bottom <= top:
            return np.empty((0, 0))
        return self._read(Window(left, top, right - left, bottom - top))

    def close(self) -> None:
        """Give the file back."""
        self._file.close()

    def __enter__(self) -> Terrain:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _read(self, window: Window) -> Array:
        """Heights of a window of the raster itself, m, NaN where there is no data."""
        return self._heights(self._raw(window))

    def _raw(self, window: Window) -> npt.NDArray[Any]:
        """Values of a window as the file holds them; as floats with NaN where a mask, not a value, says no data."""
        if window.width * window.height > MAX_WINDOW_CELLS:
            raise InputError(
                "a piece of terrain is too large to read at once",
                where=self.path,
                found=f"{window.width:g} x {window.height:g} cells",
                expected=f"at most {MAX_WINDOW_CELLS} cells",
                mend="cut long lines into zones, or use a coarser model",
            )
        try:
            # Surroundings cost as much as reading a strip; a virtual raster alone opens more files while it is read.
            with self._reading, safe_gdal() if self._virtual else nullcontext():
                block = self._file.read(self.band, window=window)
                if self._masked:
                    block = block.astype(np.float64)
                    block[self._file.read_masks(self.band, window=window) == 0] = np.nan
        except RASTER_TROUBLE as problem:
            raise InputError(
                "the terrain raster is damaged",
                where=self.path,
                found=problem,
                expected="readable cells under the fence",
                mend="copy the file again; gdalinfo -checksum shows whether it is whole",
            ) from problem
        return np.asarray(block)

    def _heights(self, values: npt.NDArray[Any]) -> Array:
        """Heights in metres of values of the file, NaN where there is no data."""
        heights = values.astype(np.float64)
        if self._nodata is not None:
            heights[values == self._nodata] = np.nan
        if self._scale != 1.0 or self._shift != 0.0:
            heights *= self._scale
            heights += self._shift
        heights[np.isinf(heights)] = np.nan
        return heights

    def _places(self, x_m: Array, y_m: Array) -> tuple[Array, Array]:
        """Fractional columns and rows of the raster, counted from cell centres."""
        x, y = x_m / self._unit, y_m / self._unit
        if self._to_source is not None:
            x, y = self._to_source.transform(x, y)
        columns, rows = _apply(self._cells, np.asarray(x), np.asarray(y))
        return columns - 0.5, rows - 0.5

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """Heights by bilinear interpolation, in the shape of the input; NaN outside and beside cells without data."""
        x, y = np.broadcast_arrays(np.asarray(x_m, float), np.asarray(y_m, float))
        result = np.full(x.size, np.nan)
        flat_x, flat_y = x.reshape(-1), y.reshape(-1)
        for start in range(0, x.size, PIECE_PLACES):
            piece = slice(start, start + PIECE_PLACES)
            self._sample_into(result[piece], *self._places(flat_x[piece], flat_y[piece]))
        if self.known is not None:
            result += self.known.correction(flat_x, flat_y)
        return result.reshape(x.shape)

    def _sample_into(self, result: Array, columns: Array, rows: Array) -> None:
        """Fill ``result``, halving the places in their order until the window about them is small."""
        height, width = self._file.height, self._file.width
        # Half a cell around the raster has data but no neighbour to interpolate with: hold the edge cell there.
        inside = (columns >= -0.5) & (columns <= width - 0.5) & (rows >= -0.5) & (rows <= height - 0.5)
        if not inside.all():
            if not inside.any():
                return
            part = np.full(int(inside.sum()), np.nan)
            self._sample_into(part, columns[inside], rows[inside])
            result[inside] = part
            return
        left, top = max(int(np.floor(columns.min())), 0), max(int(np.floor(rows.min())), 0)
        right = min(int(np.floor(columns.max())) + 2, width)
        bottom = min(int(np.floor(rows.max())) + 2, height)
        if (right - left) * (bottom - top) > PIECE_CELLS and len(result) > 1:
            half = len(result) // 2
            self._sample_into(result[:half], columns[:half], rows[:half])
            self._sample_into(result[half:], columns[half:], rows[half:])
            return
        block = self._raw(Window(left, top, right - left, bottom - top))
        result[:] = bilinear(block, rows - top, columns - left, self._heights)

    def strip(self, grid: StripGrid) -> Array:
        """Heights at the nodes of a strip, (chainages, offsets)."""
        return self.sample(*grid.map_xy())

    def profile(self, line: BeamLine, chainage_m: npt.ArrayLike) -> Array:
        """Heights along a line at the given chainages."""
        return self.sample(*line.to_map(chainage_m))

    def grid(self, bounds_m: tuple[float, float, float, float]) -> TerrainPiece:
        """The cells that cover an area (left, bottom, right, top in metres), cut at the raster's edge.

        InputError where the area lies wholly outside.
        """
        left, bottom, right, top = bounds_m
        columns, rows = _apply(
            self._inverse, np.array([left, left, right, right]), np.array([bottom, top, bottom, top])
        )
        height, width = self.shape
        c0, r0 = max(int(np.floor(columns.min())), 0), max(int(np.floor(rows.min())), 0)
        c1, r1 = min(int(np.ceil(columns.max())), width), min(int(np.ceil(rows.max())), height)
        if c1 <= c0 or r1 <= r0:
            raise InputError(
                "an area lies outside the terrain raster", where=self.path, found=bounds_m, expected=self.bounds_m
            )
        (x0,), (y0,) = _apply(self.transform, np.array([c0]), np.array([r0]))
        t = self.transform
        placed = Affine(t.a, t.b, float(x0), t.d, t.e, float(y0))
        if not self.reprojected:
            return TerrainPiece(self._read(Window(c0, r0, c1 - c0, r1 - r0)), placed)
        if (c1 - c0) * (r1 - r0) > MAX_WINDOW_CELLS:
            raise InputError(
                "a piece of terrain is too large to read at once",
                where=self.path,
                found=f"{c1 - c0} x {r1 - r0} cells",
                expected=f"at most {MAX_WINDOW_CELLS} cells",
            )
        return TerrainPiece(
            self.sample(*_apply(placed, *np.meshgrid(np.arange(c1 - c0) + 0.5, np.arange(r1 - r0) + 0.5))), placed
        )


@lru_cache(maxsize=4)
def _reopen(
    path: Path | str,
    plan_crs: str,
    metres_per_height: float,
    source_crs: str | None,
    band: int,
    known: KnownLevels | None,
) -> Terrain:
    """The terrain in another process; kept open, for the next piece of work will want it again."""
    told = None if source_crs is None else CRS.from_wkt(source_crs)
    made = Terrain(path, CRS.from_wkt(plan_crs), metres_per_height=metres_per_height, source_crs=told, band=band)
    made.known = known
    return made
