"""A long border at 0.25 m cells: time and peak memory of inspect and layout, and of reading every strip, by length.

`python -m tests.benchmarks.border [KM ...]` (default 1 10 100). The terrain is one virtual raster of tiles of a
kilometre, as suppliers deliver it; tiles overlap by 20 m. Each length runs in a process of its own. Goals: memory
below 1 GB at 100 km; time growing with length, not faster. `gaps.py` measures the model itself.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin

from geotools.corridor import BeamLine, StripGrid
from geotools.engine.runner import Job
from geotools.plan.schema import BEAMS
from geotools.site import open_site
from tests.benchmarks.sites import heights

LEFT, TOP, CELL, TILE_M, OVERLAP_M, WIDTH_M = 500_000.0, 5_400_000.0, 0.25, 1000.0, 20.0, 100.0


def write_tile(path: Path, number: int, cell_m: float = CELL) -> tuple[int, int]:
    """One kilometre of ground; its columns and rows."""
    columns, rows = round((TILE_M + OVERLAP_M) / cell_m), round(WIDTH_M / cell_m)
    x = number * TILE_M + (np.arange(columns) + 0.5) * cell_m
    y = (rows - np.arange(rows) - 0.5) * cell_m
    profile = {
        "driver": "GTiff", "width": columns, "height": rows, "count": 1, "dtype": "float32", "crs": "EPSG:32632",
        "transform": from_origin(LEFT + number * TILE_M, TOP, cell_m, cell_m), "nodata": -9999.0, "tiled": True,
        "blockxsize": 256, "blockysize": 256, "compress": "zstd", "predictor": 3,
    }  # fmt: skip
    ground = np.round(heights(x[None, :], y[:, None]), 2).astype(np.float32)
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(ground, 1)
        raster.units = ("metre",)
    return columns, rows


def write_border(folder: Path, kilometres: int, cell_m: float = CELL) -> Path:
    """Tiles, their virtual raster, a fence line that runs along them, a site file."""
    sources = []
    for number in range(kilometres):
        columns, rows = write_tile(folder / f"tile{number}.tif", number, cell_m)
        at = round(number * TILE_M / cell_m)
        sources.append(
            f'<SimpleSource><SourceFilename relativeToVRT="1">tile{number}.tif</SourceFilename>'
            "<SourceBand>1</SourceBand>"
            f'<SrcRect xOff="0" yOff="0" xSize="{columns}" ySize="{rows}"/>'
            f'<DstRect xOff="{at}" yOff="0" xSize="{columns}" ySize="{rows}"/></SimpleSource>'
        )
    width = round((kilometres * TILE_M + OVERLAP_M) / cell_m)
    (folder / "terrain.vrt").write_text(
        f'<VRTDataset rasterXSize="{width}" rasterYSize="{round(WIDTH_M / cell_m)}"><SRS>EPSG:32632</SRS>'
        f"<GeoTransform>{LEFT}, {cell_m}, 0, {TOP}, 0, -{cell_m}</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><NoDataValue>-9999</NoDataValue><UnitType>metre</UnitType>'
        f"{''.join(sources)}</VRTRasterBand></VRTDataset>"
    )
    x = np.linspace(15.0, kilometres * TILE_M - 5.0, max(kilometres * 4, 2))
    y = TOP - 50.0 + 25.0 * np.sin(x / 400.0)
    line = {"type": "LineString", "coordinates": np.column_stack([LEFT + x, y]).round(3).tolist()}
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
    feature = {"type": "Feature", "properties": {}, "geometry": line}
    (folder / "fence.geojson").write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]}))
    site = folder / "site.toml"
    site.write_text(
        'name = "Border"\nthreats = ["walk", "prone"]\n[input]\nfence = "fence.geojson"\nterrain = "terrain.vrt"\n'
        'vertical_accuracy_m = 0.05\n[layout]\nside = "left"\n'
    )
    return site


def one(folder: Path) -> dict[str, float]:
    """Seconds of each part, and the peak of memory in MB."""
    found: dict[str, float] = {}
    with Job(open_site(folder / "site.toml"), folder / "out") as job:
        for step in ("inspect", "layout"):
            began = time.perf_counter()
            job.run(step)
            found[step] = round(time.perf_counter() - began, 2)
        began, nodes = time.perf_counter(), 0
        for shape in job.workspace.read(BEAMS).drop_duplicates("zone_id").geometry:
            nodes += job.terrain.strip(StripGrid.over(BeamLine.of(shape), 2.0, CELL)).size
        found["strips"] = round(time.perf_counter() - began, 2)
        found["places"] = nodes
    found["memory_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    return found


def main() -> None:
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(one(Path(sys.argv[2]))))
        return
    for kilometres in [int(word) for word in sys.argv[1:]] or [1, 10, 100]:
        with tempfile.TemporaryDirectory(prefix="border-") as folder:
            write_border(Path(folder), kilometres)
            command = [sys.executable, "-m", "tests.benchmarks.border", "--one", folder]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            print(f"{kilometres} km: {done.stdout.strip() or done.stderr[-2000:]}", flush=True)


if __name__ == "__main__":
    main()
