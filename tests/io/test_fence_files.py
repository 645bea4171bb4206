"""Fence lines from KML, CSV tables and areas; rings that are open by less than a millimetre."""

import geopandas as gpd
import numpy as np
import pytest
from pyproj import CRS
from shapely import LineString, MultiPolygon, Polygon, get_coordinates

from geotools.errors import InputError
from geotools.io.vectors import read_fence

SQUARE = [(500_000.0, 5_400_000.0), (500_060.0, 5_400_000.0), (500_060.0, 5_400_060.0), (500_000.0, 5_400_060.0)]
KML = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document><name>Yard</name>'
    "{}</Document></kml>"
)
LINE = "<LineString><coordinates>\n 9.0,48.0,210 9.001,48.0,211\n 9.001,48.001 </coordinates></LineString>"
AREA = (
    "<Polygon><outerBoundaryIs><LinearRing><coordinates>9,48 9.01,48 9.01,48.01 9,48</coordinates></LinearRing>"
    "</outerBoundaryIs><innerBoundaryIs><LinearRing><coordinates>9.005,48.001 9.006,48.001 9.006,48.002 9.005,48.001"
    "</coordinates></LinearRing></innerBoundaryIs></Polygon>"
)


def mark(shape, name="fence", more=""):
    return f"<Placemark><name>{name}</name>{more}{shape}</Placemark>"


def written(path, text):
    path.write_text(text, encoding="utf-8")
    return path


def test_a_kml_line_is_read_in_degrees_with_its_height(tmp_path):
    field = '<ExtendedData><Data name="height_m"><value>2.4</value></Data></ExtendedData>'
    pin = mark("<Point><coordinates>9,48</coordinates></Point>", "gate")
    path = written(tmp_path / "yard.kml", KML.format(pin + mark(LINE, more=field)))
    made = read_fence(path)
    assert made.crs == CRS("EPSG:4326") and made.heights_m == [2.4]
    # the pin is the first placemark of the file, the fence the second
    assert made.features == [2]
    assert get_coordinates(made.lines[0]).tolist() == [[9.0, 48.0], [9.001, 48.0], [9.001, 48.001]]


def test_a_kml_area_gives_its_outlines_and_a_folder_can_be_chosen(tmp_path):
    folders = f"<Folder><name>old</name>{mark(LINE)}</Folder><Folder><name>new</name>{mark(AREA)}</Folder>"
    path = written(tmp_path / "yard.kml", KML.format(folders))
    assert len(read_fence(path).lines) == 3
    made = read_fence(path, layer="new")
    assert [len(line.coords) for line in made.lines] == [4, 4] and all(line.is_closed for line in made.lines)
    with pytest.raises(InputError, match="no such layer") as told:
        read_fence(path, layer="other")
    assert "old, new" in str(told.value)


@pytest.mark.parametrize(
    "coordinates", ["", "9,48", "9,48 9.1", "9, 48 9.1, 48", "a,b c,d", "9,48 nan,48", "9,48 1e400,48"]
)
def test_kml_coordinates_that_are_none_are_refused_with_their_placemark(tmp_path, coordinates):
    text = KML.format(mark(f"<LineString><coordinates>{coordinates}</coordinates></LineString>", "north side"))
    with pytest.raises(InputError, match="coordinates") as told:
        read_fence(written(tmp_path / "yard.kml", text))
    assert "feature 1" in str(told.value) or "north side" in str(told.value)


def test_kml_cannot_make_the_reader_fetch_or_open_anything(tmp_path):
    link = "<NetworkLink><Link><href>http://example.org/fence.kml</href></Link></NetworkLink>"
    with pytest.raises(InputError, match="no lines"):
        read_fence(written(tmp_path / "a.kml", KML.format(link)))
    entity = '<!DOCTYPE kml [<!ENTITY x SYSTEM "file:///etc/hostname">]>' + KML.format(mark(LINE, "&x;")).split("\n")[1]
    with pytest.raises(InputError):
        read_fence(written(tmp_path / "b.kml", entity))


def test_points_of_a_table_make_a_line_for_each_fence(tmp_path):
    rows = ["Fence;X;Y;height_m", "a;500000;5400000;2.4", "a;500060;5400000;", "b;500000;5400100;", "b;500060;5400100;"]
    made = read_fence(written(tmp_path / "fence.csv", "\n".join(rows)), crs="EPSG:32632")
    assert made.heights_m == [2.4, None] and made.crs == CRS("EPSG:32632")
    assert [get_coordinates(line)[:, 1].tolist() for line in made.lines] == [[5400000] * 2, [5400100] * 2]


def test_degrees_of_a_table_need_no_system_named(tmp_path):
    made = read_fence(written(tmp_path / "fence.csv", "lat,lon\n48.0,9.0\n48.001,9.0\n"))
    assert made.crs == CRS("EPSG:4326") and get_coordinates(made.lines[0]).tolist() == [[9.0, 48.0], [9.0, 48.001]]
    with pytest.raises(InputError, match="names no coordinate system"):
        read_fence(written(tmp_path / "plain.csv", "x,y\n1,2\n3,4\n"))


def test_a_table_of_well_known_text(tmp_path):
    text = f'wkt,height_m\n"{LineString(SQUARE).wkt}",3.0\n"{Polygon(SQUARE).wkt}",\n'
    made = read_fence(written(tmp_path / "fence.csv", text), crs="EPSG:32632")
    assert made.heights_m == [3.0, None] and [line.is_closed for line in made.lines] == [False, True]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x,z\n1,2\n", "no columns for places"),
        ("", "no columns for places"),
        ("x,y\n1,2\n3,four\n", "not a number"),
        ('x;y\n"1,5";2\n3;4\n', "not a number"),
        ("fence,x,y\na,1,2\nb,3,4\n", "single point"),
        ("wkt\nLINESTRING (1 2\n", "well-known text"),
        ("wkt\nPOINT (1 2)\n", "no line and no area"),
        ("x,y\n1,2\n1,2\n", "no length"),
        ("x,y\n1,2\ninf,2\n", "no places"),
    ],
)
def test_a_table_that_is_no_fence_is_refused(tmp_path, text, words):
    with pytest.raises(InputError, match=words) as told:
        read_fence(written(tmp_path / "fence.csv", text), crs="EPSG:32632")
    assert "fence.csv" in str(told.value)


@pytest.mark.parametrize("kind", ["gpkg", "geojson"])
def test_areas_are_taken_as_their_outlines(tmp_path, kind):
    yard = Polygon(SQUARE, [[(500_010, 5_400_010), (500_020, 5_400_010), (500_020, 5_400_020)]])
    both = MultiPolygon([yard, Polygon([(x + 100, y) for x, y in SQUARE])])
    gpd.GeoDataFrame({"height_m": [2.0]}, geometry=[both], crs=32632).to_file(tmp_path / f"fence.{kind}")
    made = read_fence(tmp_path / f"fence.{kind}")
    assert [round(line.length) for line in made.lines] == [240, 34, 240] and made.heights_m == [2.0] * 3
    assert any("area" in note for note in made.notes)


@pytest.mark.parametrize(
    ("crs", "unit", "apart", "closes"),
    [
        ("EPSG:32632", 1.0, 0.0009, True),
        ("EPSG:32632", 1.0, 0.0011, False),
        # US survey feet: 1200/3937 m
        ("EPSG:2277", 3937 / 1200, 0.0009, True),
        ("EPSG:2277", 3937 / 1200, 0.0011, False),
        # a degree of latitude at 48 degrees is 111 197 m (WGS 84; M = a(1-e2)/(1-e2 sin2)^1.5, by hand)
        ("EPSG:4326", 1 / 111_197, 0.0009, True),
        ("EPSG:4326", 1 / 111_197, 0.0011, False),
    ],
)
def test_a_ring_open_by_less_than_a_millimetre_is_closed_with_a_note(tmp_path, crs, unit, apart, closes):
    x, y = (9.0, 48.0) if crs == "EPSG:4326" else (500_000.0, 5_400_000.0)
    side = 0.001 if crs == "EPSG:4326" else 100.0
    ring = [(x, y), (x + side, y), (x + side, y + side), (x, y + apart * unit)]
    text = "x,y\n" + "".join(f"{a!r},{b!r}\n" for a, b in ring)
    made = read_fence(written(tmp_path / "fence.csv", text), crs=crs)
    assert made.lines[0].is_closed is closes
    notes = [note for note in made.notes if "taken as closed" in note]
    assert notes == (["the ends of fence feature 1 lie 0.90 mm apart; it is taken as closed"] if closes else [])
    assert len(made.lines[0].coords) == 4
    assert np.allclose(get_coordinates(made.lines[0])[:3], ring[:3], rtol=0, atol=0)
