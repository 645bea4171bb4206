"""What remedy calls clear stays clear in every later answer: options, applied state, as built."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import pytest

import geotools
from geotools.earthwork.applied import apply_proposal
from tests.evidence.applied import applied_invented, claims_of, move_posts
from tests.evidence.applied_sites import FLAT, SITES, Invented

#: Low heads that serve no zone under 30 m, so that shorter zones clear nothing (UFC 4-021-02NF, 5-4.3.2: 100 ft).
LONG_LOW_HEADS = """
[head_types."24 GHz"]
frequency_ghz = 24.125
beamwidth_az_deg = 3.5
beamwidth_el_deg = 3.5
min_range_m = 30.0
max_range_m = 300.0
"""


def test_dead_length_told_of_a_zone_that_nothing_clears_is_what_stands_there(tmp_path):
    """Nothing is done in such a zone: what it leaves is what it has now, not what some option would leave."""
    # ground so far from the fence keeps its level, so that no part of a zone is graded either
    more = LONG_LOW_HEADS + "[grading]\nkeep_off_fence_m = 10.0\n"
    case = replace(next(site for site in SITES if site.name == "a crest"), more=more)
    found = applied_invented(case, tmp_path)
    options = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="options")
    nothing = options[options.option == "none"]
    assert len(nothing) and not nothing.clear.any()
    assert found.other and not found.broken
    for zone_id, (told, seen) in found.other.items():
        assert told == pytest.approx(seen, abs=1e-3), zone_id


def test_posts_that_somebody_set_off_are_set_back(tmp_path):
    """Neither heights nor earth nor shorter zones close the gap between two strips that do not meet: the line does."""
    case = replace(next(site for site in SITES if site.name == "posts set off by 0.7 m"), more=LONG_LOW_HEADS)
    found = applied_invented(case, tmp_path)
    options = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="options")
    assert "move_line" in set(options.option[options.recommended.astype(bool)]) and "none" not in set(options.option)
    assert len(found.claimed) == found.zones and not found.broken and not found.opened


@pytest.mark.parametrize("sideways_m", [0.5, 0.9])
def test_posts_set_off_on_flat_ground_are_seen_alike_by_every_step(tmp_path, sideways_m):
    """Single heads of 10 GHz; the strips that two zones see at their overlap do not meet."""
    case = Invented(
        "Flat",
        FLAT,
        (((10.0, 20.0), (105.0, 20.0)),),
        size=(120.0, 45.0),
        longest_m=60.0,
        threats=("crawl",),
        more="[upkeep]\nstart = 2027-04-01\n",
    )
    site, out = geotools.open_site(case.write(tmp_path / "site")), tmp_path / "out"
    for step in ("inspect", "layout"):
        geotools.run_step(step, site, out)
    move_posts(site, out, sideways_m)
    # both pairs stand in a null at 0.9 m, which the layout keeps out of
    for name, fields in (("beams", ["tx_height_m", "rx_height_m"]), ("heads", ["height_m"])):
        frame = gpd.read_file(out / "plan.gpkg", layer=name)
        frame[fields] = 0.9
        frame.to_file(out / "plan.gpkg", layer=name, driver="GPKG")
    geotools.run_step("gaps", site, out)
    plan = out / "plan.gpkg"
    spots = gpd.read_file(plan, layer="dead_spots")
    assert (spots.cause == "junction").any() and (spots.modulation < site.detection.threshold).all()

    geotools.run_step("remedy", site, out)
    options, advice = (gpd.read_file(plan, layer=name) for name in ("options", "advice"))
    # no place that gaps calls dead is called covered
    assert set(advice.spot_id) == set(spots.spot_id) and not (advice.action == "nothing_to_do").any()
    assert (advice.dead_before_m > 0).all()

    geotools.run_step("grade", site, out)
    made = apply_proposal(site, out, tmp_path / "proposed")
    geotools.run_step("gaps", geotools.open_site(made.site_file), made.plan.parent)
    found = claims_of("flat", plan, made.plan)
    assert found.claimed and not found.broken and not found.opened
    # posts 0.9 m apart are closed as drawn alone: no pair of heights holds there with heads off by 2 cm, and it says so
    assert len(found.other) == (1 if sideways_m == 0.9 else 0)
    held = options[options.zone_id.isin(found.other) & options.recommended.astype(bool)]
    assert len(held) == len(found.other) and held.reason.str.contains("not within tolerance").all()

    # the heads and the ground as proposed, taken for a survey: the last step says what the applied state says
    geotools.run_step("asbuilt", site, out, survey=tmp_path / "proposed" / "terrain.tif")
    acceptance = gpd.read_file(plan, layer="acceptance").set_index("zone_id")
    for zone_id in found.claimed:
        assert acceptance.detection_ok[zone_id] and acceptance.dead_built_m[zone_id] == 0.0
    clear = options[options.recommended.astype(bool) & options.clear.astype(bool)]
    assert sorted(clear.zone_id) == sorted(found.claimed)

    # what was asked again stands at the heights that the options name
    told = gpd.read_file(plan, layer="proposed_heads").set_index("head_id")
    now = gpd.read_file(made.plan, layer="heads").set_index("head_id").height_m
    assert now.to_dict() == pytest.approx(told.height_m.to_dict())
    moved = clear[clear.option == "set_heads"]
    assert len(moved), "no zone is closed by its heads alone: the test shows nothing"
    for row in moved.itertuples():
        ends = told[(told.zone_id == row.zone_id) & (told.level == row.level)].set_index("role").height_m
        assert ends.to_dict() == pytest.approx({"transmitter": row.tx_height_m, "receiver": row.rx_height_m})
