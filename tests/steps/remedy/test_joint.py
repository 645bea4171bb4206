"""What is asked of the whole design: options left out as dearer, and fewer parts than a zone by itself has to have."""

from __future__ import annotations

from dataclasses import replace

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings
from geotools.steps.remedy.joint import put_together
from geotools.steps.remedy.option import Option
from geotools.terrain.design import DesignSurface
from tests.invented_ground import LOW, MAIN, RULES, Formula, zone

SETTINGS = GradeSettings(GradingRules(), {"walk": 0.15, "crawl": 0.15, "prone": 0.075})
GROUND = Formula(lambda x, y: 100.0)
#: High heads alone let somebody prone through on flat ground; with low ones nobody gets through.
TODAY, CLEAR = zone(pairs=(MAIN,)), zone(pairs=(LOW, MAIN))


def option(name: str, after, cost: float, **more) -> Option:
    """An option said to clear the zone by itself, whatever comes of it together with others."""
    return Option(name, (after,), None, cost, 90.0, 0.0, 0.1, 0.3, f"to {name}", **more)


def design(tried: list[Option], further=lambda zone_id: ()):
    perimeter = Perimeter([TODAY], GROUND, RULES)
    perimeter.solve_all()
    assert perimeter.dead_length("Z1", perimeter.dead("Z1")) > 50.0
    joint, _ = put_together(
        perimeter,
        lambda: (DesignSurface(GROUND, (-10, -10, 110, 10)), None),
        {"Z1": tried},
        SETTINGS,
        SETTINGS.rules.prices,
        further,
    )
    return joint


def test_an_option_left_out_as_dearer_is_asked_for_where_the_cheap_one_does_not_hold():
    cheap, dear = option("set_heads", TODAY, 240.0), option("add_low_heads", CLEAR, 3000.0)
    asked = []

    def further(zone_id):
        asked.append(zone_id)
        return [cheap, dear]

    joint = design([cheap], further)
    assert asked == ["Z1"] and joint.chosen["Z1"].name == "add_low_heads" and joint.chosen["Z1"].clear
    assert [each.name for each in joint.tried["Z1"]] == ["set_heads", "add_low_heads"]
    assert design([dear], further).chosen["Z1"].clear and asked == ["Z1"]  # nobody asks where it holds


def test_where_none_holds_what_leaves_least_is_kept():
    cheap, worse = option("set_heads", CLEAR, 240.0), option("split", TODAY, 3000.0)
    nearly = replace(RULES, threshold=0.9 * Perimeter([CLEAR], GROUND, RULES).weakest("Z1"))
    perimeter = Perimeter([TODAY], GROUND, nearly)
    wide = replace(SETTINGS, tolerances=replace(SETTINGS.tolerances, heads_m=0.15))
    perimeter.solve_all()
    joint, _ = put_together(
        perimeter,
        lambda: (DesignSurface(GROUND, (-10, -10, 110, 10)), None),
        {"Z1": [cheap]},
        wide,
        wide.rules.prices,
        lambda zone_id: [worse],
    )
    chosen = joint.chosen["Z1"]
    assert chosen.name == "set_heads" and chosen.closes and not chosen.clear and chosen.loose.metres > 0.0
    assert joint.dead_length("Z1") == 0.0


def test_the_smaller_number_of_parts_is_asked_first():
    fewer = option("split", CLEAR, 3000.0, one_of_fewer=True)
    fewer = replace(fewer, dead_after_m=4.0)
    more = option("split", CLEAR, 6000.0, fewer=(fewer,))
    assert design([more]).chosen["Z1"].cost == 3000.0
    no_good = replace(fewer, zones=(TODAY,))
    assert design([replace(more, fewer=(no_good,))]).chosen["Z1"].cost == 6000.0
    assert design([replace(more, fewer=(no_good, fewer))]).chosen["Z1"].cost == 3000.0
