"""Terrain from surveys: what goes in comes out, in metres, with its density and its seams told."""

from __future__ import annotations

import json
from pathlib import Path

import laspy
import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from pyproj import CRS
from rasterio.transform import from_origin

from geotools.cli import cli
from geotools.errors import InputError
from geotools.terrain import dtm
from geotools.terrain.dtm import grid_survey
from geotools.terrain.lidar import read_lidar
from geotools.terrain.measured import read_table, read_vector
from geotools.terrain.model import Terrain
from geotools.terrain.points import Stated, Survey
from geotools.terrain.seam import join_rasters
from geotools.terrain.surface_files import read_surface

UTM = CRS("EPSG:32632")
LEFT, BOTTOM = 500_000.0, 5_400_000.0
CORNER = np.array([LEFT, BOTTOM])


def plane(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Linear interpolation gives a plane back exactly, whatever the triangles."""
    return 250.0 + 0.02 * (x - LEFT) - 0.01 * (y - BOTTOM)


def scatter(count: int, size: float = 40.0, seed: int = 3) -> np.ndarray:
    xy = np.random.default_rng(seed).uniform(0.0, size, (count, 2)) + CORNER
    corners = np.array([[0, 0], [size, 0], [0, size], [size, size]]) + CORNER
    xy = np.vstack([xy, corners])
    return np.column_stack([xy, plane(*xy.T)])


def write_las(path: Path, points: np.ndarray, classes: np.ndarray, crs: str | None = "EPSG:32632") -> Path:
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.offsets, header.scales = points.min(axis=0), [0.001, 0.001, 0.0001]
    if crs is not None:
        header.add_crs(CRS(crs))
    las = laspy.LasData(header)
    las.x, las.y, las.z = points.T
    las.classification = classes
    las.write(path)
    return path


def heights_at(path: Path, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    with Terrain(path, UTM) as terrain:
        return terrain.sample(x, y)


def inner(count: int = 300) -> tuple[np.ndarray, np.ndarray]:
    xy = np.random.default_rng(9).uniform(3.0, 37.0, (count, 2)) + CORNER
    return xy[:, 0], xy[:, 1]


@pytest.mark.parametrize("name", ["s.las", "s.laz"])
def test_lidar_ground_comes_out_and_trees_stay_out(tmp_path: Path, name: str) -> None:
    ground = scatter(12_000)
    trees = scatter(3_000, seed=4) + np.array([0, 0, 15.0])
    classes = np.r_[np.full(len(ground), 2), np.full(len(trees), 5)].astype(np.uint8)
    path = write_las(tmp_path / name, np.vstack([ground, trees]), classes)
    made = grid_survey([(path, read_lidar(path))], tmp_path / "dtm.tif", cell_m=0.5)
    x, y = inner()
    # a mean of points in a cell lies on the plane; the file keeps 0.1 mm
    assert heights_at(tmp_path / "dtm.tif", x, y) == pytest.approx(plane(x, y), abs=2e-4)
    assert made.warnings == [] and made.vertical_unit == "metre"


def test_lidar_in_feet_comes_out_in_metres(tmp_path: Path) -> None:
    # EPSG:2277 counts in US survey feet, 1200/3937 m (NIST SP 811, B.6)
    foot = 1200 / 3937
    points = (scatter(4_000) - (LEFT, BOTTOM, 0)) / foot + (3_000_000, 10_000_000, 0)
    path = write_las(tmp_path / "s.las", points, np.full(len(points), 2, np.uint8), "EPSG:2277")
    with pytest.raises(InputError, match="unit"):
        grid_survey([(path, read_lidar(path))], tmp_path / "dtm.tif", cell_m=0.5)
    made = grid_survey(
        [(path, read_lidar(path))], tmp_path / "dtm.tif", cell_m=0.5, stated=Stated(vertical_unit="US survey foot")
    )
    x, y = inner()
    with Terrain(tmp_path / "dtm.tif", CRS("EPSG:2277")) as terrain:
        found = terrain.sample(x - LEFT + 3_000_000 * foot, y - BOTTOM + 10_000_000 * foot)
        assert terrain.cell_m == pytest.approx(0.5)
    assert found == pytest.approx(plane(x, y), abs=1e-3)
    assert any("US survey foot" in note for note in made.notes)


def test_lidar_without_ground_or_system_is_refused(tmp_path: Path) -> None:
    points = scatter(100)
    path = write_las(tmp_path / "s.las", points, np.full(len(points), 1, np.uint8))
    with pytest.raises(InputError, match="ground class"):
        grid_survey([(path, read_lidar(path))], tmp_path / "dtm.tif", cell_m=0.5)
    path = write_las(tmp_path / "t.las", points, np.full(len(points), 2, np.uint8), None)
    with pytest.raises(InputError, match="coordinate system"):
        grid_survey([(path, read_lidar(path))], tmp_path / "dtm.tif", cell_m=0.5)
    assert not (tmp_path / "dtm.tif").exists()


def test_a_thin_survey_is_told(tmp_path: Path) -> None:
    points = scatter(100)  # 104 on 1600 m2: 3.9 m apart
    path = write_las(tmp_path / "s.las", points, np.full(len(points), 2, np.uint8))
    made = grid_survey([(path, read_lidar(path))], tmp_path / "dtm.tif", cell_m=0.25)
    assert made.spacing_m == pytest.approx(np.sqrt(1600 / 104), rel=0.2)
    assert any("prone" in text for text in made.warnings) and any("finer" in text for text in made.warnings)


def test_a_table_of_points_comes_back(tmp_path: Path) -> None:
    points = scatter(3_000)
    rows = "\r\n".join(f"{x:.4f};{y:.4f};{z:.5f}" for x, y, z in points)
    (tmp_path / "p.csv").write_text("Easting;Northing;Height\r\n" + rows + "\r\n")
    grid_survey(
        [(tmp_path / "p.csv", read_table(tmp_path / "p.csv"))], tmp_path / "dtm.tif", cell_m=0.5, stated=Stated(UTM)
    )
    x, y = inner()
    assert heights_at(tmp_path / "dtm.tif", x, y) == pytest.approx(plane(x, y), abs=2e-4)


@pytest.mark.parametrize(
    ("text", "words"), [("x,y\n1,2\n", "three coordinates"), ("x,y,z\n1,2,=1+1\n", "line 2, column z"), ("", "three")]
)
def test_a_table_that_is_none_is_refused(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "p.csv").write_text(text)
    with pytest.raises(InputError) as caught:
        read_table(tmp_path / "p.csv")
    assert words in str(caught.value)


@pytest.mark.parametrize(("name", "driver"), [("b.gpkg", "GPKG"), ("b.geojson", "GeoJSON"), ("b.dxf", "DXF")])
def test_a_breakline_makes_an_edge(tmp_path: Path, name: str, driver: str) -> None:
    """A ridge of 1 m between points at 0 m: without its line the ground would be flat."""
    import fiona

    ridge = [(LEFT + 20.0, BOTTOM + y, 251.0) for y in (0.0, 40.0)]
    properties = {"Layer": "str"} if driver == "DXF" else {"n": "int"}
    values = {"Layer": "ridge"} if driver == "DXF" else {"n": 1}
    crs = None if driver == "DXF" else "EPSG:32632"
    schema = {"geometry": "3D LineString", "properties": properties}
    with fiona.open(tmp_path / name, "w", driver=driver, schema=schema, crs=crs) as sink:
        sink.write({"geometry": {"type": "LineString", "coordinates": ridge}, "properties": values, "type": "Feature"})
    side = np.array([(LEFT + x, BOTTOM + y, 250.0) for x in (10.0, 30.0) for y in np.arange(0, 40.5, 0.5)])
    flat = Survey(UTM, iter([side]))
    surveys = [(tmp_path / name, flat), (tmp_path / name, read_vector(tmp_path / name))]
    grid_survey(surveys, tmp_path / "dtm.tif", cell_m=0.5, stated=Stated(UTM), reach_m=10.0)
    x = LEFT + np.array([15.25, 19.75, 20.25, 25.25])
    found = heights_at(tmp_path / "dtm.tif", x, np.full(4, BOTTOM + 20.25))
    assert found == pytest.approx([250.525, 250.975, 250.975, 250.475], abs=0.02)


#: LandXML-1.2.xsd: P holds northing, easting, elevation; F the ids of three points; i="1" an invisible face.
LANDXML = """<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">
<Units><Metric linearUnit="meter" areaUnit="squareMeter" volumeUnit="cubicMeter"/></Units>
<CoordinateSystem epsgCode="32632"/>
<Surfaces><Surface name="ground"><Definition surfType="TIN"><Pnts>
<P id="7">5400000 500000 250</P><P id="8">5400000 500010 251</P><P id="9">5400010 500010 252</P>
<P id="12">5400010 500000 251</P></Pnts>
<Faces><F>7 8 9</F><F>7 9 12</F></Faces></Definition></Surface></Surfaces></LandXML>"""


def test_a_landxml_surface_keeps_its_own_triangles(tmp_path: Path) -> None:
    (tmp_path / "s.xml").write_text(LANDXML)
    grid_survey([(tmp_path / "s.xml", read_surface(tmp_path / "s.xml"))], tmp_path / "dtm.tif", cell_m=0.5)
    x, y = LEFT + np.array([2.25, 5.25, 8.25]), BOTTOM + np.array([1.25, 8.25, 4.25])
    # both triangles lie on z = 250 + (x - LEFT) / 10 + (y - BOTTOM) / 10, from the four corners
    assert heights_at(tmp_path / "dtm.tif", x, y) == pytest.approx(250 + (x - LEFT) / 10 + (y - BOTTOM) / 10, abs=1e-4)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("7 8 9", "7 8 99", "not there"),
        ("5400000 500000 250", "5400000 nan 250", "3 numbers"),
        ("<?xml", "<!DOCTYPE x [<!ENTITY a 'b'>]><?xml", "entities"),
        ("<F>7 8 9</F><F>7 9 12</F>", "", "no triangles"),
    ],
)
def test_a_landxml_surface_that_is_broken_is_refused(tmp_path: Path, old: str, new: str, words: str) -> None:
    (tmp_path / "s.xml").write_text(LANDXML.replace(old, new))
    with pytest.raises(InputError) as caught:
        read_surface(tmp_path / "s.xml")
    assert words in str(caught.value)


def test_tiles_give_the_same_ground_as_one_piece(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    xy = np.random.default_rng(5).uniform(0.0, 60.0, (9_000, 2)) + CORNER
    points = np.column_stack([xy, 250 + 0.3 * np.sin(xy[:, 0]) + 0.2 * np.cos(1.7 * xy[:, 1])])
    results = []
    for tile in (512, 64):
        monkeypatch.setattr(dtm, "tiles", lambda r, c, tile=tile: tiles(r, c, tile))
        out = tmp_path / f"{tile}.tif"
        grid_survey([(Path(__file__), Survey(UTM, iter([points])))], out, cell_m=0.25)
        with rasterio.open(out) as raster:
            results.append(raster.read(1, masked=True).filled(np.nan))
    assert results[0].shape == results[1].shape
    assert np.isfinite(results[0]).mean() > 0.9
    assert results[1] == pytest.approx(results[0], abs=1e-6, nan_ok=True)


tiles = dtm.tiles


def write_raster(path: Path, shift: float, left: float) -> Path:
    x = left + np.arange(60) + 0.5
    y = BOTTOM + 40 - np.arange(40) - 0.5
    z = plane(*np.meshgrid(x, y)) + shift
    profile = {"driver": "GTiff", "width": 60, "height": 40, "count": 1, "dtype": "float32", "crs": "EPSG:32632"}
    with rasterio.open(path, "w", transform=from_origin(left, BOTTOM + 40, 1, 1), nodata=-9999.0, **profile) as raster:
        raster.write(z.astype(np.float32), 1)
    return path


@pytest.mark.parametrize(("shift", "warned"), [(0.0, False), (0.12, True)])
def test_a_step_at_the_seam_of_two_rasters_is_told(tmp_path: Path, shift: float, warned: bool) -> None:
    a, b = write_raster(tmp_path / "a.tif", 0.0, LEFT), write_raster(tmp_path / "b.tif", shift, LEFT + 40)
    made = join_rasters([a, b], tmp_path / "dtm.tif")
    assert made.seams[0]["median_m"] == pytest.approx(shift, abs=1e-4)
    assert bool(made.warnings) == warned
    x = LEFT + np.array([10.3, 39.0, 50.0, 80.2])
    y = np.full(4, BOTTOM + 20.0)
    expected = plane(x, y) + np.array([0, 0, 0, shift])  # the first named wins where both know the ground
    assert heights_at(tmp_path / "dtm.tif", x, y) == pytest.approx(expected, abs=1e-3)


def test_the_command_tells_and_refuses(tmp_path: Path) -> None:
    points = scatter(6_000)
    path = write_las(tmp_path / "s.laz", points, np.full(len(points), 2, np.uint8))
    out = tmp_path / "dtm.tif"
    done = CliRunner().invoke(cli, ["terrain", str(path), "--out", str(out), "--cell", "0.5"])
    assert done.exit_code == 0, done.output
    assert "ground points" in done.output and "datum: not stated" in done.output
    report = json.loads((tmp_path / "dtm.json").read_text())
    assert report["sources"]["s.laz"] and report["points"] > 0
    again = CliRunner().invoke(cli, ["terrain", str(path), "--out", str(out)])
    assert again.exit_code == 6 and "overwrite" in again.output
    path.write_bytes(path.read_bytes()[:3000])
    broken = CliRunner().invoke(cli, ["terrain", str(path), "--out", str(out), "--overwrite"])
    assert broken.exit_code == 3 and "Traceback" not in broken.output
    assert out.exists()


def test_a_point_that_no_map_has_is_named(tmp_path):
    table = tmp_path / "points.csv"
    table.write_text("x,y,z\n500000,5400000,200\n1e308,5400001,200\n500001,5400002,200\n")
    with pytest.raises(InputError, match="no map has") as caught:
        grid_survey(
            [(table, read_table(table))],
            tmp_path / "g.tif",
            cell_m=1.0,
            stated=Stated(CRS("EPSG:32632"), "metre"),
        )
    assert "1e+308" in str(caught.value)
    assert not (tmp_path / "g.tif").exists()


def test_a_point_far_from_all_others_is_named_before_a_model_of_nothing_is_made(tmp_path):
    table = tmp_path / "points.csv"
    rows = "".join(f"{500_000 + x},{5_400_000 + y},200\n" for x in range(10) for y in range(10))
    table.write_text("x,y,z\n" + rows + "50000600,5400005,250.3\n")
    out = tmp_path / "dtm.tif"
    done = CliRunner().invoke(cli, ["terrain", str(table), "--out", str(out), "--cell", "0.5", "--crs", "EPSG:32632"])
    assert done.exit_code == 3
    assert "absurdly far apart" in done.output
    assert "the farthest point is 50000600.00, 5400005.00, 250.30" in done.output
    assert not out.exists()


def test_points_far_apart_are_gridded_where_a_model_of_them_is_of_an_ordinary_size(tmp_path):
    table = tmp_path / "points.csv"
    table.write_text("x,y,z\n500000,5400000,200\n500900,5400000,201\n500000,5400900,202\n")
    made = grid_survey([(table, read_table(table))], tmp_path / "dtm.tif", cell_m=0.5, stated=Stated(CRS("EPSG:32632")))
    assert made.points == 3
