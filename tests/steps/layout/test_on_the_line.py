"""Beams stand on the line that was asked for, parallel to the fence; where one does not, what forces it is named."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString, box

import geotools
from geotools.steps.layout.forced import OnLine, forced_off, off_line_cost
from geotools.steps.layout.off_line import distance_off
from geotools.steps.layout.usable import Course
from geotools.steps.layout.zone_rules import ZoneRules
from tests.evidence.designed_sites import _figures, l_yard, substation

#: A designer's eye: a beam this far off its line stands on it, m.
ON_IT_M = 0.5


def laid_out(make, folder):
    (folder / "input").mkdir()
    site = geotools.open_site(make(folder / "input"))
    for step in ("inspect", "layout"):
        geotools.run_step(step, site, folder / "out")
    layers = {name: gpd.read_file(folder / "out" / "plan.gpkg", layer=name) for name in ("standoffs", "zones", "fence")}
    return layers | {"setback_m": site.layout.setback_m}


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    return laid_out(l_yard, tmp_path_factory.mktemp("yard"))


def off_m(laid):
    """By zone the farthest that the middle half of its beam lies off the line at the setback, m."""
    fence = laid["fence"].geometry.iloc[0]
    ring = shapely.Polygon(shapely.get_coordinates(fence)).buffer(-laid["setback_m"], join_style="mitre").exterior
    beams = laid["standoffs"].set_index("zone_id").geometry
    places = {zone: [beam.interpolate(s, normalized=True) for s in (0.25, 0.5, 0.75)] for zone, beam in beams.items()}
    return {zone: max(ring.distance(place) for place in at) for zone, at in places.items()}


def test_beams_of_the_yard_stand_on_the_line_asked_for_but_for_the_one_that_a_full_side_forces(yard):
    """The side of 100 m from corner to corner takes 105 m on the line: it ends short, and its neighbour leans to it."""
    off = off_m(yard)
    forced = [zone for zone, apart in off.items() if apart > ON_IT_M]
    assert len(off) == 8 and len(forced) == 1
    why = yard["standoffs"].set_index("zone_id").why[forced[0]]
    length = yard["zones"].set_index("zone_id").length_m
    full = length.index[length.argmax()]
    assert length[full] == pytest.approx(100.0, abs=0.1)
    assert f"of {full}, with which it shares a junction" in why and "105.0 m long, and 100 m is the longest" in why


def test_the_short_sides_of_a_substation_end_short_of_its_corners_and_the_long_ones_lean_to_them(tmp_path):
    """110 m from fence to fence leave 107 m between posts: two sides and the gate zone stand on the line."""
    laid = laid_out(substation, tmp_path)
    off, rows = off_m(laid), laid["standoffs"].set_index("zone_id")
    assert sum(apart <= ON_IT_M for apart in off.values()) == 3
    for zone, apart in off.items():
        assert ("107.0 m long, and 100 m is the longest here" in rows.why[zone]) == (apart > ON_IT_M)


def test_what_stands_on_the_line_is_named(tmp_path):
    """A hut across the line on one side: the beams go round it, and the row says what they go round."""

    def with_hut(folder):
        site = l_yard(folder)
        _figures(folder / "keep_outs.gpkg", [("Pump house", "building", box(60, 22, 70, 24.2))])
        return site

    laid = laid_out(with_hut, tmp_path)
    rows = laid["standoffs"].set_index("zone_id")
    told = [why for why in rows.why if "the beam would touch building" in why]
    assert told and all("Pump house" in why for why in told)


def test_at_weight_nothing_the_line_counts_nothing(tmp_path, yard):
    def free(folder):
        site = l_yard(folder)
        site.write_text(site.read_text().replace("[layout]\n", "[layout]\noff_line_m = 0.0\n"))
        return site

    assert max(off_m(laid_out(free, tmp_path)).values()) > max(off_m(yard).values())


def test_how_far_a_beam_is_from_its_fence_is_not_how_near_its_ends_come_to_the_next_side(yard):
    """Beside a straight side the distance from the fence is that of the line, and what the beam lies off it."""
    fence = yard["fence"].geometry.iloc[0]
    for row in yard["standoffs"].itertuples():
        middle = [fence.distance(row.geometry.interpolate(share, normalized=True)) for share in (0.3, 0.5, 0.7)]
        assert row.fence_m == pytest.approx(sum(middle) / 3, abs=0.05), row.zone_id


def stood(along_y, posts):
    """A course along a fence 4 m off its line, with a zone of one beam between two posts."""
    fence, line = LineString([(0, 0), (100, 0)]), LineString([(0, 4), (100, 4)])
    course = Course("F01", fence, line, box(-5, 0, 105, along_y), (), 1.0)
    zone = SimpleNamespace(locked=False, forward=True, post=lambda start: posts[0 if start else 1])
    return course, zone


def test_a_beam_off_its_line_for_money_alone_says_how_much():
    """80 m from junction to junction, 1.5 m off: 80 x 2.25 m2 x 2 = 360; nearer to the fence nine times that."""
    rules = ZoneRules(100.0, 10.0, 5.0, 24e9, margin_m=0.2, post_clear_m=1.0)
    course, zone = stood(12, ((5.0, 5.5), (95.0, 5.5)))
    off = distance_off(course.line, fence_side=-1.0)
    on_line = OnLine(rules, (), lambda x, y: np.zeros(np.shape(x)), off, 2.0, "EUR")
    assert off_line_cost(zone, on_line) == pytest.approx(360.0)
    assert forced_off(course, [zone], 0, on_line) == (
        "no rule keeps it from there: all zones along that line would cost at least 360 EUR more "
        "(its distance by layout.off_line_m)"
    )
    course, zone = stood(12, ((5.0, 2.5), (95.0, 2.5)))
    assert off_line_cost(zone, on_line) == pytest.approx(9 * 360.0)
