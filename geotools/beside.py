"""Rasters that lie beside the plan, read at places of the plan."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio
from pyproj import CRS
from rasterio.errors import RasterioError

from geotools.crs import metres_per_unit
from geotools.errors import InputError
from geotools.rasters import safe_gdal

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
        except (RasterioError, IndexError) as problem:
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
        """Value of the cell at each place, of the places' shape; NaN outside and where the raster has no data."""
        x, y = np.asarray(x_m, float) / self._unit, np.asarray(y_m, float) / self._unit
        t = self._inverse
        column = np.floor(t.a * x + t.b * y + t.c).astype(int)
        row = np.floor(t.d * x + t.e * y + t.f).astype(int)
        inside = (row >= 0) & (row < self._data.shape[0]) & (column >= 0) & (column < self._data.shape[1])
        found = np.full(x.shape, np.nan)
        found[inside] = self._data[row[inside], column[inside]]
        return found
