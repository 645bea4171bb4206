"""A hole in the terrain under one zone leaves that zone without an answer, and no other."""

import shutil

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
from rasterio.features import geometry_mask

import geotools
from geotools.engine.runner import Job
from geotools.errors import InputError
from geotools.plan.schema import BEAMS
from tests.shared import made_once

HOLE = "F01-Z003"


def dig(site_file, out, zones, share=0.5, radius=3.0):
    """Take the ground away around a place of each zone."""
    with Job(geotools.open_site(site_file), out) as job:
        beams = job.workspace.read(BEAMS).drop_duplicates("zone_id").set_index("zone_id")
    path = site_file.parent / "terrain.tif"
    with rasterio.open(path) as raster:
        heights, profile = raster.read(), raster.profile
    areas = [beams.geometry[zone].interpolate(share, normalized=True).buffer(radius) for zone in zones]
    heights[0][geometry_mask(areas, heights.shape[1:], profile["transform"], invert=True)] = profile["nodata"]
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(heights)


@pytest.fixture(scope="module")
def holed(laid_out, tmp_path_factory):
    """Folder of the demonstration with a hole under one zone, after gaps."""

    def make(folder):
        shutil.copytree(laid_out, folder, dirs_exist_ok=True)
        site_file, out = folder / "input" / "site.toml", folder / "out"
        dig(site_file, out, [HOLE])
        with Job(geotools.open_site(site_file), out, overwrite=True) as job:
            job.run("gaps", uncertainty=False, field="2d")
            (folder / "warnings.txt").write_text("\n".join(job.outcomes[-1].warnings), "utf-8")

    return made_once(tmp_path_factory, "unanswered", make)


def test_the_four_lengths_still_add_up_and_the_zone_is_unproven_for_want_of_ground(holed):
    plan = holed / "out" / "plan.gpkg"
    verdicts, fence = gpd.read_file(plan, layer="verdicts"), gpd.read_file(plan, layer="fence")
    for threat, rows in verdicts.groupby("threat"):
        assert (rows["to_m"] - rows["from_m"]).sum() == pytest.approx(fence["length_m"].sum()), threat
        if threat == "all":
            continue  # the worst of all threats belongs to no zone
        mine = rows[rows["zone_id"] == HOLE]
        assert set(mine["verdict"]) == {"unproven"} and set(mine["cause"]) == {"no_ground"}
        assert mine["settle"].str.contains("surveyed").all()
    assert f"no answer for {HOLE}: the terrain has no data at" in (holed / "warnings.txt").read_text("utf-8")


def test_the_other_zones_are_answered_as_before(holed, with_gaps):
    plans = [folder / "out" / "plan.gpkg" for folder in (with_gaps, holed)]
    lengths = [gpd.read_file(plan, layer="zones").set_index("zone_id")["length_m"] for plan in plans]
    # the layout may set posts otherwise beside the hole
    same = [z for z in lengths[0].index if z != HOLE and abs(lengths[0][z] - lengths[1].get(z, 0)) < 1e-6]
    assert len(same) >= 3
    before, after = (
        rows[rows["zone_id"].isin(same)].set_index("spot_id")
        for rows in (gpd.read_file(plan, layer="dead_spots") for plan in plans)
    )
    assert len(after) > 1 and set(after.index) <= set(before.index)
    assert np.allclose(after["length_m"], before.loc[after.index, "length_m"])
    # nothing is made of the junctions with the zone that is not known
    verdicts = gpd.read_file(plans[1], layer="verdicts")
    silent = verdicts[(verdicts["cause"] == "no_ground") & (verdicts["threat"] == "crawl")]
    beside = silent[silent["zone_id"] != HOLE]
    assert 0 < (beside["to_m"] - beside["from_m"]).sum() < 20
    spots = gpd.read_file(plans[1], layer="dead_spots")
    assert not ((spots["cause"] == "junction") & spots["zone_id"].isin(beside["zone_id"])).any()


def test_later_steps_leave_the_zone_alone_and_say_so(holed, tmp_path):
    shutil.copytree(holed, tmp_path / "hole")
    site, out = geotools.open_site(tmp_path / "hole" / "input" / "site.toml"), tmp_path / "hole" / "out"
    with Job(site, out, overwrite=True) as job:
        for step in ("cameras", "walktest", "stakeout", "report"):
            job.run(step)
    told = {outcome.step: " ".join(outcome.warnings) for outcome in job.outcomes}
    for step in ("cameras", "walktest"):
        assert HOLE in told[step] and "no data" in told[step], step
    zones = set(pyogrio.read_dataframe(out / "plan.gpkg", layer="walk_test")["zone_id"])
    every = set(pyogrio.read_dataframe(out / "plan.gpkg", layer="zones")["zone_id"])
    assert zones == every - {HOLE}
    assert set(pyogrio.read_dataframe(out / "plan.gpkg", layer="stakeout")["zone_id"]) == every


def test_a_site_without_any_answer_is_refused(laid_out, tmp_path):
    shutil.copytree(laid_out, tmp_path / "demo")
    site_file, out = tmp_path / "demo" / "input" / "site.toml", tmp_path / "demo" / "out"
    zones = pyogrio.read_dataframe(out / "plan.gpkg", layer="zones")["zone_id"]
    dig(site_file, out, zones, radius=1.5)
    with Job(geotools.open_site(site_file), out, overwrite=True) as job, pytest.raises(InputError, match="no data"):
        job.run("gaps", uncertainty=False, field="2d")
