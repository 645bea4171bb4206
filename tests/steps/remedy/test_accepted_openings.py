"""A window that the user has opened by the remedy: one design from the options to the bill, the papers and a re-run."""

from __future__ import annotations

import json
import math

import geopandas as gpd
import pytest

import geotools
from geotools.detection.openings import Opening
from geotools.detection.operating import OperatingWindow, WeakestCrossing
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.applied import apply_proposal
from geotools.errors import SiteError
from geotools.steps.remedy.windows import _refused, accepted_zones
from tests.invented_ground import MAIN, RULES, Formula, zone
from tests.making import line

#: A straight fence with a road close by: a lorry there is stronger than the weakest crawler on level ground.
TOML = """[layout]
side = "left"
setback_m = 2.2
[detection]
spacing_m = 1.0
[prices]
nuisance_m = 0.0
post = 1500.0
"""


def layer(plan, name):
    return gpd.read_file(plan / "plan.gpkg", layer=name)


def test_an_opening_accepted_is_in_options_bill_papers_and_the_state_that_is_run_again(make_site, tmp_path):
    road = {"type": "Feature", "properties": {"name": "road", "mover": "lorry"}}
    road["geometry"] = line([(0.0, 49.4), (100.0, 49.4)])
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
    (tmp_path / "road.geojson").write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": [road]}))
    inputs = 'vertical_accuracy_m = 0.05\nmovers = "road.geojson"\n'
    site = geotools.open_site(make_site(points=[(20.0, 50.0), (80.0, 50.0)], inputs=inputs, toml=TOML))
    out = tmp_path / "out"
    for step in ("inspect", "layout"):
        geotools.run_step(step, site, out)
    geotools.run_step("gaps", site, out, uncertainty=False)
    assert layer(out, "dead_spots").empty
    geotools.run_step("remedy", site, out, windows="all")
    geotools.run_step("window", site, out, openings=False)
    before = layer(out, "operating_windows").iloc[0]
    assert before["state"] == "empty" and before["must_not_mover"] == "lorry"
    assert before["proposed"] == "move line for its window"

    (option,) = layer(out, "options").to_dict("records")
    assert (option["serves"], option["option"]) == ("window", "move_line")
    assert option["recommended"] and option["clear"] and option["dead_after_m"] == 0.0
    heads = layer(out, "proposed_heads")
    assert set(heads["change"]) == {"moved"}
    # two posts and every head on them
    assert option["cost"] == 2 * 1500.0 + len(heads) * 120.0
    geotools.run_step("bill", site, out)
    bill = layer(out, "bill")
    assert bill[bill["section"] == "remedy"]["amount"].sum() == pytest.approx(option["cost"])
    geotools.run_step("stakeout", site, out)
    posts = layer(out, "stakeout")
    beam = layer(out, "beams").geometry.iloc[0]
    moved = heads.geometry.iloc[0].distance(beam)
    assert moved > 0.4 and posts.geometry.distance(beam).max() == pytest.approx(moved, abs=0.01)

    made = apply_proposal(site, out, tmp_path / "proposed")
    proposed, plan = geotools.open_site(made.site_file), made.plan.parent
    geotools.run_step("gaps", proposed, plan, uncertainty=False)
    geotools.run_step("window", proposed, plan, openings=False)
    after = layer(plan, "operating_windows").iloc[0]
    assert layer(plan, "dead_spots").empty
    assert after["state"] != "empty"
    assert f"must not alarm {after['must_not']:.2f}, must alarm {after['must']:.2f}" in option["reason"]
    assert f"to {after['width_db']:+.1f} dB" in option["reason"]


def test_a_zone_that_the_plan_does_not_have_is_named():
    perimeter = Perimeter([zone("Z1"), zone("Z2", start=100.0)], Formula(lambda x, y: 100.0), RULES)
    assert accepted_zones("all", perimeter) == ["Z1", "Z2"]
    assert accepted_zones(" Z2 ,", perimeter) == ["Z2"]
    with pytest.raises(SiteError, match="is not in the plan") as refused:
        accepted_zones("Z1, Z7", perimeter)
    assert "Z7" in str(refused.value) and "all, or some of: Z1, Z2" in str(refused.value)


def _opening(option, zones, beside=()):
    window = OperatingWindow("Z1", WeakestCrossing("crawl", 0.5, math.nan), (), 0.2)
    return Opening(option, "do it", tuple(zones), 100.0, (window,), beside=tuple(beside))


def test_what_cannot_be_proposed_says_why():
    near = zone("Z2", start=100.0, pairs=[MAIN])
    moved = _opening("move_row", [zone()], [near])
    assert _refused(moved, "Z1", (), {}) == ""
    assert "changes no head" in _refused(_opening("keep_away", []), "Z1", (), {})
    assert "Z2 would be moved too" in _refused(moved, "Z1", ("Z2",), {})
