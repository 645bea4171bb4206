"""The page of a batch as an office sees it: at a desk and on a phone, sites far apart and close together."""

from __future__ import annotations

import re
import shutil
import stat
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely import LineString

from geotools.cli.batch.maps import _worst
from geotools.cli.batch.page import write_page
from geotools.plan.schema.style import VERDICT_COLOURS
from tests.in_browser import WIDTHS, opened

NEAR = {"alpha": (9.0, 48.8), "beta": (9.002, 48.8)}
FAR = {"alpha": (9.0, 48.8), "beta": (-123.0, 44.0), "gamma": (-96.0, 30.6)}


def rows(sites, problem=None):
    """Of the table of outcomes."""
    said = {"state": "done", "detected_m": 490.9, "unproven_m": 134.7, "undetected_m": 14.5, "no_beam_m": 0.0}
    said |= {"warnings": 10, "worst_place": "undetected, prone in F01-Z003: 8.5 m from 227.7 m along F01"}
    return [{"site": name, **said, "problem": problem} for name in sites]


def page(folder: Path, sites, **more) -> Path:
    """The page of sites whose fences lie at longitudes and latitudes."""
    lines = [LineString([(x, y), (x + 0.001, y), (x + 0.001, y + 0.001)]) for x, y in sites.values()]
    frame = gpd.GeoDataFrame({"site": list(sites)}, geometry=lines, crs="EPSG:4326")
    frame.to_file(folder / "batch.gpkg", layer="fence", driver="GPKG")
    said = gpd.GeoDataFrame(
        {"site": list(sites), "threat": "all", "verdict": "undetected"}, geometry=lines, crs="EPSG:4326"
    )
    gpd.GeoDataFrame(pd.concat([said])).to_file(folder / "batch.gpkg", layer="verdicts", driver="GPKG")
    return write_page(folder, rows(sites, **more), folder / "batch.gpkg")


def test_sites_too_far_apart_for_one_map_are_drawn_each_to_its_own_scale_too(tmp_path):
    far, near = tmp_path / "far", tmp_path / "near"
    far.mkdir(), near.mkdir()
    text = page(far, FAR).read_text("utf-8")
    assert "Each site to its own scale" in text and 'alt="Plans of 3 sites: alpha, beta, gamma"' in text
    text = page(near, NEAR).read_text("utf-8")
    assert "Each site" not in text and text.count("<img") == 1


def test_a_column_that_says_nothing_is_left_out_and_the_page_is_private(tmp_path):
    made = page(tmp_path, NEAR)
    assert "<th>problem" not in made.read_text("utf-8")
    assert stat.S_IMODE(made.stat().st_mode) & 0o077 == 0
    assert "cannot be read" in page(tmp_path, NEAR, problem="the raster cannot be read").read_text("utf-8")


@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs a browser")
@pytest.mark.parametrize("width", WIDTHS)
def test_every_figure_of_a_site_is_seen_without_scrolling_sideways(tmp_path, width):
    with opened(page(tmp_path, FAR), width) as browser:
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        cells = browser.execute_script(
            "return [...document.querySelectorAll('tbody td')].map(c => {const b = c.getBoundingClientRect();"
            "return [b.left, b.right, b.height, c.textContent, getComputedStyle(c, '::before').content]})"
        )
        assert all(left >= 0 and right <= width for left, right, *_ in cells)
        # no cell is a column of single words
        assert max(height for _, _, height, *_ in cells) < 100
        if width < 500:
            named = {text: re.sub(r'^"|"$', "", label) for *_, text, label in cells}
            assert named["14.5"].startswith("undetected, m") and named["490.9"].startswith("detected, m")


def test_a_dot_has_the_colour_of_the_worst_that_is_said_of_its_site(tmp_path):
    page(tmp_path, FAR)
    said = gpd.read_file(tmp_path / "batch.gpkg", layer="verdicts")
    said.loc[said.site == "beta", "verdict"] = "detected"
    assert _worst(said, "alpha") == VERDICT_COLOURS["undetected"]
    assert _worst(said, "beta") == VERDICT_COLOURS["detected"]
    assert _worst(None, "beta") == _worst(said, "nobody") == "none"


@pytest.mark.parametrize(("places", "pictures"), [(NEAR, 1), (FAR, 2)])
def test_a_name_that_a_drawing_library_would_take_for_a_formula_is_drawn_as_it_stands(tmp_path, places, pictures):
    """Sites named with dollar signs ended a batch in an unexpected fault."""
    named = dict(zip((r")}@](%$#)]$#", r"$\frac$"), places.values(), strict=False))
    assert page(tmp_path, named).read_text("utf-8").count("<img") == pictures
