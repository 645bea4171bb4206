"""The step on the demonstration site: what it writes, twice the same, by both methods."""

import re

import geopandas as gpd
import numpy as np
import pytest
import rasterio

from geotools.cli.demo import place_demo_input
from geotools.engine.runner import Job, run_site
from geotools.errors import InputError
from geotools.site import open_site


@pytest.fixture(scope="module")
def wave(with_gaps):
    return with_gaps / "out"


def layer(folder, name):
    return gpd.read_file(folder / "plan.gpkg", layer=name)


def test_the_ditch_lets_a_crawler_through_and_the_swales_a_prone_one(wave):
    spots = layer(wave, "dead_spots")
    assert set(spots.method) == {"wave"}
    assert set(spots.threat) == {"crawl", "prone"}
    assert {"dip", "shadow"} <= set(spots.cause)
    prone = spots[spots.threat == "prone"]
    assert (prone.modulation < 0.20).all()
    assert prone.crawl_gap_m.min() > 0.25
    crawl = spots[spots.threat == "crawl"]
    assert len(crawl) == 1
    assert prone.geometry.intersects(crawl.geometry.iloc[0]).any()


def test_every_zone_and_threat_has_its_weakest_crossing_from_outside_to_inside(wave):
    crossings, zones, fence = (layer(wave, name) for name in ("crossings", "zones", "fence"))
    assert len(crossings) == 3 * len(zones)
    from shapely import Polygon

    yard = Polygon(fence.geometry.iloc[0])
    assert yard.contains(crossings.geometry).all()
    start, end = (crossings.geometry.interpolate(share, normalized=True) for share in (0.0, 1.0))
    boundary = yard.exterior
    assert (start.distance(boundary) < end.distance(boundary)).mean() > 0.9
    weakest = crossings[crossings.threat == "crawl"].set_index("zone_id").modulation
    assert crossings[(crossings.threat == "crawl") & crossings.site_weakest].zone_id.tolist() == [weakest.idxmin()]
    # each spot's own figure is that of its zone's weakest crossing, or larger where the zone has several
    spots = layer(wave, "dead_spots")
    for row in spots[spots.threat == "crawl"].itertuples():
        assert row.modulation == pytest.approx(weakest[row.zone_id])


def test_rasters_are_cloud_optimised_and_agree_with_the_spots(wave):
    spots = layer(wave, "dead_spots")
    with rasterio.open(wave / "crawl_gap.tif") as raster:
        assert raster.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert raster.crs.to_epsg() == 32632
        assert raster.units == ("m", "m")
        gap, floor = raster.read()
        for row in spots.itertuples():
            x, y = row.geometry.representative_point().coords[0]
            at = raster.index(x, y)
            assert gap[at] > 0.2
        seen = np.isfinite(gap)
        assert 2000 < seen.sum() * 0.25 < 2600
        assert np.nanmin(gap) >= 0.0
        assert np.nanmax(gap) <= 3.0
        assert floor[seen].min() > 310.0
    with rasterio.open(wave / "corridor.tif") as raster:
        assert raster.descriptions == tuple(f"best modulation: {t}" for t in ("walk", "crawl", "prone"))


def test_running_again_gives_the_same(wave, tmp_path):
    site = open_site(place_demo_input(tmp_path, overwrite=False))
    run_site(site, tmp_path, steps=["inspect", "layout", "gaps"])
    for name in ("dead_spots", "crossings"):
        again, first = layer(tmp_path, name), layer(wave, name)
        assert (again.geometry.to_wkb() == first.geometry.to_wkb()).all()
        assert again.drop(columns="geometry").equals(first.drop(columns="geometry"))
    for name in ("crawl_gap.tif", "corridor.tif"):
        with rasterio.open(tmp_path / name) as a, rasterio.open(wave / name) as b:
            assert np.array_equal(a.read(), b.read(), equal_nan=True)


def test_straightness_stands_alone(wave, plan):
    site, tmp_path = plan
    with Job(open_site(site), tmp_path) as job:
        outcome = job.run("gaps", method="straightness")
    spots = layer(tmp_path, "dead_spots")
    assert set(spots.method) == {"straightness"}
    assert spots.crawl_gap_m.isna().all()
    assert spots.modulation.isna().all()
    assert len(layer(tmp_path, "crossings")) == 0
    assert outcome.summary["method"] == "straightness"
    # the 0.35 m swale is found by the straight-edge check too
    assert spots[spots.threat == "prone"].intersects(layer(wave, "dead_spots").union_all()).any()
    assert (tmp_path / "straightness.tif").exists()


def test_every_spot_says_how_certain_it_is(wave):
    spots, points = layer(wave, "dead_spots"), layer(wave, "resurvey")
    assert set(spots.certainty) <= {"certain", "likely", "cannot_tell"}
    assert spots.probability.between(0, 1).all()
    doubtful = set(spots[spots.probability.between(0.05, 0.95, inclusive="neither")].spot_id)
    assert set(points.spot_id.dropna()) <= doubtful
    zones = layer(wave, "zones").set_index("zone_id")
    for row in points.itertuples():
        assert zones.geometry[row.zone_id].distance(row.geometry) < 0.01


def test_check_points_replace_the_stated_accuracy(tmp_path):
    path = place_demo_input(tmp_path, overwrite=False)
    with rasterio.open(path.with_name("terrain.tif")) as raster:
        rows, columns = np.mgrid[20:380:18, 20:500:18]
        heights = raster.read(1)[rows, columns].ravel()
        x, y = rasterio.transform.xy(raster.transform, rows.ravel(), columns.ravel())
    noise = np.random.default_rng(2).normal(0.0, 0.03, heights.size)
    lines = [f"{a:.3f},{b:.3f},{c:.3f}" for a, b, c in zip(x, y, heights - 0.05 + noise, strict=True)]
    path.with_name("checks.csv").write_text("x,y,z\n" + "\n".join(lines) + "\n")
    path.write_text(path.read_text() + '\n[survey]\ncheck_points = "checks.csv"\ndraws = 8\n')
    outcomes = run_site(open_site(path), tmp_path, steps=["inspect", "layout", "gaps"])
    said = " ".join(outcomes[-1].notes)
    bias, rmse = (float(found) for found in re.search(r"model ([+-][\d.]+) cm off.*RMSEz ([\d.]+) cm", said).groups())
    assert bias == pytest.approx(5.0, abs=0.3)
    assert rmse == pytest.approx(np.hypot(5.0, 3.0), abs=0.4)


def test_beam_levels_tell_the_way_out_of_a_null_and_the_loss_in_rain(wave):
    levels = layer(wave, "beam_levels")
    assert (levels.in_null == (levels.standing_level_db < -10.0)).all()
    escaped = levels[levels.clear_level_db.notna()]
    assert (escaped.in_null & (escaped.clear_level_db >= -7.0)).all()
    fade = levels.set_index("beam_id").rain_fade_db
    assert fade["F01-Z001-low"] > 3 * fade["F01-Z001-main"] > 0


def _edited(folder, tmp_path, name, change):
    """A copy of the plan with one layer changed as a person in a GIS would."""
    import shutil

    out = tmp_path / "edited"
    shutil.copytree(folder, out)
    frame = layer(out, name)
    change(frame)
    frame.to_file(out / "plan.gpkg", layer=name, driver="GPKG")
    return out


def test_edited_heights_of_beams_count(wave, tmp_path):
    def lower(beams):
        beams.loc[beams.level == "main", ["tx_height_m", "rx_height_m"]] = 0.6

    out = _edited(wave, tmp_path, "beams", lower)
    run_site(open_site(wave.parent / "input" / "site.toml"), out, steps=["gaps"], overwrite=True)
    before, after = layer(wave, "beam_levels"), layer(out, "beam_levels")
    assert (before.standing_level_db != after.standing_level_db).sum() == len(before) / 2


def test_a_head_below_ground_is_refused_by_name_and_the_plan_stays(wave, tmp_path):
    def sink(beams):
        beams.loc[beams.beam_id == "F01-Z002-main", "tx_height_m"] = -0.4

    out = _edited(wave, tmp_path, "beams", sink)
    spots = layer(out, "dead_spots")
    with pytest.raises(InputError, match="F01-Z002-TX-main"):
        run_site(open_site(wave.parent / "input" / "site.toml"), out, steps=["gaps"], overwrite=True)
    assert layer(out, "dead_spots").equals(spots)


def test_bridging_is_seen_by_a_head_at_the_fences_top_and_has_no_crawl_gap(tmp_path):
    path = place_demo_input(tmp_path, overwrite=False)
    over = 'threats = ["walk", "bridge"]'
    text = path.read_text().replace('threats = ["walk", "crawl", "prone"]', over)
    text = text.replace("fence_height_m = 2.4\n", "fence_height_m = 2.44\n")
    path.write_text(text + "\n[survey]\ndraws = 0\n")
    (low := tmp_path / "low").mkdir()
    run_site(open_site(path), tmp_path, steps=["inspect", "layout", "gaps"])
    crossings = layer(tmp_path, "crossings")
    over = crossings[crossings.threat == "bridge"].set_index("zone_id").outcome
    # where the ground lies far out of straight, a head at the fence's top does not do for all of the way: over a dozen
    # metres of one zone, and over the last one before the receiver of another
    assert (over.drop(["F01-Z003", "F01-Z005"]) == "detected").all()
    spots = layer(tmp_path, "dead_spots")
    assert set(spots[spots.threat == "bridge"].cause) <= {"shadow", "dip"}
    stack = '[[stack]]\nlevel = "main"\nhead_type = "10 GHz"\nheight_m = 0.91\nmin_height_m = 0.5\n'
    path.write_text(path.read_text() + "\n" + stack)
    *_, gaps = run_site(open_site(path), low, steps=["inspect", "layout", "gaps"])
    (said,) = (note for note in gaps.notes if "bridge: 0.50 m high" in note)
    assert "underside 2.44 m up" in said and "some pass, see the warning" in said
    spots = layer(low, "dead_spots")
    bridge = spots[spots.threat == "bridge"]
    assert bridge.length_m.sum() > 300
    assert bridge.crawl_gap_m.isna().all()
    assert set(bridge.cause) <= {"range", "near_head", "corner"}


def test_dead_length_is_the_same_by_the_graph_of_all_zones_and_by_each_zone_alone(wave):
    # on this site no way winds through a neighbour's strip, so that two searches that share no code must agree
    moved = layer(wave, "sensitivity")
    alone = moved[moved.change == "as set"].set_index(["zone_id", "threat"]).dead_m
    together = layer(wave, "dead_spots").groupby(["zone_id", "threat"]).length_m.sum().reindex(alone.index).fillna(0)
    assert np.abs(alone - together).max() < 0.01


def test_profiles_follow_each_zone_and_open_where_it_is_dead(wave):
    profiles, zones, spots = layer(wave, "profiles"), layer(wave, "zones"), layer(wave, "dead_spots")
    ends = profiles.groupby("zone_id").chainage_m.agg(["min", "max"])
    assert (ends["min"] == 0).all()
    assert ends["max"].to_numpy() == pytest.approx(zones.set_index("zone_id").length_m[ends.index].to_numpy())
    # a straight crossing inside a dead spot has more room than the threat is tall (winding ones may need less)
    for spot in spots[(spots.threat == "prone") & (spots.cause == "dip")].itertuples():
        along = profiles[profiles.zone_id == spot.zone_id]
        inside = along[(along.chainage_m > spot.from_m + 0.5) & (along.chainage_m < spot.to_m - 0.5)]
        assert inside.crawl_gap_m.max() >= 0.30
        assert inside.crawl_gap_m.max() <= spot.crawl_gap_m + 1e-6
