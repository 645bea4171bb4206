"""Strips laid into one raster on the map, written as a cloud-optimised GeoTIFF, a window at a time."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS
from rasterio.shutil import copy as copy_raster
from rasterio.transform import Affine
from rasterio.windows import Window
from scipy.ndimage import map_coordinates

from geotools.corridor import BeamLine, StripGrid
from geotools.io.crs import metres_per_unit
from geotools.io.rasters import small_cache

__all__ = ["Band", "MapRaster", "bounds_of"]

Floats = NDArray[np.float64]


LARGEST_COG_CELLS = 100_000_000
"""Above this many cells in its bounding box a raster is left without overviews."""


@dataclass(frozen=True)
class Band:
    """One band: its words, its unit, and whether the larger or the smaller of two overlapping strips' values holds.

    Of a band whose larger value holds, a cell has the largest within it; else what is at its centre.
    """

    words: str
    unit: str
    larger: bool


class MapRaster:
    """A raster on the map that strips are laid into one after the other; it ends as a cloud-optimised GeoTIFF.

    Parameters
    ----------
    path : where it ends. plan_crs : its system. cell_m : cell size, metres; cells lie on whole multiples of it.
    bounds_m : left, bottom, right, top of all that will be laid, metres. Cells no strip covers hold no data.
    """

    def __init__(
        self,
        path: Path,
        plan_crs: CRS,
        cell_m: float,
        bounds_m: tuple[float, float, float, float],
        bands: Sequence[Band],
    ) -> None:
        self.path, self.cell_m, self.bands = path, cell_m, bands
        self._left, self._top = math.floor(bounds_m[0] / cell_m) - 1, math.ceil(bounds_m[3] / cell_m) + 1
        unit = metres_per_unit(plan_crs)
        step = cell_m / unit
        self._draft = path.with_suffix(".draft.tif")
        self._raster = rasterio.open(
            self._draft,
            "w+",
            driver="GTiff",
            width=math.ceil(bounds_m[2] / cell_m) + 1 - self._left,
            height=self._top - math.floor(bounds_m[1] / cell_m) + 1,
            count=len(bands),
            dtype="float32",
            nodata=float("nan"),
            crs=plan_crs.to_2d().to_wkt(),
            transform=Affine(step, 0, self._left * step, 0, -step, self._top * step),
            tiled=True,
            interleave="band",
            blockxsize=256,
            blockysize=256,
            compress="deflate",
            predictor=3,
            sparse_ok=True,
            bigtiff="if_safer",
        )
        for number, band in enumerate(bands, start=1):
            self._raster.set_band_description(number, band.words)
            self._raster.set_band_unit(number, band.unit)

    def lay(self, grid: StripGrid, layers: Sequence[Floats]) -> None:
        """Lay a strip's node values, one (n, k) array a band, over what is there."""
        x, y = grid.map_xy()
        cell = self.cell_m
        c0, c1 = math.floor(float(x.min()) / cell) - self._left, math.ceil(float(x.max()) / cell) - self._left
        r0, r1 = self._top - math.ceil(float(y.max()) / cell), self._top - math.floor(float(y.min()) / cell)
        window = Window(c0, r0, max(c1 - c0, 1), max(r1 - r0, 1))
        corner = (self._left + c0, self._top - r0)
        with small_cache():
            held = self._raster.read(window=window)
            self._raster.write(_laid(grid, layers, self.bands, held, corner, cell), window=window)

    def finish(self) -> bool:
        """Write the file; whether it is cloud-optimised.

        Overviews of a very large and nearly empty raster would cost more than all the rest: it stays a tiled GeoTIFF
        whose empty tiles take no room.
        """
        with small_cache():
            return self._finish()

    def _finish(self) -> bool:
        cells = self._raster.width * self._raster.height
        self._raster.close()
        if cells > LARGEST_COG_CELLS:
            self._draft.replace(self.path)
            return False
        copy_raster(
            self._draft,
            self.path,
            driver="COG",
            compress="DEFLATE",
            predictor="YES",
            overview_resampling="NEAREST",
            sparse_ok="YES",
            num_threads="2",
        )
        self._draft.unlink()
        return True


def bounds_of(lines: Iterable[BeamLine], half_width_m: float) -> tuple[float, float, float, float]:
    """Left, bottom, right, top of the strips about these lines, metres."""
    corners = np.array([(c.x0, c.y0, c.x1, c.y1) for c in lines])
    x, y = corners[:, ::2], corners[:, 1::2]
    return (
        float(x.min()) - half_width_m,
        float(y.min()) - half_width_m,
        float(x.max()) + half_width_m,
        float(y.max()) + half_width_m,
    )


def _laid(
    grid: StripGrid,
    layers: Sequence[Floats],
    bands: Sequence[Band],
    held: NDArray[np.float32],
    corner: tuple[int, int],
    cell_m: float,
) -> NDArray[np.float32]:
    """The window's cells with this strip laid over what they held."""
    _, rows, columns = held.shape
    x = (corner[0] + np.arange(columns) + 0.5) * cell_m
    y = (corner[1] - np.arange(rows) - 0.5) * cell_m
    x, y = np.meshgrid(x, y)
    _, _, inside = grid.locate(x, y)
    x, y = x[inside], y[inside]
    centre = [grid.locate(x, y)[:2]]
    # a beam is narrower than a cell: of what is largest, four places in the cell are looked up
    quarter = cell_m / 4.0
    spread = [grid.locate(x + dx, y + dy)[:2] for dx in (-quarter, quarter) for dy in (-quarter, quarter)]
    for number, (layer, band) in enumerate(zip(layers, bands, strict=True)):
        places = spread if band.larger else centre
        values = [map_coordinates(layer, at, order=1, mode="nearest", prefilter=False) for at in places]
        new = np.round(np.max(values, axis=0), 3).astype(np.float32)
        old = held[number][inside]
        held[number][inside] = np.fmax(old, new) if band.larger else np.fmin(old, new)
    return held
