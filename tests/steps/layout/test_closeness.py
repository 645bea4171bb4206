"""A layout keeps its beams out of reach of what lives beside the fence where that is worth the price, and says why.

Red where the price is not weighed, the reach is not that of the detection's own field, the side is mistaken, or the
layer says otherwise than the beams stand.
"""

from __future__ import annotations

import json

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, Point

import geotools
from geotools.beam import HEAD_TYPES
from geotools.beam.movers import MOVERS
from geotools.corridor import BeamLine
from geotools.detection.level_ground import level_pair
from geotools.detection.level_reach import level_reach
from geotools.detection.mover_places import Feature
from geotools.steps.layout.closeness import Closeness, habitats_of, living_beside
from geotools.steps.layout.edges import LayoutWeights, ZoneRules
from geotools.steps.layout.kernel import Needs, lay_out
from geotools.steps.layout.standoffs import leaning
from geotools.steps.layout.usable import courses
from tests.making import line, write_fence, write_raster
from tests.shared import made_once

FENCE = LineString([(0, 0), (200, 0)])
ROAD = Feature("road", ("lorry",), LineString([(-50, -1.5), (250, -1.5)]))
STACK = (level_pair("main", HEAD_TYPES["10 GHz"], 0.9),)


@pytest.fixture(scope="module")
def reach():
    return level_reach(STACK, 100.0, {name: MOVERS[name] for name in ("lorry", "person outside", "bird")}, 0.2, 12.0)


@pytest.fixture(scope="module")
def course():
    (one,) = courses({"F": FENCE}, side="left", setback_m=3.0, clear_m=10.0)
    return one


def beside(course, reach, features=(ROAD,)):
    movers = living_beside(MOVERS, features)
    here = habitats_of(course, {name: movers[name] for name in movers if name in reach.high}, features, 0.5, 12.0)
    return Closeness(here, reach, np.array(course.line.segmentize(4.0).coords), 20.0)


def laid(course, near, price):
    rules = ZoneRules(longest_m=100, shortest_m=10, extension_m=4.5, frequency_hz=10.525e9, post_clear_m=1.0)
    rules = ZoneRules(**{**vars(rules), "reached": near})
    needs = Needs(rules, LayoutWeights(nuisance_m=price), 3.0, 10.0, 5.0, 6.0, near.asks_m if near else 0.0)
    zones, _ = lay_out(course, needs)
    return zones


def from_fence(zones):
    return np.mean([(zone.start[1] + zone.end[1]) / 2 for zone in zones])


def test_only_who_must_not_alarm_and_has_a_side_is_kept_away_from():
    names = set(living_beside(MOVERS, [ROAD]))
    assert names == {"person outside", "small animal", "fence fabric", "lorry"}


def test_a_place_is_within_reach_by_the_distance_to_where_the_mover_lives(course, reach):
    """Midway of 100 m: the table's own reach, half a metre for a road off its place; else its own width."""
    near, t, length = beside(course, reach), np.array([0.5]), np.array([100.0])
    far = float(reach.at(reach.joined(["lorry"]), t, length)[0]) + 0.5
    for off, expected in ((far - 0.1, True), (far + 0.1, False)):
        assert near(np.array([100.0]), np.array([off - 1.5]), t, length).tolist() == [expected]
    alone = beside(course, reach, features=())
    person = float(reach.at(reach.joined(["person outside"]), t, length)[0]) - 0.3
    for off, expected in ((person - 0.1, True), (person + 0.1, False)):
        assert alone(np.array([100.0]), np.array([off]), t, length).tolist() == [expected]


def test_a_row_of_beams_stands_farther_in_where_a_road_reaches_it(course, reach):
    near = beside(course, reach)
    usual, moved = laid(course, None, 0.0), laid(course, near, 400.0)
    assert from_fence(usual) == pytest.approx(3.0, abs=0.3)
    assert max(zone.start[1] for zone in moved) > 4.0
    # what it pays for is nothing now: no place of any beam is within reach
    for zone in moved:
        t = np.linspace(0.0, 1.0, 201)
        x, y = (zone.start[k] + t * (zone.end - zone.start)[k] for k in (0, 1))
        assert not near(x, y, t, np.full(t.size, zone.length)).any()


def test_it_stays_where_the_price_of_an_alarm_is_next_to_nothing(course, reach):
    """Moving a metre aside costs half a unit a metre of beam: cheaper alarms are not worth it."""
    assert from_fence(laid(course, beside(course, reach), 0.1)) == pytest.approx(3.0, abs=0.3)


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    def make(folder):
        write_raster(folder / "dtm.tif", np.full((60, 160), 10.0), left=499_980.0, top=5_400_030.0)
        write_fence(folder / "fence.geojson", [line([(10.0, 0.0), (110.0, 0.0)])])
        road = line([(0.0, -2.0), (130.0, -2.0)])
        feature = {"type": "Feature", "properties": {"name": "road", "mover": "lorry"}, "geometry": road}
        crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
        (folder / "movers.geojson").write_text(
            json.dumps({"type": "FeatureCollection", "crs": crs, "features": [feature]})
        )
        (folder / "site.toml").write_text(
            'name = "Line"\nthreats = ["crawl"]\n[input]\nfence = "fence.geojson"\nterrain = "dtm.tif"\n'
            'vertical_accuracy_m = 0.05\nmovers = "movers.geojson"\n[layout]\nside = "left"\nsetback_m = 3.0\n'
        )
        opened = geotools.open_site(folder / "site.toml")
        for step in ("inspect", "layout"):
            geotools.run_step(step, opened, folder / "out")

    return made_once(tmp_path_factory, "site_with_a_road", make)


def test_the_layer_says_why_a_beam_stands_where_it_does(site):
    rows = gpd.read_file(site / "out" / "plan.gpkg", layer="standoffs")
    fence = gpd.read_file(site / "out" / "plan.gpkg", layer="fence").geometry.iloc[0]
    for row in rows.to_dict("records"):
        ends = [Point(at) for at in row["geometry"].coords]
        assert row["fence_m"] == pytest.approx(np.mean([fence.distance(at) for at in ends]), abs=0.05)
        assert row["outside_for"] == "lorry on road"
        assert row["outside_m"] > row["inside_m"]
        assert row["inside_for"].startswith("the beam itself")
        assert row["width_m"] == pytest.approx(row["outside_m"] + row["inside_m"])
        assert row["asked_m"] == 3.0
        assert row["fence_m"] > 3.5 and "would be within reach" in row["why"]
        assert row["out_of_reach"] and row["away_m"] > row["keep_m"] > row["reach_m"]


def test_a_beam_that_leans_is_said_to():
    asked = LineString([(0, 3), (100, 3)])
    assert leaning(asked, BeamLine(0, 3, 100, 3)) == leaning(asked, BeamLine(0, 8, 100, 8)) == []
    # 8 m over 100 m: 0.15 and 0.85 of it
    words = "not along that line: 1.2 m off it near the transmitter, 6.8 m near the receiver"
    assert leaning(asked, BeamLine(0, 3, 100, 11)) == [words]


def test_nothing_is_claimed_that_the_step_window_denies_on_the_same_ground(site, tmp_path):
    """The ground is level: what the layout says is out of reach, the window's own field says does not alarm."""
    import shutil

    out = shutil.copytree(site / "out", tmp_path / "out")
    opened = geotools.open_site(site / "site.toml")
    for step in ("gaps", "window"):
        geotools.run_step(step, opened, out)
    found = gpd.read_file(out / "plan.gpkg", layer="set_off")
    assert len(found) and set(found["sets_off"]) == {"no"}


def test_the_demonstration_weighed_stands_farther_from_its_lane(laid_out, plan):
    """As the page on operating windows says: the same site with a price for what lives beside the fence."""
    site_file, out = plan
    text = site_file.read_text("utf-8")
    assert "nuisance_m = 0.0" in text
    site_file.write_text(text.replace("nuisance_m = 0.0", "nuisance_m = 100.0"), "utf-8")
    geotools.run_step("layout", geotools.open_site(site_file), out, overwrite=True)
    before, after = (
        gpd.read_file(folder / "plan.gpkg", layer="standoffs").set_index("zone_id")
        for folder in (laid_out / "out", out)
    )
    (near,) = before.index[before["reached_m"] > 0.5]
    assert near == "F01-Z001" and before.loc[near, "nearest"] == "lorry on lane"
    assert after.loc[near, "fence_m"] > before.loc[near, "fence_m"] + 0.3
    assert after["out_of_reach"].astype(bool).all() and (after["reached_m"] < 0.5).all()
    assert "would be within reach of what is no threat" in after.loc[near, "why"]
