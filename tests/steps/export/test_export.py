"""Exported files through other readers: GDAL for GeoJSON and KML, positions back in the plan's system."""

import json
import shutil

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from lxml import etree
from PIL import Image

import geotools
from geotools.errors import OutputError, StepError
from geotools.plan.schema import HEADS, LAYERS

KML = "{http://www.opengis.net/kml/2.2}"


@pytest.fixture(scope="module")
def exported(with_gaps, tmp_path_factory):
    folder = tmp_path_factory.mktemp("exported") / "demo"
    shutil.copytree(with_gaps, folder)
    site = geotools.open_site(folder / "input" / "site.toml")
    geotools.run_step("export", site, folder / "out")
    return folder / "out"


def spatial(out):
    return [n for n in pyogrio.list_layers(out / "plan.gpkg")[:, 0] if n in LAYERS and LAYERS[n].geometry]


def test_geojson_is_where_the_plan_is(exported):
    for name in spatial(exported):
        plan = gpd.read_file(exported / "plan.gpkg", layer=name)
        there = gpd.read_file(exported / "geojson" / f"{name}.geojson")
        assert there.crs.to_epsg() == 4326 and len(there) == len(plan)
        back = there.to_crs(plan.crs)
        for a, b in zip(back.geometry, plan.geometry, strict=True):
            assert a.hausdorff_distance(b) < 0.003
        if plan.empty:
            continue  # without features GeoJSON has no fields
        key = LAYERS[name].key
        assert list(there[key]) == list(plan[key]) == list(there["id"])


def test_heights_of_the_plan_are_the_third_coordinate_and_the_file_says_above_what(with_gaps, tmp_path):
    shutil.copytree(with_gaps, tmp_path / "demo")
    site, exported = geotools.open_site(tmp_path / "demo" / "input" / "site.toml"), tmp_path / "demo" / "out"
    geotools.run_step("export", site, exported, layers="heads beams zones", format="geojson", heights=True)
    assert not (exported / "plan.kml").exists() and not (exported / "icons").exists()
    for name, with_heights in (("heads", True), ("beams", True), ("zones", False)):
        data = json.loads((exported / "geojson" / f"{name}.geojson").read_text(encoding="utf-8"))
        plan = gpd.read_file(exported / "plan.gpkg", layer=name)
        written = [shapely.geometry.shape(f["geometry"]) for f in data["features"]]
        assert {bool(shapely.has_z(s)) for s in written} == {with_heights}
        assert ("metres above the site's datum (invented, local)" in data["description"]) is with_heights
        if with_heights:
            z = [shapely.get_coordinates(s, include_z=True)[:, 2] for s in (written, plan.geometry.to_numpy())]
            assert np.allclose(*z, rtol=0, atol=0.001)


def test_layers_can_be_chosen(with_gaps, tmp_path):
    shutil.copytree(with_gaps, tmp_path / "demo")
    site, out = geotools.open_site(tmp_path / "demo" / "input" / "site.toml"), tmp_path / "demo" / "out"
    geotools.run_step("export", site, out, layers="zones, heads")
    assert sorted(p.name for p in (out / "geojson").iterdir()) == ["heads.geojson", "zones.geojson"]
    data = json.loads((out / "geojson" / "heads.geojson").read_text(encoding="utf-8"))
    assert {len(f["geometry"]["coordinates"]) for f in data["features"]} == {2} and "datum" not in data["description"]
    assert {f.findtext(f"{KML}name") for f in etree.parse(out / "plan.kml").iter(f"{KML}Folder")} == {"Zones", "Heads"}
    with pytest.raises(StepError, match="no such layer") as told:
        geotools.run_step("export", site, out, layers="zones, profiles", overwrite=True)
    assert "profiles" in str(told.value) and "dead_spots" in str(told.value)


def test_geojson_follows_rfc_7946(exported):
    # RFC 7946: 4, no crs member; 3.1.6, exterior rings counter-clockwise
    for path in (exported / "geojson").iterdir():
        data = json.loads(path.read_text(encoding="utf-8"))
        assert "crs" not in data and data["type"] == "FeatureCollection"
        for feature in data["features"]:
            shape = feature["geometry"]
            polygons = {"Polygon": [shape["coordinates"]], "MultiPolygon": shape["coordinates"]}.get(shape["type"], [])
            for rings in polygons:
                x, y = np.array(rings[0])[:, :2].T
                assert 0.5 * np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0


def test_kml_is_read_by_gdal_with_its_fields(exported):
    layers = set(pyogrio.list_layers(exported / "plan.kml")[:, 0])
    plans = {n: gpd.read_file(exported / "plan.gpkg", layer=n) for n in spatial(exported)}
    # GDAL's older KML driver, alone in pyogrio before 0.12, skips extended data and folders without a placemark
    whole = "LIBKML" in pyogrio.list_drivers()
    assert {LAYERS[n].title for n, plan in plans.items() if whole or len(plan)} <= layers
    heads, plan = gpd.read_file(exported / "plan.kml", layer=HEADS.title), plans["heads"]
    assert list(heads["Name"]) == list(plan["head_id"])
    if whole:
        assert list(heads["height_m"].astype(float)) == pytest.approx(list(plan["height_m"]))
    assert np.allclose(heads.to_crs(plan.crs).distance(plan.set_crs(plan.crs), align=False), 0, atol=0.003)


def test_kml_shows_people_words_and_no_more_figures_than_they_can_use(exported):
    tree = etree.parse(exported / "plan.kml")
    shown = {e.text for e in tree.iter(f"{KML}displayName")}
    assert {"height (m)", "head id", "crawl gap (m)"} <= shown and not any("_" in name for name in shown)
    decimals = [v.text.split(".")[1] for v in tree.iter(f"{KML}value") if v.text and v.text.count(".") == 1]
    assert any(d.isdigit() for d in decimals) and not any(d.isdigit() and len(d) > 3 for d in decimals)


def test_kml_has_the_styles_it_points_to(exported):
    tree = etree.parse(exported / "plan.kml")
    styles = {s.get("id") for s in tree.iter(f"{KML}Style")}
    urls = [u.text for u in tree.iter(f"{KML}styleUrl")]
    assert urls and {u[1:] for u in urls} <= styles
    # nothing is fetched from elsewhere by a viewer: icons lie beside the document
    icons = [e.text for e in tree.iter(f"{KML}href")]
    assert icons and all((exported / icon).is_file() and icon.startswith("icons/") for icon in icons)
    assert {f"icons/{p.name}" for p in (exported / "icons").iterdir()} == set(icons)


def test_icons_are_the_symbols_of_the_layer(exported):
    for number, middle in ((1, "#d55e00"), (2, "#56b4e9")):
        # the colours that the layer's style gives transmitters and receivers
        assert HEADS.style.categories[number - 1].symbol.fill_colour == middle
        with Image.open(exported / "icons" / f"heads-{number}.png") as icon:
            assert icon.size == (64, 64) and icon.getpixel((0, 0))[3] == 0
            assert "#{:02x}{:02x}{:02x}".format(*icon.getpixel((32, 32))[:3]) == middle


def test_heads_stand_at_their_height_above_the_viewers_ground(exported):
    plan = gpd.read_file(exported / "plan.gpkg", layer="heads")
    tree = etree.parse(exported / "plan.kml")
    folder = next(f for f in tree.iter(f"{KML}Folder") if f.findtext(f"{KML}name") == HEADS.title)
    points = list(folder.iter(f"{KML}Point"))
    assert {p.findtext(f"{KML}altitudeMode") for p in points} == {"relativeToGround"}
    heights = [float(p.findtext(f"{KML}coordinates").split(",")[2]) for p in points]
    assert heights == pytest.approx(list(plan["height_m"]), abs=0.0005)


def test_no_file_is_replaced_unasked(exported):
    site = geotools.open_site(exported.parent / "input" / "site.toml")
    with pytest.raises(OutputError):
        geotools.run_step("export", site, exported)
