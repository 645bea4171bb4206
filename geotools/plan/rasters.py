"""Rasters that lie beside the plan, read at places of the plan."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio
from pyproj import CRS
from rasterio.errors import RasterioError
from scipy.ndimage import map_coordinates

from geotools.errors import InputError
from geotools.io.crs import metres_per_unit
from geotools.io.rasters import safe_gdal

__all__ = ["PlanRaster"]

Array = npt.NDArray[np.float64]


class PlanRaster:
    """One band of a raster in the plan's coordinate system, held whole: it covers a corridor, not a country.

    Parameters
    ----------
    path : the file. plan_crs : the plan's system; places are given in metres, the file counts in its map unit.
    band : from 1.

    InputError where the file cannot be read as a raster.
    """

    def __init__(self, path: Path, plan_crs: CRS, band: int = 1) -> None:
        try:
            with safe_gdal(), rasterio.open(path) as raster:
                self._data = raster.read(band, masked=True).astype(float).filled(np.nan)
                self._inverse = ~raster.transform
        except (RasterioError, OSError, IndexError) as problem:
            raise InputError(
                "a raster beside the plan cannot be read",
                where=path,
                found=str(problem)[:300],
                mend="run the step that writes it again",
            ) from problem
        self._unit = metres_per_unit(plan_crs)

    @classmethod
    def beside(cls, folder: Path, name: str, plan_crs: CRS) -> PlanRaster | None:
        """The raster of that name in the plan's folder; None where there is none."""
        path = folder / name
        return cls(path, plan_crs) if path.is_file() else None

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """Value at each place, between the cells that have data; NaN where the own cell has none."""
        x, y = np.asarray(x_m, float) / self._unit, np.asarray(y_m, float) / self._unit
        t = self._inverse
        column, row = t.a * x + t.b * y + t.c, t.d * x + t.e * y + t.f
        rows, columns = self._data.shape
        inside = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        known = np.isfinite(self._data)
        at = np.array([row[inside] - 0.5, column[inside] - 0.5])  # counted from cell centres
        own = known[np.floor(row[inside]).astype(int), np.floor(column[inside]).astype(int)]
        weight = map_coordinates(known.astype(float), at, order=1, mode="nearest")
        value = map_coordinates(np.where(known, self._data, 0.0), at, order=1, mode="nearest")
        found = np.full(x.shape, np.nan)
        found[inside] = np.where(own, value / np.where(own, weight, 1.0), np.nan)
        return found
