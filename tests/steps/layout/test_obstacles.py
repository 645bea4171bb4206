"""Where nothing may stand: gateways, carriageways; what stops a layout is named."""

from __future__ import annotations

import json

import geopandas as gpd
import pytest
import shapely

import geotools
from geotools.errors import InfeasibleError
from tests.making import line, write_fence

RING = ((15.0, 15.0), (85.0, 15.0), (85.0, 85.0), (15.0, 85.0), (15.0, 15.0))
TOML = "[layout]\nsetback_m = 4.0\n"


def area(*points):
    ring = line([*points, points[0]])["coordinates"]
    return {"type": "Polygon", "coordinates": [ring]}


def write_keep_outs(path, *figures):
    """Areas with fields name and kind."""
    write_fence(path, [geometry for _, _, geometry in figures])
    data = json.loads(path.read_text())
    for feature, (name, kind, _) in zip(data["features"], figures, strict=True):
        feature["properties"] |= {"name": name, "kind": kind}
    path.write_text(json.dumps(data))


def run(site_file, out):
    site = geotools.open_site(site_file)
    geotools.run_step("inspect", site, out)
    geotools.run_step("layout", site, out)
    return [gpd.read_file(out / "plan.gpkg", layer=name) for name in ("heads", "beams", "conflicts")]


def test_no_post_stands_in_a_gateway(make_site, tmp_path):
    site_file = make_site(points=RING, inputs='gates = "gates.geojson"\n', threats='["walk", "crawl"]', toml=TOML)
    write_fence(tmp_path / "gates.geojson", [line([(45, 15), (51, 15)])])
    heads, _, _ = run(site_file, tmp_path / "out")
    x = heads.geometry.x[heads.geometry.y < 5_400_030] - 500_000
    # 2 m on both sides of the opening stay free too
    assert not ((x > 43.0) & (x < 53.0)).any()


ROAD = ("Access road", "road", area((44, 0), (51, 0), (51, 40), (44, 40)))


def test_beams_cross_a_road_and_posts_stand_beside_it(make_site, tmp_path):
    site_file = make_site(points=RING, inputs='keep_outs = "keep.geojson"\n', threats='["walk", "crawl"]', toml=TOML)
    write_keep_outs(tmp_path / "keep.geojson", ROAD)
    heads, beams, _ = run(site_file, tmp_path / "out")
    road = shapely.box(500_044, 5_400_000, 500_051, 5_400_040)
    assert heads.geometry.distance(road).min() >= 0.99
    assert beams.geometry.intersects(road).any()


def test_what_stops_the_layout_is_named(make_site, tmp_path):
    site_file = make_site(points=RING, inputs='keep_outs = "keep.geojson"\n', threats='["walk", "crawl"]', toml=TOML)
    write_keep_outs(tmp_path / "keep.geojson", ("Pump house", "building", ROAD[2]))
    with pytest.raises(InfeasibleError, match=r"building 'Pump house' \(feature 1\)"):
        run(site_file, tmp_path / "out")


def test_a_post_moved_onto_the_road_is_a_conflict_that_names_it(make_site, tmp_path):
    site_file = make_site(points=RING, inputs='keep_outs = "keep.geojson"\n', threats='["walk", "crawl"]', toml=TOML)
    write_keep_outs(tmp_path / "keep.geojson", ROAD)
    out = tmp_path / "out"
    heads, _, _ = run(site_file, out)
    near = heads.geometry.y < 5_400_030
    post = heads[near].assign(d=(heads[near].geometry.x - 500_047).abs()).sort_values("d").iloc[0].post_id
    moved = heads["post_id"] == post
    heads.loc[moved, "geometry"] = [shapely.Point(500_047, p.y, p.z) for p in heads.geometry[moved]]
    heads.to_file(out / "plan.gpkg", layer="heads", driver="GPKG")
    geotools.run_step("layout", geotools.open_site(site_file), out, overwrite=True, keep=True)
    conflicts = gpd.read_file(out / "plan.gpkg", layer="conflicts")
    (found,) = conflicts.loc[conflicts["rule"] == "post where none may stand", "found"]
    assert "road 'Access road' (feature 1)" in found


def test_an_unknown_kind_is_refused(make_site, tmp_path):
    site_file = make_site(points=RING, inputs='keep_outs = "keep.geojson"\n', toml=TOML)
    write_keep_outs(tmp_path / "keep.geojson", ("Pond", "puddle", ROAD[2]))
    with pytest.raises(geotools.errors.InputError, match=r"(?s)puddle.*road"):
        run(site_file, tmp_path / "out")
