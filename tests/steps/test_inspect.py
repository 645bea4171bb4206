"""inspect: what it refuses, what it warns of, what it converts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import ezdxf
import fiona
import geopandas as gpd
import numpy as np
import pytest
import rasterio
from shapely import LineString, Polygon

import geotools
from geotools.errors import GeotoolsError, InfeasibleError, InputError, SiteError
from tests.making import SQUARE, line, write_fence, write_raster

MakeSite = Callable[..., Path]


def inspect(site: Path, out: Path) -> geotools.engine.runner.Outcome:  # type: ignore[name-defined]
    return geotools.run_step("inspect", geotools.open_site(site), out)


def refusal(site: Path, tmp_path: Path) -> GeotoolsError:
    """The refusal, after checking that nothing was written."""
    out = tmp_path / "out"
    with pytest.raises((InputError, SiteError)) as caught:
        inspect(site, out)
    assert not (out / "plan.gpkg").exists()
    assert caught.value.where
    return caught.value


def test_sound_input_passes_without_a_warning(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(heights=np.full((200, 200), 250.0, np.float32), raster={"cell": 0.5})
    outcome = inspect(site, tmp_path / "out")
    assert outcome.warnings == []
    fence = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="fence")
    assert fence["length_m"].tolist() == [240.0]
    assert fence["closed"].tolist() == [True]


def test_no_coordinate_system_in_the_raster(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(raster={"crs": None})
    assert "names no coordinate system" in str(refusal(site, tmp_path))
    site = make_site(raster={"crs": None}, inputs='terrain_crs = "EPSG:32632"\nvertical_accuracy_m = 0.05')
    assert inspect(site, tmp_path / "out").layers == ["fence"]


def test_no_coordinate_system_in_the_fence(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    shape = gpd.GeoDataFrame(geometry=[LineString(line(SQUARE)["coordinates"])])
    shape.to_file(tmp_path / "fence.shp", engine="fiona")
    site.write_text(site.read_text().replace("fence.geojson", "fence.shp"))
    assert "fence_crs" in (refusal(site, tmp_path).mend or "")


def test_all_in_degrees_is_refused_with_a_proposal(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(toml='[layout]\nside = "left"')
    write_raster(
        tmp_path / "terrain.tif", np.full((50, 50), 9, np.float32), crs="EPSG:4326", left=9, top=48.8, cell=1e-4
    )
    shape = {"type": "LineString", "coordinates": [[9.001, 48.799], [9.002, 48.798]]}
    write_fence(tmp_path / "fence.geojson", [shape], crs="EPSG:4326")
    assert "EPSG:32632" in (refusal(site, tmp_path).mend or "")
    site.write_text(site.read_text().replace("[input]", '[input]\nplan_crs = "EPSG:32632"'))
    outcome = inspect(site, tmp_path / "out")
    # 0.001 degree of longitude at 48.8 N is 73.4 m, of latitude 111.2 m (WGS 84 ellipsoid, from memory): 133 m
    assert outcome.summary["fence_length_m"] == pytest.approx(133.2, abs=0.5)


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (((20, 20), (150, 20)), "leaves the terrain"),
        (((500, 500), (600, 500)), "leaves the terrain"),
        (((20, 20), (80, 80), (80, 20), (20, 80)), "crosses itself"),
        (((20, 20), (20, 20)), "no length"),
    ],
)
def test_fences_that_cannot_be(make_site: MakeSite, tmp_path: Path, points: tuple, words: str) -> None:
    assert words in str(refusal(make_site(points=points), tmp_path))


@pytest.mark.parametrize(
    ("geometry", "words"),
    [
        ({"type": "Point", "coordinates": [500_020, 5_400_020]}, "no line and no area"),
        ({"type": "LineString", "coordinates": []}, "empty"),
        (None, "no geometry"),
    ],
)
def test_geometry_of_another_kind(make_site: MakeSite, tmp_path: Path, geometry: dict | None, words: str) -> None:
    site = make_site()
    write_fence(tmp_path / "fence.geojson", [geometry])  # type: ignore[list-item]
    assert words in str(refusal(site, tmp_path))


def test_file_without_features(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    write_fence(tmp_path / "fence.geojson", [])
    assert "lines" in str(refusal(site, tmp_path))


def test_nodata_under_the_fence_says_where(make_site: MakeSite, tmp_path: Path) -> None:
    ground = np.full((100, 100), 250.0, np.float32)
    ground[78:82, 50:54] = -9999.0  # under the south side, 30 m along it
    outcome = geotools.run_step("inspect", geotools.open_site(make_site(heights=ground)), tmp_path / "out")
    (said,) = [text for text in outcome.warnings if "no data under" in text]
    assert "first at 2" in said or "first at 3" in said
    assert "stay without an answer" in said


@pytest.mark.parametrize(("first", "stretch"), [(0, "234.0 to 66.0"), (2, "114.0 to 186.0")])
def test_a_hole_longer_than_a_zone_is_said_with_what_becomes_of_it(
    make_site: MakeSite, tmp_path: Path, first: int, stretch: str
) -> None:
    # the south side, 60 m, and 6 m of both its neighbours: over the seam of 240 m, and in the middle of the line
    ground = np.full((100, 100), 250.0, np.float32)
    ground[74:, :] = -9999.0
    ring = [*SQUARE[first:-1], *SQUARE[: first + 1]]
    text = "[layout]\nmax_zone_m = 50\n"
    outcome = inspect(make_site(heights=ground, points=ring, toml=text), tmp_path / "out")
    (said,) = [text for text in outcome.warnings if "no data under" in text]
    assert stretch in said and "layout.max_zone_m, 50 m" in said
    assert "lays out the rest" in said and "has no beam until" in said
    longer = inspect(make_site(heights=ground, points=ring), tmp_path / "longer")
    assert not any("lays out the rest" in text for text in longer.warnings)


def test_a_terrain_without_data_under_the_whole_fence_is_refused(make_site: MakeSite, tmp_path: Path) -> None:
    found = refusal(make_site(heights=np.full((100, 100), -9999.0, np.float32)), tmp_path)
    assert "no data under the fence" in found.what


def test_an_open_line_without_a_side_is_refused_with_what_to_add(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    write_fence(tmp_path / "fence.geojson", [line(SQUARE[:3])])
    with pytest.raises(InfeasibleError, match="an open fence line has no inside") as caught:
        inspect(site, tmp_path / "out")
    assert 'side = "left"' in str(caught.value.mend) and "[layout]" in str(caught.value.mend)


def test_the_same_fence_twice_is_said(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    nudged = [(x + 0.1, y + 0.1) for x, y in SQUARE]
    write_fence(tmp_path / "fence.geojson", [line(SQUARE), line(nudged)])
    outcome = geotools.run_step("inspect", geotools.open_site(site), tmp_path / "out")
    (said,) = [text for text in outcome.warnings if "lie on each other" in text]
    assert "F01 and F02" in said and "drawn twice" in said
    # one inside the other, a corridor between them, is no fence drawn twice
    inner = [(0.8 * x + 10, 0.8 * y + 10) for x, y in SQUARE]
    write_fence(tmp_path / "fence.geojson", [line(SQUARE), line(inner)])
    outcome = geotools.run_step("inspect", geotools.open_site(site), tmp_path / "again")
    assert not [text for text in outcome.warnings if "lie on each other" in text]


def test_heights_that_cannot_be_ground(make_site: MakeSite, tmp_path: Path) -> None:
    ground = np.full((100, 100), 1e6, np.float32)
    assert "cannot be heights" in str(refusal(make_site(heights=ground), tmp_path))


def test_picture_in_place_of_elevation(make_site: MakeSite, tmp_path: Path) -> None:
    import rasterio
    from rasterio.enums import ColorInterp

    site = make_site()
    profile = {"driver": "GTiff", "height": 100, "width": 100, "count": 3, "dtype": "uint8", "crs": "EPSG:32632"}
    profile["transform"] = rasterio.transform.from_origin(500_000, 5_400_100, 1, 1)
    with rasterio.open(tmp_path / "terrain.tif", "w", photometric="RGB", **profile) as raster:
        raster.write(np.zeros((3, 100, 100), np.uint8))
        raster.colorinterp = (ColorInterp.red, ColorInterp.green, ColorInterp.blue)
    assert "no elevation" in str(refusal(site, tmp_path))


@pytest.mark.parametrize("name", ["terrain.tif", "fence.geojson"])
@pytest.mark.parametrize("share", [0.0, 0.01, 0.5, 0.9])
def test_cut_short_files(make_site: MakeSite, tmp_path: Path, name: str, share: float) -> None:
    site = make_site(heights=np.random.default_rng(1).normal(250, 0.1, (100, 100)).astype(np.float32))
    path = tmp_path / name
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * share)])
    assert name in str(refusal(site, tmp_path))


@pytest.mark.parametrize(
    "address", ["/vsicurl/https://example.org/a.tif", "https://example.org/a.tif", "../missing.tif"]
)
def test_files_that_are_not_here(make_site: MakeSite, tmp_path: Path, address: str) -> None:
    site = make_site()
    site.write_text(site.read_text().replace('"terrain.tif"', f'"{address}"'))
    refusal(site, tmp_path)


def test_unknown_coordinate_system_in_the_site_file(make_site: MakeSite, tmp_path: Path) -> None:
    assert "EPSG:999999" in str(refusal(make_site(inputs='plan_crs = "EPSG:999999"'), tmp_path))


def test_feet_are_converted_and_said(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(raster={"unit": "US survey foot"}, heights=np.full((100, 100), 820.0, np.float32))
    outcome = inspect(site, tmp_path / "out")
    assert any("0.3048006096" in note for note in outcome.notes)  # 1200/3937, NIST SP 811, B.6


def test_height_unit_left_open_in_a_system_of_feet_is_refused(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(toml='[layout]\nside = "left"')
    write_raster(
        tmp_path / "terrain.tif", np.full((50, 50), 800, np.float32), crs="EPSG:2277", left=3e6, top=1e7, unit=None
    )
    write_fence(tmp_path / "fence.geojson", [line(((10, 10), (30, 30)), 3e6, 1e7 - 50)], crs="EPSG:2277")
    assert "vertical_unit" in (refusal(site, tmp_path).mend or "")
    site.write_text(site.read_text().replace("[input]", '[input]\nvertical_unit = "US survey foot"'))
    outcome = inspect(site, tmp_path / "out")
    # the plan keeps the file's feet, lengths in its tables are metres
    assert outcome.summary["fence_length_m"] == pytest.approx(20 * 2**0.5 * 1200 / 3937, abs=1e-3)


def test_coarse_cells_and_coarse_survey_are_warned_of_with_their_numbers(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(inputs="vertical_accuracy_m = 0.2")
    warnings = " ".join(inspect(site, tmp_path / "out").warnings)
    assert "1.00 m" in warnings
    assert "0.200 m" in warnings
    assert "0.075 m" in warnings


@pytest.mark.parametrize(("driver", "name"), [("GPKG", "f.gpkg"), ("ESRI Shapefile", "f.shp"), ("DXF", "f.dxf")])
def test_fence_from_other_formats(make_site: MakeSite, tmp_path: Path, driver: str, name: str) -> None:
    site = make_site()
    coordinates = line(SQUARE)["coordinates"]
    schema = {"geometry": "LineString", "properties": {"Layer": "str"} if driver == "DXF" else {"n": "int"}}
    record = {
        "geometry": {"type": "LineString", "coordinates": coordinates},
        "properties": {"Layer": "0"} if driver == "DXF" else {"n": 1},
    }
    crs = {} if driver == "DXF" else {"crs": "EPSG:32632"}
    with fiona.open(tmp_path / name, "w", driver=driver, schema=schema, **crs) as sink:
        sink.write(record)
    text = site.read_text().replace("fence.geojson", name)
    if driver == "DXF":  # the format names no coordinate system
        text = text.replace("[input]", '[input]\nfence_crs = "EPSG:32632"')
    site.write_text(text)
    assert inspect(site, tmp_path / "out").summary["fence_length_m"] == pytest.approx(240.0)


def test_fence_in_another_system_is_brought_over(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    fence = gpd.read_file(tmp_path / "fence.geojson").set_crs("EPSG:32632", allow_override=True).to_crs("EPSG:4326")
    fence.to_file(tmp_path / "fence.gpkg")
    site.write_text(site.read_text().replace("fence.geojson", "fence.gpkg"))
    outcome = inspect(site, tmp_path / "out")
    assert outcome.summary["fence_length_m"] == pytest.approx(240.0, abs=0.01)
    assert any("reprojected" in note for note in outcome.notes)


def test_several_layers_want_a_name(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site()
    frame = gpd.GeoDataFrame(geometry=[LineString(line(SQUARE)["coordinates"])], crs="EPSG:32632")
    for layer in ("old", "new"):
        frame.to_file(tmp_path / "fence.gpkg", layer=layer)
    text = site.read_text().replace("fence.geojson", "fence.gpkg")
    site.write_text(text)
    assert "fence_layer" in (refusal(site, tmp_path).mend or "")
    site.write_text(text.replace("[input]", '[input]\nfence_layer = "new"'))
    assert inspect(site, tmp_path / "out").layers == ["fence"]


def test_bowtie_area_outline_is_refused(make_site: MakeSite, tmp_path: Path) -> None:
    bowtie = Polygon([(20, 20), (80, 80), (80, 20), (20, 80)])
    site = make_site(points=list(bowtie.exterior.coords))
    assert "crosses itself" in str(refusal(site, tmp_path))


def test_the_fence_is_one_layer_of_a_drawing(make_site: MakeSite, tmp_path: Path) -> None:
    drawing = ezdxf.new()
    sheet = drawing.modelspace()
    sheet.add_lwpolyline([(500_000 + x, 5_400_000 + y) for x, y in SQUARE], dxfattribs={"layer": "FENCE"})
    sheet.add_line((500_000, 5_400_000), (500_050, 5_400_100), dxfattribs={"layer": "ROADS"})
    sheet.add_text("not a line", dxfattribs={"layer": "NAMES"}).set_placement((500_010, 5_400_010))
    drawing.saveas(tmp_path / "f.dxf")
    site_file = make_site()

    def lengths(layer: str) -> list[float]:
        text = f'fence = "f.dxf"\nfence_layer = "{layer}"\nfence_crs = "EPSG:32632"'
        chosen = tmp_path / "chosen.toml"
        chosen.write_text(site_file.read_text().replace('fence = "fence.geojson"', text))
        inspect(chosen, tmp_path / "out")
        return list(gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="fence")["length_m"])

    assert lengths("FENCE") == pytest.approx([240.0], abs=1e-6)
    with pytest.raises(InputError, match="nothing on that layer") as caught:
        lengths("FENCES")
    assert "FENCE, NAMES, ROADS" in caught.value.expected
    with pytest.raises(InputError, match="no line and no area") as caught:
        lengths("entities")
    assert "fence_layer" in caught.value.mend


def test_check_points_stand_for_a_stated_accuracy(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(inputs="", toml='[survey]\ncheck_points = "marks.csv"\n')
    problem = refusal(site, tmp_path)
    assert "file of check points is not there" in problem.what
    (tmp_path / "marks.csv").write_text("x,y,z\n")
    assert "too few check points" in refusal(site, tmp_path).what
    marks = "".join(f"{500_000 + x},5400050,250.0\n" for x in (30, 50, 70))
    (tmp_path / "marks.csv").write_text(f"x,y,z\n{marks}")
    assert not any("accuracy" in text for text in inspect(site, tmp_path / "out").warnings)
    site.write_text(site.read_text().replace('check_points = "marks.csv"', ""))
    outcome = geotools.run_step("inspect", geotools.open_site(site), tmp_path / "out", overwrite=True)
    assert any("not stated" in text and "survey.check_points" in text for text in outcome.warnings)


def test_an_accuracy_that_the_terrain_step_noted_is_a_stated_one(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(inputs="")
    with rasterio.open(geotools.open_site(site).path(geotools.open_site(site).input.terrain), "r+") as raster:
        raster.update_tags(GEOTOOLS_ACCURACY_M="0.15", GEOTOOLS_METHOD="points", GEOTOOLS_SPACING_M="0.3")
    outcome = inspect(site, tmp_path / "out")
    assert not any("not stated" in text for text in outcome.warnings)
    assert any("good to 0.150 m" in text for text in outcome.warnings)
    assert any("from the raster's metadata: 0.15 m" in text for text in outcome.notes)


@pytest.mark.parametrize(
    ("rows", "columns", "height", "words"),
    [
        (slice(46, 47), slice(60, 61), 0.0, "exactly 0 m"),
        (slice(46, 47), slice(60, 61), 12000.0, "no ground has"),
        (slice(46, 47), slice(60, 61), 248.6, "a hole of 1.4 m"),
        (slice(46, 54), slice(60, 72), 253.0, "a rise of 3.0 m"),
    ],
)
def test_heights_that_are_hardly_ground_are_named_before_they_decide(
    make_site: MakeSite, tmp_path: Path, rows: slice, columns: slice, height: float, words: str
) -> None:
    heights = np.full((200, 200), 250.0, np.float32)
    heights[rows, columns] = height  # 3 m inside the northern line, off the fence itself
    site = make_site(heights=heights, raster={"cell": 0.5})
    said = [text for text in inspect(site, tmp_path / "out").warnings if words in text]
    assert len(said) == 1 and said[0].startswith("F01, within 9 m of it: at x 50003")
    if abs(height - 250.0) > 100.0:
        return  # layout finds other ground than that
    geotools.run_step("layout", geotools.open_site(site), tmp_path / "out")
    again = geotools.run_step("gaps", geotools.open_site(site), tmp_path / "out")
    assert any(words in text and "in its strip" in text for text in again.warnings)
