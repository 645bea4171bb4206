"""Strip sampling against the ways one would take without it: `python -m tests.benchmarks.sampling`.

Ratios within one run. Against rasterio's point sampling (one read a place) and against scipy's `map_coordinates` on the
same window of cells, read the same way.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import rasterio
from pyproj import CRS
from rasterio.transform import from_origin
from rasterio.windows import Window
from scipy.ndimage import map_coordinates

from geotools.corridor import BeamLine, StripGrid
from geotools.terrain.model import Terrain

CRS_NAME, LEFT, TOP, CELL, SIZE = "EPSG:32632", 500_000.0, 5_401_000.0, 0.25, 4000


def timed(work: Callable[[], object], times: int = 30) -> float:
    """Shortest of several runs, s."""
    found = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        found.append(time.perf_counter() - began)
    return min(found)


def make(path: Path) -> None:
    profile = {
        "driver": "GTiff", "width": SIZE, "height": SIZE, "count": 1, "dtype": "float32", "crs": CRS_NAME,
        "transform": from_origin(LEFT, TOP, CELL, CELL), "tiled": True, "blockxsize": 256, "blockysize": 256,
    }  # fmt: skip
    ground = np.random.default_rng(1).normal(250, 0.1, (SIZE, SIZE)).astype(np.float32)
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(ground, 1)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.tif"
        make(path)
        grid = StripGrid.over(BeamLine(LEFT + 300, TOP - 700, LEFT + 380, TOP - 640), 2.0, 0.25)
        x, y = grid.map_xy()
        with Terrain(path, CRS(CRS_NAME)) as terrain, rasterio.open(path) as raster:

            def by_scipy() -> np.ndarray:
                x, y = grid.map_xy()
                columns, rows = (x - LEFT) / CELL - 0.5, (TOP - y) / CELL - 0.5
                c0, r0 = int(columns.min()), int(rows.min())
                window = Window(c0, r0, int(columns.max()) + 2 - c0, int(rows.max()) + 2 - r0)
                block = raster.read(1, window=window).astype(np.float64)
                return map_coordinates(block, [rows - r0, columns - c0], order=1, mode="nearest")

            places = list(zip(x.ravel().tolist(), y.ravel().tolist(), strict=True))
            assert np.allclose(terrain.strip(grid), by_scipy(), atol=1e-9)
            ours = timed(lambda: terrain.strip(grid))
            scipys = timed(by_scipy)
            points = timed(lambda: list(raster.sample(places)), 2)
    print(f"strip of {x.size} places: {1000 * ours:.2f} ms")
    print(f"rasterio's point sampling takes {points / ours:.0f} times as long (goal: 50)")
    print(f"scipy's map_coordinates takes {scipys / ours:.2f} times as long (goal: 1)")


if __name__ == "__main__":
    main()
