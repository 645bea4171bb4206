"""Grids of the plan: written as cloud-optimised GeoTIFF, and the outlines of some of their cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import rasterio
from pyproj import CRS
from rasterio import Affine
from rasterio.errors import RasterioError
from rasterio.features import shapes
from rasterio.shutil import copy as copy_raster
from rasterio.windows import Window
from shapely import MultiPolygon, unary_union
from shapely.geometry import shape

from geotools.errors import OutputError
from geotools.io.crs import metres_per_unit
from geotools.io.sparse_grid import SparseGrid

__all__ = ["GridBand", "outline", "write_grid"]

#: Larger grids, of which little is worked, stay tiled GeoTIFF without overviews: making those takes memory and time for
#: every cell, not only for those that hold something.
COG_CELLS = 25_000_000


@dataclass(frozen=True)
class GridBand:
    """One band: values (rows, columns) with NaN for no data, words and unit."""

    values: npt.NDArray[np.floating] | SparseGrid
    words: str
    unit: str = "m"


def write_grid(path: Path, plan_crs: CRS, transform_m: Affine, bands: Sequence[GridBand]) -> None:
    """Write bands of equal shape; the transform counts in metres, the file in the plan's map units.

    Of a sparse grid only the blocks it holds are written, the rest has no data; its `fill` has to be NaN.

    OutputError where the file cannot be written.
    """
    unit = metres_per_unit(plan_crs)
    rows, columns = bands[0].values.shape
    profile = {
        "driver": "GTiff",
        "width": columns,
        "height": rows,
        "count": len(bands),
        "dtype": "float32",
        "nodata": float("nan"),
        "crs": plan_crs.to_2d().to_wkt(),
        "transform": Affine(*(value / unit for value in transform_m[:6])),
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "predictor": 3,
        "sparse_ok": True,
        "bigtiff": "if_safer",
    }
    draft = path.with_suffix(".draft.tif")
    try:
        with rasterio.open(draft, "w", **profile) as raster:
            for number, band in enumerate(bands, start=1):
                if isinstance(band.values, SparseGrid):
                    for row, column, block in band.values.blocks():
                        place = Window(column, row, block.shape[1], block.shape[0])
                        raster.write(block.astype(np.float32), number, window=place)
                else:
                    raster.write(band.values.astype(np.float32), number)
                raster.set_band_description(number, band.words)
                raster.set_band_unit(number, band.unit)
        if rows * columns > COG_CELLS:
            draft.replace(path)
        else:
            copy_raster(draft, path, driver="COG", compress="DEFLATE", predictor="YES", sparse_ok="YES")
    except (RasterioError, OSError) as problem:
        raise OutputError("a raster could not be written", where=path, found=str(problem)[:300]) from problem
    finally:
        draft.unlink(missing_ok=True)


def outline(cells: npt.NDArray[np.bool_], transform: Affine) -> MultiPolygon:
    """The area of the cells that are True, (rows, columns), along their edges; empty where none is."""
    parts = [shape(s) for s, _ in shapes(cells.astype(np.uint8), mask=cells, transform=transform)]
    whole = unary_union(parts)
    if whole.is_empty:
        return MultiPolygon()
    return whole if isinstance(whole, MultiPolygon) else MultiPolygon([whole])
