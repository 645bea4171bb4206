"""The window step on the demonstration: a lane along the south side, a footpath along the east side, a tree."""

from __future__ import annotations

import json
import shutil

import geopandas as gpd
import pytest
import rasterio

import geotools
from geotools.errors import StepError
from tests.shared import made_once


def layer(out, name):
    return gpd.read_file(out / "plan.gpkg", layer=name)


@pytest.fixture(scope="module")
def windows(with_gaps, tmp_path_factory):
    """Folder with input and a plan after window; copy before changing."""

    def make(folder):
        shutil.copytree(with_gaps, folder, dirs_exist_ok=True)
        site = geotools.open_site(folder / "input" / "site.toml")
        outcome = geotools.run_step("window", site, folder / "out", openings=False)
        (folder / "said.json").write_text(json.dumps([outcome.summary, outcome.warnings]))

    return made_once(tmp_path_factory, "with_windows", make)


def test_the_weakest_that_must_alarm_is_what_gaps_found(windows):
    crossings, rows = layer(windows / "out", "crossings"), layer(windows / "out", "operating_windows")
    assert set(rows["zone_id"]) == set(crossings["zone_id"])
    for row in rows.itertuples():
        mine = crossings[crossings["zone_id"] == row.zone_id]
        assert row.must == mine["modulation"].min()
        assert row.must_low == mine["modulation_95"].min() <= row.must
        assert row.must_threat == mine.loc[mine["modulation"].idxmin(), "threat"]


def test_a_zone_with_dead_spots_has_no_threshold_and_says_what_comes_first(windows):
    rows = layer(windows / "out", "operating_windows").set_index("zone_id")
    spots = layer(windows / "out", "dead_spots")
    summary, warnings = json.loads((windows / "said.json").read_text())
    assert summary["empty"]
    for zone_id in summary["empty"]:
        assert zone_id in set(spots["zone_id"])
        assert rows.loc[zone_id, "opens_by"].startswith("close its dead spots first")
        assert any(f"{zone_id}: empty window" in text for text in warnings)


def test_a_lorry_is_what_the_zones_along_the_lane_meet_most_of(windows):
    rows = layer(windows / "out", "set_off")
    lane = rows[rows["feature"] == "lane"].sort_values("modulation", ascending=False)
    assert len(lane) and set(lane.groupby("zone_id")["mover"].first()) == {"lorry"}
    strongest = lane.iloc[0]
    beam = layer(windows / "out", "beams").set_index("beam_id").geometry[strongest["beam_id"]]
    # flat enough that the mirror point lies about midway between the heads
    assert strongest["chainage_m"] == pytest.approx(beam.length / 2, abs=5.0)
    assert strongest["modulation"] < strongest["modulation_high"]


def test_features_set_off_the_zones_beside_them_alone(windows):
    rows = layer(windows / "out", "set_off")
    assert set(rows["feature"]) <= {"lane", "footpath", "birch"}
    for row in rows.itertuples():
        expected = "yes" if row.modulation >= 0.2 else "possibly" if row.modulation_high >= 0.2 else "no"
        assert row.sets_off == expected
        assert (row.from_m == row.from_m) == (row.sets_off == "yes")
        assert row.geometry.length == pytest.approx(abs(row.offset_m), abs=0.01)


def test_a_lorry_reaches_farther_than_a_car_and_a_car_farther_than_a_person(windows):
    reach = layer(windows / "out", "nuisance_reach").pivot(index="zone_id", columns="mover", values="outside_m")
    assert (reach["lorry"] > reach["car"]).all()
    assert (reach["car"] > reach["person outside"]).all()


def test_areas_of_reach_hold_the_ground_to_the_distance_stated(windows):
    beams = layer(windows / "out", "beams").drop_duplicates("zone_id").set_index("zone_id").geometry
    for row in layer(windows / "out", "nuisance_reach").itertuples():
        line = beams[row.zone_id]
        far = line.hausdorff_distance(row.geometry.union(line))
        assert far == pytest.approx(max(row.outside_m, row.inside_m), abs=0.06)


def test_the_raster_has_a_band_for_each_mover(windows):
    with rasterio.open(windows / "out" / "nuisance.tif") as raster:
        names = [words.removeprefix("largest modulation of ") for words in raster.descriptions]
        lorry = raster.read(names.index("lorry") + 1, masked=True)
        animal = raster.read(names.index("small animal") + 1, masked=True)
    reach = layer(windows / "out", "nuisance_reach")
    assert float(lorry.max()) == pytest.approx(reach[reach["mover"] == "lorry"]["largest"].max(), abs=0.1)
    assert (lorry >= animal).mean() > 0.99


def test_crossings_are_needed(laid_out, tmp_path):
    shutil.copytree(laid_out, tmp_path / "demo")
    site = geotools.open_site(tmp_path / "demo" / "input" / "site.toml")
    with pytest.raises(StepError, match="crossings"):
        geotools.run_step("window", site, tmp_path / "demo" / "out")
