"""What is damaged: each subject is a small valid site and the one file of it that gets hurt."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import fiona
import laspy
import numpy as np
import rasterio
from pyproj import CRS
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
    before which something must have been run gives that as ``prepare``. ``put`` : how other content gets into its file.
    """

    name: str
    victim: str
    text: bool
    make: Callable[[Path], None]
    commands: tuple[tuple[str, ...], ...] = (("inspect", "SITE", "--out", "OUT"),)
    prepare: tuple[tuple[str, ...], ...] = ()
    put: Callable[[Path, bytes], object] = Path.write_bytes


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


def _manifest_toml(folder: Path) -> None:
    _site(folder)
    (folder / "batch.toml").write_text('[[site]]\nfile = "site.toml"\nname = "First yard"\n')


def _manifest_csv(folder: Path) -> None:
    _site(folder)
    (folder / "batch.csv").write_text("name,file\r\nFirst yard,site.toml\r\n")


def points() -> np.ndarray:
    y, x = np.mgrid[0:20:1.0, 0:20:1.0]
    return np.column_stack([LEFT + x.ravel(), BOTTOM + y.ravel(), 250.0 + 0.05 * x.ravel()])


def _table(folder: Path) -> None:
    rows = "\r\n".join(f"{x:.2f},{y:.2f},{z:.3f}" for x, y, z in points())
    (folder / "survey.csv").write_text("x,y,z\r\n" + rows + "\r\n")


def _landxml(folder: Path) -> None:
    places = points().reshape(20, 20, 3)[:4, :4].reshape(-1, 3)
    rows = "".join(f'<P id="{i}">{y} {x} {z}</P>' for i, (x, y, z) in enumerate(places, start=1))
    faces = "".join(
        f"<F>{i} {i + 1} {i + 5}</F><F>{i} {i + 5} {i + 4}</F>"
        for i in (r * 4 + c + 1 for r in range(3) for c in range(3))
    )
    (folder / "survey.xml").write_text(
        '<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2"><Units>'
        '<Metric linearUnit="meter"/></Units><CoordinateSystem epsgCode="32632"/><Surfaces><Surface name="g">'
        f'<Definition surfType="TIN"><Pnts>{rows}</Pnts><Faces>{faces}</Faces></Definition>'
        "</Surface></Surfaces></LandXML>"
    )


def _lidar(suffix: str) -> Callable[[Path], None]:
    def make(folder: Path) -> None:
        header = laspy.LasHeader(point_format=6, version="1.4")
        header.offsets, header.scales = [LEFT, BOTTOM, 250.0], [0.001, 0.001, 0.001]
        header.add_crs(CRS("EPSG:32632"))
        las = laspy.LasData(header)
        las.x, las.y, las.z = points().T
        las.classification = np.full(len(points()), 2, np.uint8)
        las.write(folder / f"survey{suffix}")

    return make


def _terrain_of(name: str) -> tuple[tuple[str, ...], ...]:
    return (("terrain", f"IN/{name}", "--out", "OUT/dtm.tif", "--cell", "0.5", "--crs", "EPSG:32632"),)


BATCH = ("--out", "OUT", "--steps", "inspect", "--workers", "1")
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
    Subject("manifest, TOML", "batch.toml", True, _manifest_toml, (("batch", "IN/batch.toml", *BATCH),)),
    Subject("manifest, CSV", "batch.csv", True, _manifest_csv, (("batch", "IN/batch.csv", *BATCH),)),
    Subject("survey points, CSV", "survey.csv", True, _table, _terrain_of("survey.csv")),
    Subject("survey surface, LandXML", "survey.xml", True, _landxml, _terrain_of("survey.xml")),
    Subject("survey lidar, LAS", "survey.las", False, _lidar(".las"), _terrain_of("survey.las")),
    Subject("survey lidar, LAZ", "survey.laz", False, _lidar(".laz"), _terrain_of("survey.laz")),
    Subject("plan edited elsewhere", "out/plan.gpkg", False, _plain, LAYOUT_AGAIN, (INSPECT,)),
    Subject("summary edited elsewhere", "out/summary.json", True, _plain, LAYOUT_AGAIN, (INSPECT,)),
)
