"""Works that only satisfy the model, thinner than any machine makes them, close nothing and say so."""

from dataclasses import replace

import pytest

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.buildable import Machine
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zone_grading import TOO_THIN
from geotools.earthwork.zones import GradeSettings
from geotools.steps.remedy.joint import put_together
from geotools.steps.remedy.option import Option, reason_for
from geotools.steps.remedy.options import RemedyLimits, zone_options
from geotools.terrain.design import DesignSurface
from tests.invented_ground import RULES, Formula, dip, zone

COSTS = Prices(cut_m3=18, fill_m3=32, surface_m2=4, set_head=120, head=2500, post=1800)
SETTINGS = GradeSettings(
    GradingRules(COSTS, max_slope=0.33), {"walk": 0.15, "crawl": 0.15, "prone": 0.075}, height_limits={}
)
PERIMETER = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)


def surface() -> DesignSurface:
    return DesignSurface(PERIMETER.ground, (-10, -10, 210, 10))


def recommended(lift_m: float) -> tuple[list[Option], Option, str]:
    """All options, the one chosen in the whole design, and its reason, where a machine makes nothing thinner."""
    settings = replace(SETTINGS, machine=Machine(least_lift_m=lift_m))
    found, grading = zone_options(PERIMETER, surface(), "Z1", RemedyLimits(settings, COSTS))
    joint, _ = put_together(PERIMETER, lambda: (surface(), None), {"Z1": found}, settings, COSTS)
    chosen = joint.chosen["Z1"]
    return found, chosen, f"{reason_for(chosen, found, 'EUR')} {grading.reason}"


@pytest.fixture(scope="module")
def usual() -> tuple[list[Option], Option, str]:
    return recommended(0.05)


def test_a_lift_that_a_machine_makes_closes_the_zone(usual):
    _, chosen, said = usual
    assert chosen.name == "grade" and chosen.clear and chosen.buildable and TOO_THIN not in said


def test_a_lift_that_leaves_no_room_is_never_called_clear(usual):
    # a fill of five metres cannot be tied in over the two metres beside the beam
    found, chosen, said = recommended(5.0)
    works = next(option for option in found if option.name == "grade")
    assert works.closes and not works.buildable and not works.clear
    assert chosen.name == "grade" and not chosen.clear
    assert TOO_THIN in said and "clear in a run" not in said
