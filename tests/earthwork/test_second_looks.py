"""Zones looked at again once everything stands together: in which states, with what, and what need not be tried."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.detection.perimeter import Perimeter
from geotools.earthwork import group, second_looks, tolerance
from geotools.earthwork.disturb import edge_states
from geotools.earthwork.group import ZoneGroup
from geotools.earthwork.known import Known
from geotools.earthwork.programme import Grading, GradingRules
from geotools.earthwork.second_looks import FINAL_DRAWS, hold_together
from geotools.earthwork.tolerance import Loose, Withstood, worst_in_tolerance
from geotools.earthwork.zones import GradeSettings, grade_group
from geotools.terrain.design import DesignSurface
from tests.invented_ground import RULES, Formula, dip, zone

SETTINGS = GradeSettings(
    GradingRules(), {"walk": 0.15, "crawl": 0.15, "prone": 0.075}, height_limits={"low": (0.2, 0.45)}
)
LEVEL = Formula(lambda x, y: 100.0 + 0.0 * x)
BOX = (-10, -10, 210, 10)


def states_tried(monkeypatch, module) -> list[list[np.ndarray]]:
    """Levels of every state that a module asks for from now on."""
    tried: list[list[np.ndarray]] = []

    def noted(state, draws, tolerances):
        made = edge_states(state, draws, tolerances)
        tried.append([one.design for one in made])
        return made

    monkeypatch.setattr(module, "edge_states", noted)
    return tried


@pytest.mark.parametrize("beside", [False, True], ids=["alone", "on a neighbour's works"])
def test_a_second_look_tries_a_design_in_the_states_that_the_whole_is_tried_in(monkeypatch, beside):
    """Else works that hold in those of the look fail in those of the whole, and what costs ten times as much is taken.

    The neighbour's works that lie on the zone's strip turn out uneven too.
    """
    zones = [zone(), zone("Z2", start=90.0)]
    surface = DesignSurface(LEVEL, BOX)
    wide = surface.strip_cells({one.zone_id: one.line for one in zones}, 3.0)
    if beside:
        surface.apply(wide, wide.cells.ground + np.where((wide.x > 92) & (np.abs(wide.y) < 1), 0.2, 0.0))
    perimeter = Perimeter(zones, surface, RULES)
    closer = replace(SETTINGS, draws=FINAL_DRAWS)
    strip = surface.strip_cells({"Z1": zones[0].line}, closer.under_m + closer.batter_m)
    trial = ZoneGroup(perimeter, surface, zones[:1], strip, closer, Known())
    # a little everywhere in the middle, above the line of sight and below it
    lift = np.where(strip.cells.movable & (np.abs(strip.x - 40) < 20), 0.1 * np.sign(strip.x - 40), 0.0)
    nothing = np.zeros(0, bool)
    ends = np.array([trial.free_lines[0].ends])
    design = strip.cells.ground + lift
    made = Grading(np.maximum(-lift, 0), np.maximum(lift, 0), design, ends, 0.0, 0.25, ends > 1e9, nothing)
    looked = states_tried(monkeypatch, group)
    trial._prove(made)
    surface.apply(strip, design)
    whole = states_tried(monkeypatch, tolerance)
    stands = Perimeter(zones, surface, RULES)
    worst_in_tolerance(stands, surface, zones[:1], SETTINGS, FINAL_DRAWS)
    assert len(looked[0]) == len(whole[0]) >= 3 + 3 * FINAL_DRAWS
    for one, other in zip(looked[0], whole[0], strict=True):
        assert one == pytest.approx(other, abs=1e-6)
    uneven = np.abs(looked[0][0] - design) > 1e-3
    assert uneven[strip.x < 60].any() and uneven[strip.x > 93].any() == beside


@pytest.mark.parametrize("first_found", [Loose(1.0, "uneven"), None], ids=["open within tolerance", "open as drawn"])
def test_a_second_look_is_as_close_as_the_last_and_begins_with_the_heads_of_the_first(monkeypatch, first_found):
    ground = Formula(dip(0.5, 5.0, 50.0))
    perimeter, surface = Perimeter([zone()], ground, RULES), DesignSurface(ground, BOX)
    perimeter.solve_all()
    first = grade_group(perimeter, surface, [zone()], SETTINGS)
    before, after = zone().pairs[0], first.zones[0].pairs[0]
    ends = (before.tx_height_m, after.tx_height_m), (before.rx_height_m, after.rx_height_m)
    moved = frozenset((0, k) for k, (was, is_) in enumerate(ends) if abs(was - is_) > 0.005)
    asked = []

    def looked(perimeter, surface, zones, settings, **more):
        asked.append((settings.draws, more["heads"], surface.change.any()))
        return grade_group(perimeter, surface, zones, settings, **more)

    monkeypatch.setattr(second_looks, "grade_group", looked)
    found = [first_found, Loose()]
    monkeypatch.setattr(second_looks, "_loose", lambda *given: found.pop(0))
    surface.apply(first.strip, first.design)
    laid = {"Z1": (zone(), first)}
    final, loose = hold_together(perimeter, surface, laid, SETTINGS, second_looks.GroupsGraded())
    # without the works that did not hold
    assert asked == [(FINAL_DRAWS, moved, False)]
    assert loose == {"Z1": Loose()} and laid["Z1"][1] is not first and surface.change.any()
    assert final.dead_length("Z1", final.dead("Z1")) == 0.0


def counted_solves(monkeypatch) -> list[int]:
    solved: list[int] = []
    real = Perimeter.modulations

    def counting(self, cases):
        solved.append(len(cases))
        return real(self, cases)

    monkeypatch.setattr(Perimeter, "modulations", counting)
    return solved


def stands_with(ground, settings=SETTINGS, pair=None, threshold=RULES.threshold) -> tuple[Perimeter, DesignSurface]:
    """Two zones, the second with other heads if given."""
    second = zone("Z2", start=90.0)
    if pair is not None:
        second = replace(second, pairs=(pair,))
    surface = DesignSurface(ground, BOX)
    made = Perimeter([zone(), second], surface, replace(RULES, threshold=threshold))
    made.solve_all()
    return made, surface


def test_what_a_zone_withstood_is_not_tried_again(monkeypatch):
    known = Withstood()
    solved = counted_solves(monkeypatch)

    def tried(settings=SETTINGS, draws=None, ground=LEVEL, only="Z1", heads=None):
        stands, surface = stands_with(ground)
        one = stands.zones[only]
        if heads is not None:
            one = one.with_heights("low", heads, heads)
            stands = stands.with_zones({only: (one,)})
            stands.solve_all()
        solved.clear()
        found = worst_in_tolerance(stands, surface, [one], settings, draws, withstood=known)
        return found, sum(solved)

    assert tried() == (Loose(), 4**2)  # no works: only heads can be off, each of two pairs in four ways
    assert tried() == (Loose(), 0)
    # other heads, other tolerances, other draws, other ground: another question each
    assert tried(heads=0.32)[1] > 0
    wider = replace(SETTINGS, tolerances=replace(SETTINGS.tolerances, heads_m=0.025))
    assert tried(wider)[1] > 0 and tried(wider)[1] == 0
    assert tried(wider, draws=5)[1] > 0
    assert tried(wider, draws=5, ground=Formula(dip(0.02, 5.0, 50.0)))[1] > 0
    assert tried(wider, draws=5, ground=Formula(dip(0.02, 5.0, 50.0)))[1] == 0
    assert tried(only="Z2")[1] > 0


def test_what_a_zone_withstood_beside_one_neighbour_is_judged_anew_beside_another(monkeypatch):
    """A dip under the overlap: with its neighbour's low heads raised, the zone's end is open in some state."""
    ground = Formula(dip(0.1, 6.0, 95.0))
    known = Withstood()
    low = zone("Z2", start=90.0).pairs[0]
    high = replace(low, tx_height_m=1.2, rx_height_m=1.2)
    seen = set()
    for threshold in np.linspace(0.05, 0.5, 10):
        one, surface = stands_with(ground, threshold=threshold)
        other, _ = stands_with(ground, pair=high, threshold=threshold)
        for stands in (one, other):
            alone = worst_in_tolerance(stands, surface, [zone()], SETTINGS)
            assert worst_in_tolerance(stands, surface, [zone()], SETTINGS, withstood=known) == alone
            seen.add((stands is one, alone.metres > 0))
    # the neighbour's heads make the difference somewhere
    assert {(True, False), (False, True)} <= seen
