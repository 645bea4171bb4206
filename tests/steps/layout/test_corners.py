"""Corners and joints against the detection model itself: on level ground only a junction could let somebody through."""

from __future__ import annotations

import geopandas as gpd
import pytest

import geotools
from tests.making import line, write_fence

SQUARE = [(10, 10), (90, 10), (90, 90), (10, 90), (10, 10)]
L_OUTER = [(5, 5), (95, 5), (95, 55), (52, 55), (52, 95), (5, 95), (5, 5)]
L_INNER = [(14, 13), (86, 14), (87, 46), (43, 45), (44, 87), (13, 86), (14, 13)]


def weakest(make_site, folder, fences, toml):
    """Weakest crossing of every threat over the whole site."""
    site_file = make_site(threats='["walk", "crawl", "prone"]', toml=toml)
    write_fence(folder / "fence.geojson", [line(points) for points in fences])
    site, out = geotools.open_site(site_file), folder / "out"
    for step in ("inspect", "layout", "gaps"):
        geotools.run_step(step, site, out)
    crossings = gpd.read_file(out / "plan.gpkg", layer="crossings")
    conflicts = gpd.read_file(out / "plan.gpkg", layer="conflicts")
    return crossings.groupby("threat")["modulation"].min().to_dict(), conflicts


@pytest.mark.parametrize(
    ("fences", "toml"),
    [
        ([SQUARE], '[layout]\nside = "inside"\nsetback_m = 4.0\nmax_zone_m = 50.0\n'),
        ([SQUARE[::-1]], '[layout]\nside = "outside"\nsetback_m = 4.0\n'),
        ([L_OUTER, L_INNER], '[layout]\nside = "between"\n'),
    ],
    ids=["inside", "outside", "double fence"],
)
def test_nobody_passes_a_junction(make_site, tmp_path, fences, toml):
    found, conflicts = weakest(make_site, tmp_path, fences, toml)
    assert "junction open" not in set(conflicts["rule"])
    assert set(found) == {"walk", "crawl", "prone"}
    assert min(found.values()) >= 0.20


def test_a_corner_without_room_is_listed(make_site, tmp_path):
    # 2 m between the fences: no beam can run on past a corner by the dead spot of one main head against a crawler,
    # some metres long
    inner = [(12, 12), (88, 12), (88, 88), (12, 88), (12, 12)]
    site_file = make_site(threats='["walk", "crawl"]', toml='[layout]\nside = "between"\npost_clear_m = 0.5\n')
    write_fence(tmp_path / "fence.geojson", [line(SQUARE), line(inner)])
    site, out = geotools.open_site(site_file), tmp_path / "out"
    for step in ("inspect", "layout", "gaps"):
        geotools.run_step(step, site, out)
    conflicts = gpd.read_file(out / "plan.gpkg", layer="conflicts")
    crossings = gpd.read_file(out / "plan.gpkg", layer="crossings")
    assert crossings.loc[crossings["threat"] == "crawl", "modulation"].min() < 0.20
    listed = conflicts[conflicts["rule"] == "junction open"]
    assert len(listed) == 4
    assert all(len(ids.split()) == 2 for ids in listed["head_ids"])
