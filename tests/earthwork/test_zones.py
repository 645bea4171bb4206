"""Grading zones of a perimeter: proven with headroom, together where strips overlap, heads within what serves them."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.design import depth_classes, grade_zones
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings, grade_group, strip_groups
from geotools.terrain.design import DesignSurface
from tests.invented_ground import RULES, Formula, dip, zone

SETTINGS = GradeSettings(
    GradingRules(), {"walk": 0.15, "crawl": 0.15, "prone": 0.075}, height_limits={"low": (0.2, 0.45)}
)


def graded(perimeter: Perimeter, zones, settings=SETTINGS):
    surface = DesignSurface(perimeter.ground, (-10, -10, 210, 10))
    grading = grade_group(perimeter, surface, zones, settings)
    surface.apply(grading.strip, grading.design)
    return surface, grading


@pytest.mark.parametrize("headroom", [0.0, 0.3])
def test_graded_ground_keeps_the_headroom_that_was_asked(headroom):
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    surface, grading = graded(perimeter, [zone()], replace(SETTINGS, headroom=headroom))
    assert grading.proven
    (made,) = grading.zones
    own = perimeter.modulation(made, perimeter.levels("Z1", surface))
    middle = np.abs(perimeter.grids["Z1"].chainage_m - 50) < 8
    assert not (perimeter.dead("Z1", own, headroom=headroom)["prone"] & middle).any()


def test_heads_stay_within_their_limits():
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    _, grading = graded(perimeter, [zone()])
    low = grading.zones[0].pairs[0]
    assert all(0.2 - 1e-6 <= h <= 0.45 + 1e-6 for h in (low.tx_height_m, low.rx_height_m))
    held = graded(perimeter, [zone()], replace(SETTINGS, height_limits={}))[1].zones[0].pairs[0]
    assert (held.tx_height_m, held.rx_height_m) == pytest.approx((0.3, 0.3))


def test_overlapping_zones_share_a_programme_and_distant_ones_do_not():
    a, b, c = zone(), zone("Z2", start=90.0), zone("Z3", start=300.0)
    assert [[z.zone_id for z in g] for g in strip_groups([a, b, c], 3.0)] == [["Z1", "Z2"], ["Z3"]]
    many = [zone(f"Z{i}", start=90.0 * i) for i in range(6)]
    assert [len(g) for g in strip_groups(many, 3.0, most=4)] == [4, 2]


def test_two_zones_over_one_dip_are_both_proven_on_the_whole_surface():
    zones = [zone(), zone("Z2", start=90.0)]
    ground = Formula(lambda x, y: dip(0.5, 5.0, 60.0)(x, y) + dip(0.5, 5.0, 130.0)(x, y) - 100)
    perimeter = Perimeter(zones, ground, RULES)
    surface = DesignSurface(ground, (-10, -10, 210, 10))
    made, final = grade_zones(perimeter, surface, zones, SETTINGS)
    assert all(g.proven and g.dead_before_m > 0 for g in made)
    assert not any(d.any() for z in zones for d in final.dead(z.zone_id).values())


def test_depth_classes_have_the_sign_of_the_work():
    assert depth_classes(np.array([0.0, 0.004, 0.02, -0.07, 0.15, -0.3, 0.9])).tolist() == [0, 0, 1, -2, 3, -4, 5]
