"""Makes the demonstration site: an invented yard of about 600 m perimeter on invented ground.

`python demo_data/make_demo.py` writes terrain.tif, fence.geojson and movers.geojson beside itself, the same bytes each
time. Nothing here is a real place: the coordinates only lie in an ordinary projected system.

The ground: a gentle fall to the south, smooth random undulation of a few centimetres, and, across the fence line, two
swales (0.35 m and 0.22 m deep), a crest (0.55 m high) and a ditch (0.6 m deep, steep sides).

Outside the fence: a lane for lorries close along the south side, a footpath along the east side, a tree.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter

HERE = Path(__file__).parent
CRS = "EPSG:32632"
LEFT, TOP = 512_000.0, 5_404_260.0
CELL = 0.5
WIDTH_M, HEIGHT_M = 260.0, 200.0
FENCE = [(30, 30), (205, 24), (222, 130), (130, 168), (36, 150), (30, 30)]
MOVERS = [
    ({"name": "lane", "mover": "lorry, car, cyclist"}, "LineString", [(5, 29.36), (130, 25.07), (240, 12)]),
    ({"name": "footpath", "mover": "person outside, cyclist", "width_m": 1.5}, "LineString", [(208, 20), (226, 132)]),
    ({"name": "birch", "mover": "branch"}, "Point", (33.5, 155)),
]


def ground() -> np.ndarray:
    """Heights, (rows, columns), north up."""
    columns, rows = round(WIDTH_M / CELL), round(HEIGHT_M / CELL)
    x = (np.arange(columns) + 0.5) * CELL
    y = HEIGHT_M - (np.arange(rows) + 0.5) * CELL
    east, north = np.meshgrid(x, y)
    rng = np.random.default_rng(20240)
    rough = gaussian_filter(rng.normal(size=(rows, columns)), 12 / CELL, mode="reflect")
    fine = gaussian_filter(rng.normal(size=(rows, columns)), 2.5 / CELL, mode="reflect")
    z = 312.0 + 0.012 * north + 0.004 * east
    z += 0.035 * rough / rough.std() + 0.006 * fine / fine.std()

    def across(px: float, py: float, azimuth: float) -> np.ndarray:
        """Distance from a line through (px, py) that runs along the azimuth, m."""
        a = np.radians(azimuth)
        return np.abs((east - px) * np.cos(a) - (north - py) * np.sin(a))

    def bell(distance: np.ndarray, width: float) -> np.ndarray:
        return np.exp(-0.5 * (distance / width) ** 2)

    z -= 0.35 * bell(across(92, 32, 5), 4.0)  # swale under the south side
    z -= 0.22 * bell(across(214, 84, 80), 3.0)  # swale under the east side
    z += 0.55 * bell(across(165, 150, 20), 7.0) * np.clip((north - 90) / 25, 0, 1)  # crest on the north-east side
    z -= 0.60 * np.clip((1.6 - across(36, 96, 85)) / 0.7, 0, 1) * np.clip((90 - east) / 20, 0, 1)  # ditch, west side
    return z


def main() -> None:
    profile = {
        "driver": "GTiff",
        "height": round(HEIGHT_M / CELL),
        "width": round(WIDTH_M / CELL),
        "count": 1,
        "dtype": "float32",
        "crs": CRS,
        "transform": from_origin(LEFT, TOP, CELL, CELL),
        "nodata": -9999.0,
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "predictor": 3,
    }
    with rasterio.open(HERE / "terrain.tif", "w", **profile) as raster:
        # Whole millimetres: a survey gives no more, and the file packs smaller.
        raster.write(np.round(ground(), 3).astype(np.float32), 1)
        raster.units = ("metre",)
        raster.set_band_description(1, "ground height")
    bottom = TOP - HEIGHT_M
    collection = {
        "type": "FeatureCollection",
        "name": "fence",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}},
        "features": [
            {
                "type": "Feature",
                "properties": {"name": "yard fence"},
                "geometry": {"type": "LineString", "coordinates": [[LEFT + x, bottom + y] for x, y in FENCE]},
            }
        ],
    }
    (HERE / "fence.geojson").write_text(json.dumps(collection, indent=1) + "\n", encoding="utf-8")
    features = []
    for properties, kind, places in MOVERS:
        points = [places] if kind == "Point" else places
        coordinates = [[round(LEFT + x, 2), round(bottom + y, 2)] for x, y in points]
        geometry = {"type": kind, "coordinates": coordinates[0] if kind == "Point" else coordinates}
        features.append({"type": "Feature", "properties": properties, "geometry": geometry})
    movers = collection | {"name": "movers", "features": features}
    (HERE / "movers.geojson").write_text(json.dumps(movers, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
