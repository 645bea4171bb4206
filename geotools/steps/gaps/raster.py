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

from geotools.crs import metres_per_unit
from geotools.steps.gaps.patch import Patch

__all__ = ["Band", "write_cog"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Band:
    """One band: its words, its unit, and whether the larger or the smaller of two overlapping strips' values holds."""

    words: str
    unit: str
    larger: bool


def write_cog(
    path: Path,
    plan_crs: CRS,
    cell_m: float,
    patches: Sequence[Patch],
    values: Iterable[Sequence[Floats]],
    bands: Sequence[Band],
) -> None:
    """Write the strips' node values as a raster; cells no strip covers hold no data.

    Parameters
    ----------
    cell_m : cell size, metres; cells lie on whole multiples of it.
    values : for each patch, one (n, k) array a band.
    """
    xs, ys = zip(*(patch.node_xy() for patch in patches), strict=True)
    left = math.floor(min(float(x.min()) for x in xs) / cell_m)
    right = math.ceil(max(float(x.max()) for x in xs) / cell_m)
    bottom = math.floor(min(float(y.min()) for y in ys) / cell_m)
    top = math.ceil(max(float(y.max()) for y in ys) / cell_m)
    unit = metres_per_unit(plan_crs)
    profile = {
        "driver": "GTiff",
        "width": right - left,
        "height": top - bottom,
        "count": len(bands),
        "dtype": "float32",
        "nodata": float("nan"),
        "crs": plan_crs.to_2d().to_wkt(),
        "transform": Affine(cell_m / unit, 0, left * cell_m / unit, 0, -cell_m / unit, top * cell_m / unit),
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "predictor": 3,
        "sparse_ok": True,
        "bigtiff": "if_safer",
    }
    draft = path.with_suffix(".draft.tif")
    with rasterio.open(draft, "w+", **profile) as raster:
        for number, band in enumerate(bands, start=1):
            raster.set_band_description(number, band.words)
            raster.set_band_unit(number, band.unit)
        for patch, x, y, layers in zip(patches, xs, ys, values, strict=True):
            c0, c1 = math.floor(float(x.min()) / cell_m) - left, math.ceil(float(x.max()) / cell_m) - left
            r0, r1 = top - math.ceil(float(y.max()) / cell_m), top - math.floor(float(y.min()) / cell_m)
            window = Window(c0, r0, max(c1 - c0, 1), max(r1 - r0, 1))
            held = raster.read(window=window)
            raster.write(_laid(patch, layers, bands, held, (left + c0, top - r0), cell_m), window=window)
    copy_raster(
        draft, path, driver="COG", compress="DEFLATE", predictor="YES", overview_resampling="NEAREST", sparse_ok="YES"
    )
    draft.unlink()


def _laid(
    patch: Patch,
    layers: Sequence[Floats],
    bands: Sequence[Band],
    held: NDArray[np.float32],
    corner: tuple[int, int],
    cell_m: float,
) -> NDArray[np.float32]:
    """The window's cells with this patch laid over what they held."""
    _, rows, columns = held.shape
    x = (corner[0] + np.arange(columns) + 0.5) * cell_m
    y = (corner[1] - np.arange(rows) - 0.5) * cell_m
    row, column, inside = patch.place(*np.meshgrid(x, y))
    at = np.array([row[inside], column[inside]])
    for number, (layer, band) in enumerate(zip(layers, bands, strict=True)):
        new = np.round(map_coordinates(layer, at, order=1, mode="nearest", prefilter=False), 3).astype(np.float32)
        old = held[number][inside]
        held[number][inside] = np.fmax(old, new) if band.larger else np.fmin(old, new)
    return held
