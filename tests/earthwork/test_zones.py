"""Grading zones of a perimeter: clear with headroom, together where strips overlap, heads within what serves them."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.detection.perimeter import Perimeter
from geotools.earthwork import design, linear, second_looks
from geotools.earthwork.design import depth_classes, grade_zones
from geotools.earthwork.group import ZoneGroup
from geotools.earthwork.groups_graded import GroupsGraded
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.tolerance import Loose
from geotools.earthwork.zones import GradeSettings, ZoneGrading, grade_group, strip_groups
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
    assert grading.clear
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
    assert all(g.clear and g.dead_before_m > 0 for g in made)
    assert not any(d.any() for z in zones for d in final.dead(z.zone_id).values())


def alone_and_together(monkeypatch, ground: Formula, **wrong):
    """Two zones graded each by itself, then on one ground with those gradings at hand; and the programmes solved.

    wrong : of the first of the gradings at hand.
    """
    zones = [zone(), zone("Z2", start=90.0)]
    perimeter = Perimeter(zones, ground, RULES)
    perimeter.solve_all()
    blank = DesignSurface(ground, (-10, -10, 210, 10))
    known = {z.zone_id: grade_group(perimeter, blank, [z], SETTINGS) for z in zones}
    known["Z1"] = replace(known["Z1"], **wrong)
    solved: list[int] = []
    run = ZoneGroup.run

    def counting(self, *asked, **how):
        solved.append(len(asked[0]))
        return run(self, *asked, **how)

    monkeypatch.setattr(ZoneGroup, "run", counting)
    made, final = grade_zones(perimeter, blank.blank(), zones, SETTINGS, known=known)
    return known, made, final, solved


def test_works_that_keep_apart_are_taken_as_they_were_found(monkeypatch):
    ground = Formula(lambda x, y: dip(0.5, 5.0, 50.0)(x, y) + dip(0.5, 5.0, 140.0)(x, y) - 100)
    known, made, final, solved = alone_and_together(monkeypatch, ground)
    assert solved == []  # nothing is looked for anew
    assert sum(g.volumes[0] + g.volumes[1] for g in made) == pytest.approx(
        sum(sum(one.volumes()[:2]) for one in known.values())
    )
    assert all(g.grading is known[g.zone.zone_id] for g in made)
    assert all(g.clear and g.dead_before_m > 0 for g in made)
    assert not any(d.any() for z in final.zones for d in final.dead(z).values())


APART = Formula(lambda x, y: dip(0.5, 5.0, 50.0)(x, y) + dip(0.5, 5.0, 140.0)(x, y) - 100)


@pytest.mark.parametrize("wrong", [{"buildable": False}, {"dry": False}, {"clear": False}, {"made": None}])
def test_works_that_are_no_answer_are_not_taken_as_they_were_found(monkeypatch, wrong):
    _, made, _, solved = alone_and_together(monkeypatch, APART, **wrong)
    assert 0 in solved and all(len(one.grading.zones) == 2 and one.clear for one in made)


def test_works_between_which_water_would_stand_are_found_together(monkeypatch):
    monkeypatch.setattr(design, "drain_as_before", lambda surface, parts, settings: False)
    _, made, _, solved = alone_and_together(monkeypatch, APART)
    assert 0 in solved and all(len(one.grading.zones) == 2 and one.clear for one in made)


def test_works_that_meet_are_found_together(monkeypatch):
    # one dip under the overlap: either zone alone would fill it by itself
    ground = Formula(dip(0.5, 5.0, 95.0))
    known, made, _, solved = alone_and_together(monkeypatch, ground)
    cells = [{(round(x, 3), round(y, 3)) for x, y in worked(one)} for one in known.values()]
    assert cells[0] & cells[1] and 0 in solved
    assert all(g.clear for g in made)


@pytest.mark.parametrize("alone", [True, False], ids=["alone they can be built", "nor alone"])
def test_works_of_two_zones_that_nobody_builds_are_looked_for_zone_by_zone(alone, monkeypatch):
    ground = Formula(lambda x, y: dip(0.5, 5.0, 50.0)(x, y) + dip(0.5, 5.0, 140.0)(x, y) - 100)
    zones = [zone("Z1", 0.0, 100.0), zone("Z2", 90.0, 100.0)]
    perimeter = Perimeter(zones, ground, RULES)
    perimeter.solve_all()

    def too_thin(perimeter, surface, group, settings, **more):
        made = grade_group(perimeter, surface, group, settings, **more)
        return replace(made, buildable=alone and len(group) == 1)

    monkeypatch.setattr(design, "grade_group", too_thin)
    surface = DesignSurface(ground, (-10, -10, 210, 10))
    made, _ = grade_zones(perimeter, surface, zones, SETTINGS)
    assert [len(one.grading.zones) for one in made] == ([1, 1] if alone else [2, 2])
    # what was tried and is not taken leaves no earth behind
    laid = surface.change.size_of()
    each = {id(one.grading): np.abs(one.grading.design - one.grading.strip.cells.ground).sum() for one in made}
    assert laid == pytest.approx(sum(each.values()), rel=1e-4) and laid > 1.0
    assert all(one.clear for one in made)


def looked_at(monkeypatch, *, remembered: bool):
    """Two zones of which the first never holds; each look at zones: which, the programmes it took, what it found."""
    ground = Formula(lambda x, y: dip(0.5, 5.0, 50.0)(x, y) + dip(0.5, 5.0, 140.0)(x, y) - 100)
    zones = [zone(), zone("Z2", start=90.0)]
    perimeter = Perimeter(zones, ground, RULES)
    perimeter.solve_all()
    never = Loose(0.5, "whatever is done")
    monkeypatch.setattr(
        second_looks, "_loose", lambda final, surface, zone_id, *how: never if zone_id == "Z1" else Loose()
    )
    if not remembered:
        monkeypatch.setattr(GroupsGraded, "get", lambda self, asked: None)
    solved: list[int] = []
    monkeypatch.setattr(linear, "cheapest", lambda of, real=linear.cheapest: solved.append(1) or real(of))
    looks: list[tuple[list[str], int, ZoneGrading]] = []

    def counted(perimeter, surface, group, settings, **more):
        before = len(solved)
        made = grade_group(perimeter, surface, group, settings, **more)
        looks.append(([z.zone_id for z in group], len(solved) - before, made))
        return made

    monkeypatch.setattr(design, "grade_group", counted)
    monkeypatch.setattr(second_looks, "grade_group", counted)
    made, _ = grade_zones(perimeter, DesignSurface(ground, (-10, -10, 210, 10)), zones, SETTINGS)
    assert made[0].loose == never and made[1].loose == Loose()
    return looks


def test_a_zone_that_is_looked_at_again_has_no_programme_solved_twice(monkeypatch):
    looks = looked_at(monkeypatch, remembered=False)
    assert [names for names, _, _ in looks] == [["Z1", "Z2"], ["Z1"], ["Z1"], ["Z1"]]
    (_, first, one), (_, second, other), (_, third, _) = looks[1:]
    assert first > 0 and second == third == 0
    # nothing has changed in between: what is found is found again
    assert np.array_equal(one.design, other.design) and one.price == other.price


def test_a_zone_beside_which_nothing_has_changed_is_not_looked_at_again(monkeypatch):
    assert [names for names, _, _ in looked_at(monkeypatch, remembered=True)] == [["Z1", "Z2"], ["Z1"]]


def worked(grading: ZoneGrading):
    moved = np.abs(grading.design - grading.strip.cells.ground) > 1e-6
    return zip(grading.strip.x[moved], grading.strip.y[moved], strict=True)


def test_depth_classes_have_the_sign_of_the_work():
    assert depth_classes(np.array([0.0, 0.004, 0.02, -0.07, 0.15, -0.3, 0.9])).tolist() == [0, 0, 1, -2, 3, -4, 5]
