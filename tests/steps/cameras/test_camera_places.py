"""Where cameras stand: off beams, head posts, fences and what keeps them out; what they leave unseen; locks."""

from __future__ import annotations

import json
import shutil

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geotools
from tests.making import line, write_fence, write_raster
from tests.shared import made_once

RING = ((15.0, 15.0), (85.0, 15.0), (85.0, 85.0), (15.0, 85.0), (15.0, 15.0))


def layer(out, name):
    return gpd.read_file(out / "plan.gpkg", layer=name)


def area(*points):
    return {"type": "Polygon", "coordinates": [line([*points, points[0]])["coordinates"]]}


def write_keep_outs(path, *figures):
    """Areas with fields kind and name."""
    write_fence(path, [geometry for _, _, geometry in figures])
    data = json.loads(path.read_text())
    for feature, (kind, name, _) in zip(data["features"], figures, strict=True):
        feature["properties"] |= {"kind": kind, "name": name}
    path.write_text(json.dumps(data))


@pytest.fixture(scope="module")
def laid(tmp_path_factory):
    """A yard with a gate, laid out for people on foot; copy before changing."""

    def make(folder):
        write_raster(folder / "terrain.tif", np.full((100, 100), 250.0, np.float32))
        write_fence(folder / "fence.geojson", [line(RING)])
        write_fence(folder / "gates.geojson", [line([(45, 15), (51, 15)])])
        (folder / "site.toml").write_text(
            'name = "Yard"\nthreats = ["walk"]\n\n[input]\nfence = "fence.geojson"\nterrain = "terrain.tif"\n'
            'gates = "gates.geojson"\nvertical_accuracy_m = 0.05\n\n[layout]\nsetback_m = 3.0\n'
        )
        site = geotools.open_site(folder / "site.toml")
        for step in ("inspect", "layout"):
            geotools.run_step(step, site, folder / "out")

    return made_once(tmp_path_factory, "camera_yard", make)


@pytest.fixture
def yard(laid, tmp_path):
    shutil.copytree(laid, tmp_path / "yard")
    return tmp_path / "yard" / "site.toml", tmp_path / "yard" / "out"


def change(site_file, old, new):
    text = site_file.read_text()
    assert old in text
    site_file.write_text(text.replace(old, new))
    return geotools.open_site(site_file)


def test_proposed_cameras_stand_off_beams_posts_fence_and_gate(yard):
    site_file, out = yard
    geotools.run_step("cameras", geotools.open_site(site_file), out)
    at = layer(out, "cameras").geometry.force_2d()
    assert len(at) >= 4
    heads, beams, fence = (layer(out, name).geometry.force_2d() for name in ("heads", "beams", "fence"))
    assert at.distance(beams.union_all()).min() >= 1.5 - 1e-6
    assert at.distance(heads.union_all()).min() >= 1.5 - 1e-6
    assert at.distance(fence.union_all()).min() >= 1.5 - 1e-6
    gate = shapely.LineString(line([(45, 15), (51, 15)])["coordinates"])
    assert at.distance(gate).min() >= 2.0 - 1e-6
    assert shapely.covers(layer(out, "clear_ground").geometry[0].buffer(0.01), at).all()


def test_cameras_stand_on_head_posts_where_asked(yard):
    site_file, out = yard
    # so near to the beams and the fence that there is room on the posts alone
    site = change(site_file, "[layout]", "[cameras]\nbeam_clear_m = 9.0\non_head_posts = true\n\n[layout]")
    geotools.run_step("cameras", site, out)
    posts = layer(out, "heads").geometry.force_2d().union_all()
    cameras = layer(out, "cameras")
    assert cameras.geometry.force_2d().distance(posts).max() < 0.1
    assert not (layer(out, "conflicts")["rule"] == "camera without a place").any()


def test_a_zone_without_a_place_for_a_camera_is_named(yard):
    site_file, out = yard
    site = change(site_file, "[layout]", "[cameras]\nbeam_clear_m = 9.0\n\n[layout]")
    geotools.run_step("cameras", site, out)
    conflicts = layer(out, "conflicts")
    named = conflicts[conflicts["rule"] == "camera without a place"]
    assert set(named["zone_id"]) == set(layer(out, "zones")["zone_id"])
    assert named["mend"].str.contains("on_head_posts").all()


def test_the_whole_of_every_zone_is_assessed_by_the_cameras_that_views_list(yard):
    site_file, out = yard
    outcome = geotools.run_step("cameras", geotools.open_site(site_file), out)
    views, cameras = layer(out, "views"), layer(out, "cameras").set_index("camera_id")
    zones = layer(out, "beams").drop_duplicates("zone_id").set_index("zone_id").geometry
    assert outcome.summary["zones_assessed"] == len(zones)
    # by hand over level ground: each metre of a zone lies in the picture of a listed camera, dense enough
    for zone_id, beam in zones.items():
        places = shapely.get_coordinates(shapely.line_interpolate_point(beam, np.arange(0.0, beam.length)))
        seen = np.zeros(len(places), dtype=bool)
        for name in views.loc[views["zone_id"] == zone_id, "camera_id"]:
            row = cameras.loc[name]
            way = places - [row.geometry.x, row.geometry.y]
            far = np.hypot(*way.T)
            aside = (np.degrees(np.arctan2(*way.T)) - row.azimuth_deg + 180) % 360 - 180
            down = np.degrees(np.arctan2(0.15 - row.height_m, far)) - row.tilt_deg
            wide, upright = (np.degrees(np.arctan(size / 2 / row.lens_mm)) for size in (5.6, 3.15))
            dense = 1920 * row.lens_mm / 5.6 / np.hypot(far, row.height_m) >= 62.0
            seen |= (np.abs(aside) <= wide + 0.01) & (np.abs(down) <= upright + 0.01) & dense
        assert (~seen).sum() <= 2


def test_gate_and_posts_are_seen_or_named(yard):
    site_file, out = yard
    geotools.run_step("cameras", geotools.open_site(site_file), out)
    assert not set(layer(out, "conflicts")["rule"]) & {"post not assessed"}
    # one camera that looks along one zone alone leaves the gate and the other zones' posts out
    cameras = layer(out, "cameras")
    north = cameras.geometry.y.idxmax()
    cameras.loc[[north]].to_file(out / "plan.gpkg", layer="cameras", driver="GPKG")
    geotools.run_step("cameras", geotools.open_site(site_file), out, keep=True, overwrite=True)
    conflicts = layer(out, "conflicts").set_index("rule")
    assert "6.0 m of 6.0 m of gate 1 not assessed" in conflicts.loc["gate not assessed", "found"]
    assert len(conflicts.loc[["post not assessed"]]) >= 4


def test_a_building_hides_what_is_behind_it(make_site, tmp_path):
    # a camera 21 m from a beam looks square onto it, a hut 2 m wide 9 to 11 m before it
    site_file = make_site(
        points=((6.0, 50.0), (94.0, 50.0)),
        threats='["walk"]',
        inputs='keep_outs = "objects.geojson"\n',
        toml='[layout]\nside = "left"\nsetback_m = 4.0\n[cameras]\npositions = "cameras.geojson"\n',
    )
    hut = area((49, 64), (51, 64), (51, 66), (49, 66))
    hidden = {}
    for kind in ("building", "road"):
        write_keep_outs(tmp_path / "objects.geojson", (kind, "Hut", hut))
        fields = {"camera_id": ["K1"], "lens_mm": [4.0], "azimuth_deg": [180.0], "tilt_deg": [-11.0], "height_m": [4.0]}
        frame = gpd.GeoDataFrame(fields, geometry=shapely.points([(500_050.0, 5_400_075.0)]), crs="EPSG:32632")
        frame.to_file(tmp_path / "cameras.geojson", driver="GeoJSON")
        site = geotools.open_site(site_file)
        for step in ("inspect", "layout", "cameras"):
            geotools.run_step(step, site, tmp_path / kind)
        hidden[kind] = layer(tmp_path / kind, "views").set_index("camera_id")["hidden_m"]["K1"]
    # the hut's near corners, 9 m from the camera, cast 21 / 9 m to either side of its middle
    assert hidden["building"] == pytest.approx(2 * 21 / 9, abs=1.0)
    assert hidden["road"] == 0.0


def test_no_camera_stands_where_none_may(yard):
    site_file, out = yard
    geotools.run_step("cameras", geotools.open_site(site_file), out)
    before = layer(out, "cameras").geometry.force_2d()
    x, y = before[0].x - 500_000, before[0].y - 5_400_000
    box = area((x - 3, y - 3), (x + 3, y - 3), (x + 3, y + 3), (x - 3, y + 3))
    write_keep_outs(site_file.parent / "objects.geojson", ("no cameras", "Neighbour's window", box))
    site = change(site_file, "[input]", '[input]\nkeep_outs = "objects.geojson"')
    for step in ("layout", "cameras"):
        geotools.run_step(step, site, out, overwrite=True)
    after = layer(out, "cameras").geometry.force_2d()
    barred = shapely.Polygon(box["coordinates"][0])
    assert after.distance(barred).min() >= 1.5 - 1e-6
    # beams and posts do not mind it: the layout stays as it was
    assert layer(out, "changes").query("step == 'layout'").empty


def test_a_given_camera_in_the_gateway_is_named(yard):
    site_file, out = yard
    frame = gpd.GeoDataFrame(
        {"camera_id": ["K1"]}, geometry=shapely.points([(500_048.0, 5_400_015.5)]), crs="EPSG:32632"
    )
    frame.to_file(site_file.parent / "cameras.geojson", driver="GeoJSON")
    site = change(site_file, "[layout]", '[cameras]\npositions = "cameras.geojson"\n\n[layout]')
    geotools.run_step("cameras", site, out)
    conflicts = layer(out, "conflicts").set_index("rule")
    assert conflicts.loc["camera where none may stand", "found"] == "camera K1 stands on gate 1"


def test_a_locked_camera_stays_and_the_others_are_proposed_anew(yard):
    site_file, out = yard
    geotools.run_step("cameras", geotools.open_site(site_file), out)
    cameras = layer(out, "cameras")
    first, second = cameras["camera_id"][:2]
    moved = shapely.transform(cameras.geometry.to_numpy(), lambda xyz: xyz + np.array([0.3, 0.3, 0.0]), include_z=True)
    cameras = cameras.set_geometry(gpd.GeoSeries(moved, crs=cameras.crs))
    cameras["locked"] = cameras["camera_id"] == first
    cameras.to_file(out / "plan.gpkg", layer="cameras", driver="GPKG")
    geotools.run_step("cameras", geotools.open_site(site_file), out, overwrite=True, redesign=True)
    after = layer(out, "cameras").set_index("camera_id")
    held = cameras.set_index("camera_id")
    assert after.geometry[first].distance(held.geometry[first]) < 1e-6
    assert after.loc[first, "locked"]
    changes = layer(out, "changes").set_index("subject_id")
    assert first not in changes.index
    assert changes.loc[second, "change"] == "moved"
    assert after.geometry[second].distance(held.geometry[second]) > 0.2
