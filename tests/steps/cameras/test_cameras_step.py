"""The cameras step on whole sites: densities worked out by hand, cameras given, moved and hidden."""

from __future__ import annotations

import json
from contextlib import nullcontext

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geotools
from geotools.errors import InputError, StepError
from tests.making import laid_out_copy, write_raster


def layer(out, name):
    return gpd.read_file(out / "plan.gpkg", layer=name)


@pytest.fixture
def straight(tmp_path_factory, tmp_path):
    """Flat ground, an open fence of 88 m in one or two zones."""
    return laid_out_copy(
        tmp_path_factory,
        tmp_path,
        "cameras_straight",
        points=((6.0, 50.0), (94.0, 50.0)),
        threats='["walk"]',
        toml='[layout]\nside = "left"\nsetback_m = 4.0\nmax_zone_m = 60.0\n',
    )


def put_cameras(folder, points, **fields):
    frame = gpd.GeoDataFrame(fields, geometry=shapely.points(points), crs="EPSG:32632")
    frame.to_file(folder / "cameras.geojson", driver="GeoJSON")


def test_demonstration_is_wholly_assessed(plan):
    site_file, out = plan
    outcome = geotools.run_step("cameras", geotools.open_site(site_file), out)
    zones, cameras, views = (layer(out, name) for name in ("zones", "cameras", "views"))
    assert set(cameras["zone_id"]) == set(zones["zone_id"])
    assert outcome.summary["zones_assessed"] == len(zones)
    # said as it is: nothing is left out, and not "less than" something
    assert (views["uncovered_m"] == 0.0).all()
    assert any(note.endswith("assessed at class observe, from end to end") for note in outcome.notes)
    # every density again by hand: 1920 px over 5.6 mm of sensor
    lens = cameras.set_index("camera_id")["lens_mm"]
    for view in views[views["along"] == "yes"].itertuples():
        distance = 1920 * lens[view.camera_id] / 5.6 / view.far_px_per_m
        assert distance == pytest.approx(view.far_m, rel=5e-3)
        assert view.far_px_per_m >= 62.5
        assert view.far_class in {"observe", "recognise", "identify"}


def test_cameras_stand_on_clear_ground_above_it(plan):
    site_file, out = plan
    geotools.run_step("cameras", geotools.open_site(site_file), out)
    cameras, ground = layer(out, "cameras"), layer(out, "clear_ground")
    assert shapely.covers(ground.geometry[0].buffer(0.01), cameras.geometry.force_2d()).all()
    assert np.allclose(cameras.geometry.z - cameras["ground_m"], cameras["height_m"])


def test_a_given_camera_looks_along_the_nearest_zone_and_its_lens_is_judged(straight, settings):
    site_file, out = straight
    zone = layer(out, "beams").iloc[0]
    start = np.array(zone.geometry.coords[0])[:2]
    put_cameras(site_file.parent, [start], camera_id=["K1"], height_m=[5.0], lens_mm=[4.0])
    site = settings(site_file, '[cameras]\npositions = "cameras.geojson"\n')
    geotools.run_step("cameras", site, out)
    (camera,) = layer(out, "cameras").itertuples()
    assert (camera.camera_id, camera.zone_id, camera.source, camera.lens_mm) == ("K1", zone.zone_id, "given", 4.0)
    # 62.5 px/m at the straight distance to a person's middle: the lens by hand
    far = np.hypot(zone.length_m, 5.0 - 0.9)
    assert camera.lens_needed_mm == pytest.approx(62.5 * 5.6 * far / 1920, rel=1e-3)
    assert camera.longest_zone_m == pytest.approx(1920 * 4.0 / 5.6 / 62.5, rel=1e-3)
    conflicts = layer(out, "conflicts")
    named = conflicts[(conflicts["rule"] == "zone not assessed in full") & (conflicts["zone_id"] == zone.zone_id)]
    assert "a lens of" in named.iloc[0]["mend"]


def test_a_bank_hides_what_is_behind_it(make_site, tmp_path):
    ground = np.full((100, 100), 250.0, np.float32)
    ground[:, 60:63] = 252.5
    site_file = make_site(
        heights=ground,
        points=((6.0, 50.0), (94.0, 50.0)),
        threats='["walk"]',
        toml='[layout]\nside = "left"\nsetback_m = 4.0\ndead_ground_m = 0.0\n'
        '[cameras]\npositions = "cameras.geojson"\nheight_m = 4.0\n',
    )
    put_cameras(site_file.parent, [(500_007.0, 5_400_054.0)], camera_id=["K1"])
    site = geotools.open_site(site_file)
    for step in ("inspect", "layout", "cameras"):
        geotools.run_step(step, site, tmp_path / "out")
    hidden = layer(tmp_path / "out", "views").set_index("camera_id")["hidden_m"]
    # one zone of 88 m. The bank 53 to 56 m from the camera is 1.5 m below it: behind it the sight line comes down to
    # 0.3 m at 56 x 3.7 / 1.5 = 138 m, beyond the far end at 94 - 7 m
    assert len(layer(tmp_path / "out", "zones")) == 1
    assert hidden["K1"] == pytest.approx(94 - 63, abs=3)


def test_cameras_moved_by_hand_stay(straight):
    site_file, out = straight
    site = geotools.open_site(site_file)
    geotools.run_step("cameras", site, out)
    cameras = layer(out, "cameras")
    cameras.loc[0, "geometry"] = shapely.force_3d(
        shapely.Point(cameras.geometry[0].x, cameras.geometry[0].y + 0.7), 254.5
    )
    cameras.loc[0, "lens_mm"] = 6.0
    cameras.to_file(out / "plan.gpkg", layer="cameras", driver="GPKG")
    geotools.run_step("cameras", site, out, overwrite=True, keep=True)
    again = layer(out, "cameras").set_index("camera_id")
    name = cameras["camera_id"][0]
    assert again.loc[name, "lens_mm"] == 6.0
    assert again.geometry[name].y == pytest.approx(cameras.geometry[0].y)
    assert again.loc[name, "azimuth_deg"] == pytest.approx(cameras["azimuth_deg"][0])


def test_refusals(straight, settings):
    site_file, out = straight
    with pytest.raises(StepError, match="no cameras to keep"):
        geotools.run_step("cameras", geotools.open_site(site_file), out, keep=True)
    put_cameras(site_file.parent, [(500_010.0, 5_400_054.0)] * 2, camera_id=["K1", "K1"])
    site = settings(site_file, '[cameras]\npositions = "cameras.geojson"\n')
    with pytest.raises(InputError, match="one name"):
        geotools.run_step("cameras", site, out)
    (site_file.parent / "cameras.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": []}))
    with pytest.raises(InputError, match="no features"):
        geotools.run_step("cameras", site, out)


def test_a_hole_in_the_terrain_under_a_zone_is_named(make_site, tmp_path):
    site = geotools.open_site(make_site())
    geotools.run_step("inspect", site, tmp_path / "out")
    geotools.run_step("layout", site, tmp_path / "out")
    beams = layer(tmp_path / "out", "beams").drop_duplicates("zone_id")
    # one that runs east or west
    zone_id, beam = next(
        (name, line) for name, line in zip(beams["zone_id"], beams.geometry, strict=True) if np.ptp(line.xy[1]) < 0.1
    )
    x, y = shapely.get_coordinates(beam.interpolate(0.5, normalized=True))[0]
    heights = np.full((100, 100), 250.0, np.float32)
    # 1.3 m beside the line, which has its level itself
    beside, rows_above = heights.copy(), round(5_400_100 - y)
    beside[rows_above - 1, int(x - 500_000)] = -9999.0
    write_raster(tmp_path / "terrain.tif", beside, top=y + 0.8 + rows_above)
    outcome = geotools.run_step("cameras", site, tmp_path / "out")
    assert not [text for text in outcome.warnings if "no data" in text]
    views = layer(tmp_path / "out", "views")
    assert (views["zone_id"] == zone_id).any()
    heights[int(5_400_100 - y) - 1 : int(5_400_100 - y) + 2, int(x - 500_000) - 1 : int(x - 500_000) + 2] = -9999.0
    write_raster(tmp_path / "terrain.tif", heights)
    outcome = geotools.run_step("cameras", site, tmp_path / "out", overwrite=True)
    assert any(f"{zone_id}: the terrain has no data there" in text for text in outcome.warnings)
    assert zone_id not in set(layer(tmp_path / "out", "cameras")["zone_id"])


@pytest.mark.parametrize(
    ("told", "words"),
    [
        ({"camera_id": []}, "camera's name"),
        ({"camera_id": ["a", "b"]}, "camera's name"),
        ({"camera_id": "a\x1b[2J"}, "camera's name"),
        ({"zone_id": {}}, None),
    ],
)
def test_fields_of_another_kind_raise_no_fault(straight, settings, told, words):
    site_file, out = straight
    at = {"type": "Point", "coordinates": [500_010.0, 5_400_054.0]}
    system = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
    feature = {"type": "Feature", "properties": told, "geometry": at}
    data = {"type": "FeatureCollection", "crs": system, "features": [feature]}
    (site_file.parent / "cameras.geojson").write_text(json.dumps(data))
    site = settings(site_file, '[cameras]\npositions = "cameras.geojson"\n')
    with pytest.raises(InputError, match=words) if words else nullcontext():
        geotools.run_step("cameras", site, out)
