"""What is clear as drawn and not within tolerance is not called clear."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.disturb import State, Tolerances, edge_states
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.tolerance import Loose, worst_in_tolerance
from geotools.earthwork.zones import GradeSettings
from geotools.steps.remedy.option import Option, cheapest, reason_for
from geotools.terrain.design import DesignSurface
from tests.invented_ground import RULES, Formula, dip, zone

SETTINGS = GradeSettings(GradingRules(), {"walk": 0.15, "crawl": 0.15, "prone": 0.075})


def test_a_zone_that_only_just_alarms_is_open_with_its_heads_a_little_off() -> None:
    ground = Formula(dip(0.06, 5.0, 50.0))
    weakest = Perimeter([zone()], ground, RULES).weakest("Z1")
    just = Perimeter([zone()], ground, replace(RULES, threshold=0.999 * weakest))
    surface = DesignSurface(ground, (-10, -10, 110, 10))
    assert just.dead_length("Z1", just.dead("Z1")) == 0.0
    found = worst_in_tolerance(just, surface, [zone()], SETTINGS)
    assert found.metres > 0.0 and found.words == "heads off by 2 cm"
    assert worst_in_tolerance(just, surface, [zone()], replace(SETTINGS, tolerances=Tolerances(0, 0, 0))) == Loose()
    ample = Perimeter([zone()], ground, replace(RULES, threshold=0.3 * weakest))
    assert worst_in_tolerance(ample, surface, [zone()], SETTINGS) == Loose()


def test_what_holds_within_tolerance_is_taken_before_what_is_cheaper() -> None:
    loose = Option(
        "set_heads", (zone(),), None, 240.0, 9.0, 0.0, 0.1, 0.21, "set the heads", loose=Loose(2.0, "heads off")
    )
    tight = replace(loose, name="split", cost=13_600.0, words="split the zone", loose=Loose())
    assert (loose.closes, loose.clear, tight.clear) == (True, False, True)
    assert cheapest([loose, tight]) is tight
    assert cheapest([loose]) is loose
    assert "with heads off, 2.0 m leave somebody undetected" in reason_for(loose, [loose], "EUR")


def test_the_worst_of_all_states_is_found_whichever_heads_are_asked_first() -> None:
    ground = Formula(dip(0.2, 5.0, 50.0))
    both = zone()
    surface = DesignSurface(ground, (-10, -10, 110, 10))
    strip = surface.strip_cells({"Z1": both.line}, 3.0)
    surface.apply(strip, strip.cells.ground + np.where(np.abs(strip.x - 50) < 6, 0.1, 0.0))
    seen = []
    for share in (0.5, 1.0, 1.5):
        stands = Perimeter([both], surface, replace(RULES, threshold=share * RULES.threshold))
        state = State((both,), strip, surface.sample(strip.x, strip.y))
        worst = 0.0
        for each in edge_states(state, SETTINGS.draws, SETTINGS.tolerances):
            there = surface.around(state.strip)
            there.apply(state.strip, each.design)
            own = stands.modulation(each.zones[0], stands.strip("Z1", there))
            worst = max(worst, stands.dead_length("Z1", stands.dead("Z1", own)))
        assert worst_in_tolerance(stands, surface, [both], SETTINGS).metres == worst
        seen.append(worst)
    assert seen[0] < seen[-1]
