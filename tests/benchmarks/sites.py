"""Invented sites of any length, for measurements: an oblong fence on rough ground, written piece by piece."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin
from rasterio.windows import Window

LEFT, TOP = 500_000.0, 5_400_000.0


def oblong(perimeter_m: float, width_m: float = 100.0) -> list[tuple[float, float]]:
    """A closed rectangle of that perimeter, lower left corner at 20, 20."""
    long = perimeter_m / 2 - width_m
    return [(20, 20), (20 + long, 20), (20 + long, 20 + width_m), (20, 20 + width_m), (20, 20)]


def heights(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Rough ground: waves of 3 to 8 cm amplitude, 9 to 60 m long, and a swale of 0.25 m every 170 m."""
    z = 200.0 + 0.002 * x + 0.01 * y
    for amplitude, length, azimuth, phase in ((0.08, 61, 0.3, 1.0), (0.05, 27, 1.1, 2.0), (0.03, 9, 2.3, 0.5)):
        z = z + amplitude * np.sin(2 * np.pi * (x * np.cos(azimuth) + y * np.sin(azimuth)) / length + phase)
    return z - 0.25 * np.exp(-0.5 * (((x + 0.2 * y) % 170.0 - 85.0) / 4.0) ** 2)


def write_site(folder: Path, perimeter_m: float, cell_m: float = 0.5, extra: str = "") -> Path:
    """Write terrain, fence and site file; give back the site file's path."""
    folder.mkdir(parents=True, exist_ok=True)
    points = oblong(perimeter_m)
    width = int((max(x for x, _ in points) + 20) / cell_m)
    height = int((max(y for _, y in points) + 20) / cell_m)
    profile = {
        "driver": "GTiff",
        "width": width,
        "height": height,
        "count": 1,
        "dtype": "float32",
        "crs": "EPSG:32632",
        "transform": from_origin(LEFT, TOP, cell_m, cell_m),
        "nodata": -9999.0,
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "BIGTIFF": "IF_SAFER",
    }
    with rasterio.open(folder / "terrain.tif", "w", **profile) as raster:
        raster.units = ("metre",)
        y = (height - np.arange(height) - 0.5) * cell_m
        for left in range(0, width, 2048):
            columns = min(2048, width - left)
            x = (left + np.arange(columns) + 0.5) * cell_m
            block = heights(x[None, :], y[:, None]).astype(np.float32)
            raster.write(block, 1, window=Window(left, 0, columns, height))
    bottom = TOP - height * cell_m
    geometry = {"type": "LineString", "coordinates": [[LEFT + x, bottom + y] for x, y in points]}
    fence = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}},
        "features": [{"type": "Feature", "properties": {}, "geometry": geometry}],
    }
    (folder / "fence.geojson").write_text(json.dumps(fence))
    site = folder / "site.toml"
    site.write_text(
        f'name = "Invented oblong, {perimeter_m:g} m"\nthreats = ["walk", "crawl", "prone"]\n\n'
        '[input]\nfence = "fence.geojson"\nterrain = "terrain.tif"\nvertical_accuracy_m = 0.05\n'
        f"[layout]\nsetback_m = 4.0\noverlap_m = 8.0\n{extra}\n"
    )
    return site
