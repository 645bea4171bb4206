"""Works found before are taken again where nothing has changed that they hang on, and only there."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.detection.perimeter import Perimeter
from geotools.earthwork import design
from geotools.earthwork.design import grade_zones
from geotools.earthwork.flow_paths import WaterRules
from geotools.earthwork.groups_graded import Asked, GroupsGraded
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings, grade_group
from geotools.terrain.design import DesignSurface
from tests.invented_ground import RULES, Formula, dip, zone

SETTINGS = GradeSettings(
    GradingRules(), {"walk": 0.15, "crawl": 0.15, "prone": 0.075}, height_limits={"low": (0.2, 0.45)}
)
#: Twelve zones in a row, of 40 m, each running 4 m into the next.
ROW = [zone(f"Z{i:02}", 36.0 * i, 40.0) for i in range(12)]
LEVEL = Formula(lambda x, y: 100.0 + 0.0 * x)


def higher(one, by_m: float = 0.05):
    """The zone with its lowest heads set higher."""
    low = one.pairs[0]
    return one.with_heights(low.level, low.tx_height_m + by_m, low.rx_height_m + by_m)


BLANK = DesignSurface(LEVEL, (-10, -10, 460, 10))


def asked(zones=ROW, group=(ROW[5],), surface=BLANK, settings=SETTINGS) -> Asked:
    return Asked.of(Perimeter(zones, LEVEL, RULES), group, surface, settings)


def worked(at_m: float) -> DesignSurface:
    """One cell beside the line is worked."""
    surface = BLANK.blank()
    row, column = surface.locate([at_m], [0.2])
    surface.change[row, column] = 0.1
    return surface


def test_works_hang_on_the_zones_that_ways_across_may_use_and_on_what_lies_on_those():
    around = Perimeter(ROW, LEVEL, RULES).around(["Z05"])
    # ways use three zones on either side; the strips of the next ones lie on the last of these
    assert [one.zone_id for one in around] == [f"Z{i:02}" for i in range(1, 10)]


@pytest.mark.parametrize(("changed", "same"), [(0, True), (1, False), (4, False), (5, False), (9, False), (10, True)])
def test_a_head_that_is_set_beside_them_is_another_question_and_one_far_away_is_not(changed, same):
    other = [higher(one) if number == changed else one for number, one in enumerate(ROW)]
    assert (asked() == asked(zones=other)) is same


# the zones that the answer hangs on run from 36 to 364 m
@pytest.mark.parametrize(("at", "same"), [(5.0, True), (40.0, False), (200.0, False), (360.0, False), (420.0, True)])
def test_earth_that_is_moved_near_them_is_another_question_and_far_away_is_not(at, same):
    assert (asked() == asked(surface=worked(at))) is same


def test_water_is_looked_for_farther_away_than_bodies():
    wide = replace(SETTINGS, water=WaterRules(margin_m=60.0))
    assert asked(settings=wide) != asked(settings=wide, surface=worked(5.0))
    assert asked(settings=wide) == asked(settings=wide, surface=BLANK.blank())


def test_other_heads_of_the_group_or_more_draws_are_another_question():
    assert asked() == asked()
    assert asked() != asked(group=(higher(ROW[5]),))
    assert asked() != asked(group=(ROW[5], ROW[6]))
    closer = asked(settings=replace(SETTINGS, draws=12))
    assert asked() != closer
    known = GroupsGraded()
    known.put(asked(), "works")
    known.put(closer, "in more draws")
    assert known.get(asked()) == "works" and known.get(closer) == "in more draws"
    assert known.get(asked(surface=worked(200.0))) is None and known.get(asked(group=(ROW[6],))) is None


def test_the_content_of_a_surface_is_the_same_however_it_was_put_there():
    one, other = BLANK.blank(), BLANK.blank()

    def digest(surface):
        return surface.digest([zone.line for zone in ROW], 5.0)

    assert digest(one) == digest(other)
    assert digest(one) != digest(DesignSurface(LEVEL, (-10, -10, 461, 10)))
    one.change[np.array([13, 14]), np.array([40, 400])] = np.array([0.5, -0.25])
    assert digest(one) != digest(other)
    other.change[np.array([14, 13]), np.array([400, 40])] = np.array([-0.25, 0.5])
    assert digest(one) == digest(other)
    # what was put there and taken away again leaves nothing
    other.change[np.array([15]), np.array([50])] = np.array([1.0])
    assert digest(one) != digest(other)
    other.change[np.array([15]), np.array([50])] = np.array([0.0])
    assert digest(one) == digest(other)
    other.change[np.array([13]), np.array([40])] = np.array([0.25])
    assert digest(one) != digest(other)


def test_a_design_put_together_again_grades_only_what_a_change_may_reach(monkeypatch):
    """Three dips far apart; heads set beside the last: the works of the others are the very same ones."""
    ground = Formula(lambda x, y: sum(dip(0.4, 4.0, at)(x, y) - 100 for at in (30.0, 200.0, 400.0)) + 100)
    row = [zone(f"Z{i:02}", 36.0 * i, 40.0) for i in range(12)]
    looked: list[list[str]] = []

    def counted(perimeter, surface, group, settings, **more):
        looked.append([one.zone_id for one in group])
        return grade_group(perimeter, surface, group, settings, **more)

    monkeypatch.setattr(design, "grade_group", counted)
    before = GroupsGraded()

    def put_together(zones, wanted, known):
        perimeter = Perimeter(zones, ground, RULES)
        surface = DesignSurface(ground, (-10, -10, 460, 10))
        looked.clear()
        made, _ = grade_zones(perimeter, surface, [zones[number] for number in wanted], SETTINGS, before=known)
        return made, surface, list(looked)

    wanted = (0, 5, 11)
    first, _, all_of_them = put_together(row, wanted, before)
    assert sorted(all_of_them) == [["Z00"], ["Z05"], ["Z11"]]
    again, _, none = put_together(row, wanted, before)
    assert none == [] and all(a.grading is b.grading for a, b in zip(first, again, strict=True))
    # heads of the last but one are set: only the last is found anew, and it comes out as if nothing were known
    changed = [replace(one) if number != 10 else higher(one) for number, one in enumerate(row)]
    made, laid, some = put_together(changed, wanted, before)
    alone, plain, _ = put_together(changed, wanted, None)
    assert some == [["Z11"]]
    assert [one.grading.price for one in made] == [one.grading.price for one in alone]
    everywhere = [one.line for one in row]
    assert laid.digest(everywhere, 30.0) == plain.digest(everywhere, 30.0)
