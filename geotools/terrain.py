"""A terrain model read window by window: heights in metres at places in metres, whatever the file counts in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio
from pyproj import CRS
from rasterio import Affine
from rasterio.errors import RasterioError
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window
from scipy.ndimage import map_coordinates

from geotools.corridor import Array, BeamLine, StripGrid
from geotools.crs import horizontal, metres_per_unit
from geotools.errors import InputError
from geotools.files import local_file

#: No single window above this many cells is read: a strip of an ordinary zone needs a thousandth of it.
MAX_WINDOW_CELLS = 60_000_000


@dataclass(frozen=True)
class Grid:
    """A piece of terrain: heights (rows, columns), NaN where unknown, and the transform of its cells; metres."""

    height_m: Array
    transform: Affine


def _apply(t: Affine, columns: npt.NDArray[Any], rows: npt.NDArray[Any]) -> tuple[Array, Array]:
    return t.a * columns + t.b * rows + t.c, t.d * columns + t.e * rows + t.f


class Terrain:
    """An open terrain model.

    Parameters
    ----------
    path : raster file.
    plan_crs : the plan's coordinate system. A raster in the same horizontal system is read as it is; any other is
        reprojected on the fly (bilinear), cell size kept.
    metres_per_height : what one unit of the raster's values is worth in metres.
    source_crs : the raster's system where the file does not say it.
    band : band number, from 1.

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
        self.path = local_file(path, "terrain raster")
        self.plan_crs = plan_crs
        self.metres_per_height = metres_per_height
        self.band = band
        try:
            self._file = rasterio.open(self.path)
        except RasterioError as problem:
            raise InputError(
                "the terrain raster cannot be read",
                where=self.path,
                found=problem,
                expected="a raster GDAL reads, such as GeoTIFF",
                mend="check that the file is whole; copy it again",
            ) from problem
        own = self._file.crs
        if own is None and source_crs is None:
            raise InputError(
                "the terrain raster has no coordinate system",
                where=self.path,
                expected="a raster that names its system",
                mend="set input.terrain_crs in the site file",
            )
        self.source_crs = CRS.from_user_input(own) if own is not None else CRS(source_crs)
        self.reprojected = horizontal(self.source_crs) != horizontal(plan_crs)
        self._data = self._file
        if self.reprojected:
            self._data = WarpedVRT(
                self._file,
                crs=horizontal(plan_crs).to_wkt(),
                src_crs=horizontal(self.source_crs).to_wkt(),
                resampling=rasterio.enums.Resampling.bilinear,
                nodata=self._file.nodata if self._file.nodata is not None else -3.4e38,
            )
        unit = metres_per_unit(plan_crs)
        self.transform = Affine(*(unit * value for value in self._data.transform[:6]))
        self._inverse = ~self.transform

    @property
    def cell_m(self) -> float:
        """Cell size, the larger of the two sides, m."""
        t = self.transform
        return float(max(np.hypot(t.a, t.d), np.hypot(t.b, t.e)))

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return int(self._data.height), int(self._data.width)

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top in metres."""
        rows, columns = self.shape
        corners = _apply(self.transform, np.array([0, columns, 0, columns]), np.array([0, 0, rows, rows]))
        (xs, ys) = corners
        return float(xs.min()), float(ys.min()), float(xs.max()), float(ys.max())

    def close(self) -> None:
        """Give the file back."""
        if self._data is not self._file:
            self._data.close()
        self._file.close()

    def __enter__(self) -> Terrain:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _read(self, window: Window) -> Array:
        if window.width * window.height > MAX_WINDOW_CELLS:
            raise InputError(
                "a piece of terrain is too large to read at once",
                where=self.path,
                found=f"{window.width:g} x {window.height:g} cells",
                expected=f"at most {MAX_WINDOW_CELLS} cells",
                mend="cut long lines into zones, or use a coarser model",
            )
        try:
            block = self._data.read(self.band, window=window, masked=True)
        except RasterioError as problem:
            raise InputError(
                "the terrain raster is damaged",
                where=self.path,
                found=problem,
                expected="readable cells under the fence",
                mend="copy the file again; gdalinfo -checksum tells whether it is whole",
            ) from problem
        heights = np.ma.filled(block.astype(np.float64), np.nan)
        heights[~np.isfinite(heights)] = np.nan
        return np.asarray(heights * self.metres_per_height)

    def _window(self, columns: Array, rows: Array) -> tuple[Window, int, int] | None:
        """The window that holds all cells touched by bilinear sampling at those (fractional) cell centres."""
        height, width = self.shape
        known = np.isfinite(columns) & np.isfinite(rows)
        if not known.any():
            return None
        left = max(int(np.floor(columns[known].min())), 0)
        top = max(int(np.floor(rows[known].min())), 0)
        right = min(int(np.floor(columns[known].max())) + 2, width)
        bottom = min(int(np.floor(rows[known].max())) + 2, height)
        if right <= left or bottom <= top:
            return None
        return Window(left, top, right - left, bottom - top), left, top

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """Heights by bilinear interpolation, in the shape of the input; NaN outside and beside cells without data."""
        x, y = np.broadcast_arrays(np.asarray(x_m, float), np.asarray(y_m, float))
        columns, rows = (place - 0.5 for place in _apply(self._inverse, x, y))  # counted from cell centres
        height, width = self.shape
        # Half a cell around the raster has data but no neighbour to interpolate with: hold the edge cell there.
        inside = (columns >= -0.5) & (columns <= width - 0.5) & (rows >= -0.5) & (rows <= height - 0.5)
        result = np.full(x.shape, np.nan)
        place = self._window(np.where(inside, columns, np.nan), np.where(inside, rows, np.nan))
        if place is None:
            return result
        window, left, top = place
        block = self._read(window)
        at = np.array([rows[inside] - top, columns[inside] - left])
        result[inside] = map_coordinates(block, at, order=1, mode="nearest")
        return result

    def strip(self, grid: StripGrid) -> Array:
        """Heights at the nodes of a strip, (chainages, offsets)."""
        return self.sample(*grid.map_xy())

    def profile(self, line: BeamLine, chainage_m: npt.ArrayLike) -> Array:
        """Heights along a line at the given chainages."""
        return self.sample(*line.to_map(chainage_m))

    def grid(self, bounds_m: tuple[float, float, float, float]) -> Grid:
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
        block = self._read(Window(c0, r0, c1 - c0, r1 - r0))
        (x0,), (y0,) = _apply(self.transform, np.array([c0]), np.array([r0]))
        t = self.transform
        return Grid(block, Affine(t.a, t.b, float(x0), t.d, t.e, float(y0)))
