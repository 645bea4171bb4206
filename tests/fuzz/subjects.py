"""What is damaged: each subject is a small valid site and the one file of it that gets hurt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import fiona
import numpy as np
import rasterio
from rasterio.transform import from_origin

LEFT, BOTTOM = 500_000.0, 5_400_000.0
SQUARE = ((20.0, 20.0), (80.0, 20.0), (80.0, 80.0), (20.0, 80.0), (20.0, 20.0))
SITE = """name = "Fuzz yard"
threats = ["walk", "prone"]
fence_height_m = 2.44

[input]
fence = "{fence}"
terrain = "{terrain}"
fence_crs = "EPSG:32632"
terrain_crs = "EPSG:32632"
vertical_accuracy_m = 0.05
vertical_datum = "local"

[layout]
side = "inside"
setback_m = 4.0
max_zone_m = 50.0

[detection]
threshold = 0.20
spacing_m = 1.0

[targets.dog]
height_m = 0.5
width_m = 0.3
"""


@dataclass(frozen=True)
class Subject:
    """A file to hurt.

    ``commands`` : what is run on the site, in turn, while it succeeds; SITE and OUT stand for the paths. A subject
    ``before`` which something must have been run gives that as ``prepare``.
    """

    name: str
    victim: str
    text: bool
    make: Callable[[Path], None]
    commands: tuple[tuple[str, ...], ...] = (("inspect", "SITE", "--out", "OUT"),)
    prepare: tuple[tuple[str, ...], ...] = ()


def ground() -> np.ndarray:
    y, x = np.mgrid[0:100, 0:100]
    return (250.0 + 0.01 * x + 0.1 * np.sin(y / 5.0)).astype(np.float32)


def write_terrain(path: Path, **profile: object) -> None:
    options = {
        "driver": "GTiff", "height": 100, "width": 100, "count": 1, "dtype": "float32", "crs": "EPSG:32632",
        "transform": from_origin(LEFT, BOTTOM + 100, 1.0, 1.0), "nodata": -9999.0, **profile,
    }  # fmt: skip
    with rasterio.open(path, "w", **options) as raster:
        raster.write(ground(), 1)


def write_fence(path: Path, driver: str) -> None:
    shape = {"type": "LineString", "coordinates": [(LEFT + x, BOTTOM + y) for x, y in SQUARE]}
    schema: dict = {"geometry": "LineString", "properties": {} if driver == "DXF" else {"note": "str"}}
    if driver == "DXF":
        schema["properties"] = {"Layer": "str"}
    crs = None if driver == "DXF" else "EPSG:32632"
    with fiona.open(path, "w", driver=driver, schema=schema, crs=crs) as out:
        out.write({"geometry": shape, "properties": dict.fromkeys(schema["properties"], "fence"), "type": "Feature"})


def _site(folder: Path, fence: str = "fence.geojson", terrain: str = "terrain.tif") -> None:
    (folder / "site.toml").write_text(SITE.format(fence=fence, terrain=terrain), encoding="utf-8")
    if not (folder / fence).exists():
        kinds = {".geojson": "GeoJSON", ".gpkg": "GPKG", ".shp": "ESRI Shapefile", ".dxf": "DXF", ".fgb": "FlatGeobuf"}
        write_fence(folder / fence, kinds[Path(fence).suffix])
    if not (folder / terrain).exists():
        write_terrain(folder / terrain)


def _plain(folder: Path) -> None:
    _site(folder)


def _fence(name: str) -> Callable[[Path], None]:
    return lambda folder: _site(folder, fence=name)


def _tiled(folder: Path) -> None:
    write_terrain(folder / "terrain.tif", tiled=True, blockxsize=32, blockysize=32, compress="deflate", predictor=3)
    _site(folder)


def _ascii(folder: Path) -> None:
    rows = "\n".join(" ".join(f"{v:.2f}" for v in row) for row in ground())
    head = f"ncols 100\nnrows 100\nxllcorner {LEFT}\nyllcorner {BOTTOM}\ncellsize 1\nNODATA_value -9999\n"
    (folder / "terrain.asc").write_text(head + rows + "\n")
    _site(folder, terrain="terrain.asc")


def _virtual(folder: Path) -> None:
    write_terrain(folder / "tile.tif")
    (folder / "terrain.vrt").write_text(
        '<VRTDataset rasterXSize="100" rasterYSize="100"><SRS>EPSG:32632</SRS>'
        f"<GeoTransform>{LEFT}, 1, 0, {BOTTOM + 100}, 0, -1</GeoTransform>"
        '<VRTRasterBand dataType="Float32" band="1"><NoDataValue>-9999</NoDataValue><SimpleSource>'
        '<SourceFilename relativeToVRT="1">tile.tif</SourceFilename><SourceBand>1</SourceBand>'
        '<SrcRect xOff="0" yOff="0" xSize="100" ySize="100"/><DstRect xOff="0" yOff="0" xSize="100" ySize="100"/>'
        "</SimpleSource></VRTRasterBand></VRTDataset>"
    )
    _site(folder, terrain="terrain.vrt")


INSPECT = ("inspect", "SITE", "--out", "OUT")
LAYOUT_AGAIN = (("layout", "SITE", "--out", "OUT", "--overwrite"),)

SUBJECTS = (
    Subject("site file", "site.toml", True, _plain),
    Subject("fence GeoJSON", "fence.geojson", True, _plain),
    Subject("fence GeoPackage", "fence.gpkg", False, _fence("fence.gpkg")),
    Subject("fence Shapefile", "fence.shp", False, _fence("fence.shp")),
    Subject("fence Shapefile index", "fence.shx", False, _fence("fence.shp")),
    Subject("fence Shapefile table", "fence.dbf", False, _fence("fence.shp")),
    Subject("fence Shapefile system", "fence.prj", True, _fence("fence.shp")),
    Subject("fence DXF", "fence.dxf", True, _fence("fence.dxf")),
    Subject("fence FlatGeobuf", "fence.fgb", False, _fence("fence.fgb")),
    Subject("terrain GeoTIFF", "terrain.tif", False, _plain),
    Subject("terrain GeoTIFF, tiled and packed", "terrain.tif", False, _tiled),
    Subject("terrain ASCII grid", "terrain.asc", True, _ascii),
    Subject("terrain virtual raster", "terrain.vrt", True, _virtual),
    Subject("plan edited elsewhere", "out/plan.gpkg", False, _plain, LAYOUT_AGAIN, (INSPECT,)),
    Subject("summary edited elsewhere", "out/summary.json", True, _plain, LAYOUT_AGAIN, (INSPECT,)),
)
