"""Exported files through other readers: GDAL for GeoJSON and KML, positions back in the plan's system."""

import json
import shutil

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from lxml import etree

import geotools
from geotools.errors import OutputError
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
        assert list(there[key]) == list(plan[key])


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
    # the transmitter's own colour, #d55e00 of the layer's style, written as alpha blue green red
    style = HEADS.style.categories[0].symbol.fill_colour
    assert style == "#d55e00"
    assert any(c.text == "ff005ed5" for c in tree.iter(f"{KML}color"))
    # nothing is fetched from elsewhere by a viewer
    assert not list(tree.iter(f"{KML}href"))


def test_no_file_is_replaced_unasked(exported):
    site = geotools.open_site(exported.parent / "input" / "site.toml")
    with pytest.raises(OutputError):
        geotools.run_step("export", site, exported)
