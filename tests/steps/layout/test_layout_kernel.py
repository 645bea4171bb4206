"""Whole courses: every zone judged by the independent checks, closed loops closed, gates and stagger by hand."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString, Point, box

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules
from geotools.detection.level_ground import dead_in_chain, dead_spots, level_pair
from geotools.errors import InfeasibleError
from geotools.plan.model import FenceChain, Zone
from geotools.steps.layout.checks import EndDetection, ExaminedStrip, LayoutLimits, check_chain, check_zone
from geotools.steps.layout.edges import LayoutWeights, ZoneRules
from geotools.steps.layout.kernel import Needs, gate_stretch, lay_out
from geotools.steps.layout.roles import mixed_junctions
from geotools.steps.layout.usable import courses

RULES = ZoneRules(longest_m=100, shortest_m=10, extension_m=4.5, frequency_hz=10.525e9, post_clear_m=1.0)
NEEDS = Needs(RULES, LayoutWeights(), setback_m=4, clear_m=10, candidate_spacing_m=5, beamwidth_deg=6.0)
LIMITS = LayoutLimits(100, 10, 8, 0.5, 1.0, 0.3, 1.0, 10.525e9)
SITES = {
    "rectangle": [(0, 0), (260, 0), (260, 140), (0, 140)],
    "L": [(0, 0), (220, 0), (220, 90), (90, 90), (90, 210), (0, 210)],
    "kite": [(0, 0), (150, -40), (260, 20), (120, 160)],
    "clockwise": [(0, 0), (0, 140), (260, 140), (260, 0)],
}
CLOSED = EndDetection({}, 4.0)
#: A head at each end whose dead spot against a crawler the run past the junctions covers.
MAIN = level_pair("main", HEAD_TYPES["10 GHz"], 0.82)
CRAWL = Rules(0.2, 2.0, 0.5, {"crawl": TARGETS["crawl"]})


def ring(points):
    return LineString([*points, points[0]])


def standing(zones):
    return [
        ExaminedStrip(
            f"Z{k:02d}",
            zone.start,
            zone.end,
            (f"Z{k:02d}-A",),
            (f"Z{k:02d}-B",),
            zone.starts_with_tx,
            (("10 GHz", 3.0, 150.0),),
            (CLOSED, CLOSED),
        )
        for k, zone in enumerate(zones)
    ]


def as_chain(zones, closed=True):
    made = []
    for k, zone in enumerate(zones):
        along = BeamLine(*map(float, zone.start), *map(float, zone.end))
        line = along if zone.starts_with_tx else along.reversed()
        made.append(Zone(f"F-Z{k:03d}", line, (MAIN,), "F", k, zone.starts_with_tx))
    return FenceChain("F", tuple(made), closed)


@pytest.mark.parametrize("name", SITES)
def test_a_loop_breaks_no_rule_and_is_closed(name):
    (course,) = courses({"F": ring(SITES[name])}, side="inside", setback_m=4, clear_m=10)
    # the run past a junction within which beams of any length whose posts stand 0.5 m aside of each other detect a
    # crawler side by side
    zones, clear = lay_out(course, replace(NEEDS, rules=replace(RULES, extension_m=5.0)))
    assert clear == 1.0
    found = standing(zones)
    assert [c for zone in found for c in check_zone(zone, course.ground, LIMITS)] == []
    broken = [c.rule for c in check_chain(found, LIMITS, closed=True)]
    assert broken == ["transmitter beside receiver"] * (len(zones) % 2)
    # and on level ground nobody gets through anywhere: detection is asked about the ring as it stands
    (spot,) = dead_spots(CRAWL, [((MAIN,), 100.0)])
    assert 0 < spot["crawl"] < RULES.extension_m
    assert {zone_id: zone.dead["crawl"].sum() for zone_id, zone in dead_in_chain(CRAWL, as_chain(zones)).items()} == {
        f"F-Z{k:03d}": 0 for k in range(len(zones))
    }


def test_numbering_starts_where_the_fence_starts_and_runs_its_way():
    (course,) = courses({"F": ring(SITES["rectangle"])}, side="inside", setback_m=4, clear_m=10)
    zones, _ = lay_out(course, NEEDS)
    middles = [course.fence.project(Point((zone.start + zone.end) / 2)) for zone in zones]
    assert middles == sorted(middles)


def test_fewest_zones_on_a_straight_line():
    # heads overlap by 9 m: n zones of 100 m reach 100 + 91 (n - 1); an open line's own ends are not run past
    (course,) = courses({"F": LineString([(0, 0), (460, 0)])}, side="left", setback_m=4, clear_m=10)
    zones, _ = lay_out(course, NEEDS)
    assert len(zones) == 5
    (course,) = courses({"F": LineString([(0, 0), (470, 0)])}, side="left", setback_m=4, clear_m=10)
    zones, _ = lay_out(course, NEEDS)
    assert len(zones) == 6


def test_posts_in_line_stand_aside_of_each_others_axis():
    (course,) = courses({"F": LineString([(0, 0), (300, 0)])}, side="left", setback_m=4, clear_m=10)
    zones, _ = lay_out(course, NEEDS)
    for before, after in itertools.pairwise(zones):
        axis = LineString([before.start, before.end])
        assert axis.distance(Point(after.start)) == pytest.approx(0.5, abs=0.1)
        assert before.end[0] - after.start[0] == pytest.approx(9.0, abs=0.1)


def test_odd_loop_has_its_mixed_junction_at_a_corner():
    # in line the foreign transmitter is 9 m off and looks away; at a corner both patterns count: farther down
    (course,) = courses({"F": ring([(0, 0), (180, 0), (180, 60), (0, 60)])}, side="inside", setback_m=4, clear_m=10)
    zones, _ = lay_out(course, replace(NEEDS, rules=replace(RULES, longest_m=95)))
    roles = [zone.starts_with_tx for zone in zones]
    assert mixed_junctions(roles, closed=True).size == len(zones) % 2


def test_gate_gets_a_zone_of_its_own_over_the_seam_too():
    (course,) = courses({"F": ring(SITES["rectangle"])}, side="inside", setback_m=4, clear_m=10)
    for gate in (LineString([(100, 0), (108, 0)]), LineString([(0, 10), (0, 3)])):
        stretch = gate_stretch(course, gate, 3.0)
        zones, _ = lay_out(course, NEEDS, gates=[stretch])
        assert sum(np.allclose(zone.chainage, stretch, atol=0.01) for zone in zones) == 1
    assert gate_stretch(course, LineString([(100, 0), (108, 0)]), 3.0) == pytest.approx((93, 107))


def test_narrow_ground_is_laid_out_thin_and_said():
    wall = box(100, 0, 160, 3.1), box(100, 4.9, 160, 12)
    (course,) = courses({"F": LineString([(0, 0), (260, 0)])}, side="left", setback_m=4, clear_m=10, keep_outs=wall)
    zones, clear = lay_out(course, NEEDS)
    assert clear < 1.0
    rules = {c.rule for zone in standing(zones) for c in check_zone(zone, course.ground, LIMITS)}
    assert "beam touches fence or keep-out" in rules


def test_no_way_at_all_names_the_place():
    (course,) = courses(
        {"F": LineString([(0, 0), (260, 0)])}, side="left", setback_m=4, clear_m=10, keep_outs=[box(120, -1, 140, 12)]
    )
    with pytest.raises(InfeasibleError, match=r"chainage 1\d\d"):
        lay_out(course, NEEDS)
