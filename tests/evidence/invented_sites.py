"""Terrain, fence and site file of invented sites."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter
from shapely import LineString

EAST, NORTH = 512_000.0, 5_404_000.0
_THREATS = ("walk", "crawl", "prone")


def terrain_file(path: Path, size_m: tuple[float, float], cell_m: float, amplitude_m: float) -> None:
    """Smooth random ground on a gentle slope, the same each time."""
    width_m, height_m = size_m
    rows, columns = int(height_m / cell_m), int(width_m / cell_m)
    rough = gaussian_filter(np.random.default_rng(1).normal(size=(rows, columns)).astype(np.float32), 20 / cell_m)
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    z = 100 + rough / rough.std() * amplitude_m + cell_m * (0.004 * x + 0.003 * (rows - y))
    profile = {"driver": "GTiff", "height": rows, "width": columns, "count": 1, "dtype": "float32", "crs": "EPSG:32632"}
    profile |= {"transform": from_origin(EAST, NORTH + height_m, cell_m, cell_m), "nodata": -9999, "tiled": True}
    with rasterio.open(path, "w", compress="deflate", **profile) as raster:
        raster.write(z.astype(np.float32), 1)
        raster.units = ("metre",)


def fence_file(path: Path, rings: list[list[tuple[float, float]]]) -> None:
    """Fence lines, given in metres from the site's corner."""
    shapes = [LineString([(EAST + x, NORTH + y) for x, y in ring]) for ring in rings]
    gpd.GeoDataFrame(geometry=shapes, crs="EPSG:32632").to_file(path, driver="GPKG")


def site_file(
    folder: Path, name: str, rest: str, *, inputs: str = "", threats: Sequence[str] = _THREATS, top: str = ""
) -> Path:
    """Write site.toml: ``top`` before the first section, ``inputs`` into that of the files, ``rest`` after it."""
    named = ", ".join(f'"{threat}"' for threat in threats)
    text = f'name = "{name}"\nthreats = [{named}]\n{top}\n[input]\nfence = "fence.gpkg"\n'
    text += f'terrain = "terrain.tif"\nvertical_accuracy_m = 0.06\n{inputs}\n{rest}'
    (folder / "site.toml").write_text(text, encoding="utf-8")
    return folder / "site.toml"
