"""Windows, volumes, and tolerances that are begun, halved and taken to the cells, worked by hand.

Red when a window leaves out ground that the whole strip asks for, a solid of known volume has another, a tolerance is
tightened in the wrong place, or a programme is larger or begun more often than it has to be.
"""

import numpy as np
import pytest

from geotools.earthwork import linear
from geotools.earthwork.known import Known
from geotools.earthwork.limits import Falls
from geotools.earthwork.linear import cheapest as solved
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import Grading, GradingRules, Weighing, grade
from geotools.earthwork.proof import Proof, Search, _between, _complaint, _nearer, _tighter, spread, tightened
from geotools.earthwork.volumes import average_end_area, grid_volumes, prismoidal, section_areas
from geotools.earthwork.window import asking, beside, widened, window_of
from tests.cells_in_a_row import chain, sight

INF = np.inf


def test_ground_out_of_tolerance_asks_and_what_slopes_up_to_it_comes_along():
    ground = np.full(20, 10.0)
    ground[10], ground[13:15] = 9.5, (10.3, 10.0)
    cells = chain(ground)
    line = sight("A", np.arange(20), np.linspace(0.0, 1.0, 20), 0.2, 0.2, (10.0, 10.0))
    assert np.flatnonzero(asking(cells, [line], np.array([[10.0, 10.0]]))).tolist() == [10, 13]
    assert np.flatnonzero(asking(cells, [line], np.array([[10.3, 10.3]]))).tolist() == [*range(13), *range(14, 20)]
    # at either limit, to a millionth of a metre, it asks as well
    limits = chain([10.2, 9.8, 10.199, 9.801, 10.0])
    line = sight("A", np.arange(5), np.zeros(5), 0.2, 0.2, (10.0, 10.0))
    assert asking(limits, [line], np.array([[10.0, 10.0]])).tolist() == [True, True, False, False, False]
    # where the line slopes, by its own level there: 10.0, 10.5 and 11.0 over ground at 10.4
    slope = sight("A", np.arange(3), np.array([0.0, 0.5, 1.0]), 0.3, 0.3, (10.0, 11.0))
    assert asking(chain([10.4, 10.4, 10.4]), [slope], np.array([[10.0, 11.0]])).tolist() == [True, False, True]
    flags = np.zeros(20, bool)
    flags[10] = True
    assert np.flatnonzero(beside(cells, flags, 2)).tolist() == [8, 9, 10, 11, 12]
    # 0.6 a metre: the step at 12-13 and at 13-14 has no room, so both come along; so does a fall without room
    assert np.flatnonzero(widened(cells, flags, 2, 0.6, None)).tolist() == list(range(8, 15))
    assert np.flatnonzero(widened(cells, flags, 2, 2.0, None)).tolist() == list(range(8, 13))
    falls = Falls(np.array([5, 1]), np.array([8, 0]), np.array([0.0, 0.0]), np.array([-1, -1]), np.zeros(0))
    assert np.flatnonzero(widened(cells, flags, 2, 2.0, falls)).tolist() == [5, *range(8, 13)]
    fixed = chain(ground, np.arange(20) != 9)
    assert np.flatnonzero(widened(fixed, flags, 2, 2.0, None)).tolist() == [8, 10, 11, 12]


def test_a_window_holds_its_cells_those_beside_them_and_their_limits():
    cells = chain(10.0 + 0.01 * np.arange(12), np.arange(12) != 7)
    line = sight("A", [2, 4, 5, 9], [0.1, 0.4, 0.5, 0.9], [0.1, 0.2, 0.3, 0.4], 0.5, (10.0, 10.0))
    falls = Falls(np.array([5, 9]), np.array([10, 8]), np.array([0.1, 0.2]), np.array([0, -1]), np.array([3.0]))
    inside = np.zeros(12, bool)
    inside[4:7] = True
    made = window_of(cells, [line], falls, inside)
    assert made.index.tolist() == [3, 4, 5, 6, 7, 10]
    assert made.cells.movable.tolist() == [False, True, True, True, False, False]
    assert made.cells.ground.tolist() == cells.ground[made.index].tolist()
    assert sorted(made.cells.pairs.tolist()) == [[0, 1], [1, 2], [2, 3], [3, 4]]
    # beyond 6 stands a cell that is never moved, so only 4 has movable ground outside
    assert np.flatnonzero(made.rim).tolist() == [1]
    (kept_line,) = made.lines
    assert kept_line.cells.tolist() == [1, 2] and kept_line.low.tolist() == [0.2, 0.3]
    assert (made.falls.upper.tolist(), made.falls.lower.tolist()) == ([2], [5])
    assert made.falls.least.tolist() == [0.1] and made.falls.crossing.tolist() == [0]
    assert made.holds(np.array([9.0, 0.0, 1.0, 1.0, 9.0, 9.0])) and not made.holds(np.array([0.0, 0.1, 0, 0, 0, 0]))
    assert made.spread(np.arange(1.0, 7.0), 12).tolist() == [0, 0, 0, 1, 2, 3, 4, 5, 0, 0, 6, 0]


def test_volumes_of_solids_that_are_known():
    cut, fill = grid_volumes(np.array([1.0, 2.0, np.nan, 3.0]), np.array([0.5, 2.5, 1.0, 3.0]), 4.0)
    assert (cut, fill) == (2.0, 2.0)
    offset = np.array([-2.0, 0.0, 3.0])
    cut_a, fill_a = section_areas(offset, np.zeros((2, 3)), np.array([[1.0, 1.0, -2.0], [0.0, -1.0, -1.0]]))
    # first: 2 m2 of fill, then from 1 to -2 over 3 m: triangles of 1 and 2 m; second: a triangle and a rectangle
    assert fill_a == pytest.approx([2.5, 0.0]) and cut_a == pytest.approx([2.0, 4.0])
    assert average_end_area([0.0, 2.0, 6.0], [1.0, 3.0, 5.0]) == 4.0 + 16.0
    # a pyramid of 9 m2 and 6 m
    assert prismoidal([0.0, 6.0], [9.0, 0.0], [2.25]) == pytest.approx(18.0)


def test_tolerances_of_stations_come_to_the_cells_between_them():
    line = sight("A", np.arange(5), [0.0, 0.25, 0.55, 0.75, 1.0], 0.3, [0.3, 0.05, 0.3, 0.3, 0.3], (10.0, 10.0))
    proof = Proof(np.array([0.0, 5.0, 10.0]), np.array([True, False, False]), np.array([False, False, False]))
    (told,) = tightened([line], [10.0], [proof], [np.array([0.1, 0.2, INF])])
    assert told.low.tolist() == [0.1, 0.1, 0.2, 0.2, 0.3] and told.high.tolist() == [0.1, 0.05, 0.2, 0.2, 0.3]


def test_tolerances_are_begun_halved_and_met_halfway():
    at = np.arange(0.0, 10.0)
    dead = np.isin(at, [2.0, 8.0])
    proof = Proof(at, dead, at == 8.0)
    assert np.flatnonzero(spread(at, dead, 1.0)).tolist() == [1, 2, 3, 7, 8, 9]
    assert not spread(at, np.zeros(10, bool), 3.0).any() and spread(at, at == 9.0, 2.5)[7:].all()
    (first,) = _tighter([np.full(10, INF)], [proof], 0.2, 0.05, 1.0)
    assert first.tolist() == [INF, 0.2, 0.2, 0.2, *[INF] * 6]
    (second,) = _tighter([first], [proof], 0.2, 0.05, 2.0)
    assert second.tolist() == [0.2, 0.1, 0.1, 0.1, 0.2, *[INF] * 5]
    # no tighter than a centimetre where nothing else is asked for
    assert Search(0.1).smallest == 0.01 and Search(0.1).most == np.inf
    (third,) = _tighter([np.full(10, 0.06)], [proof], 0.2, 0.05, 0.0)
    assert third[2] == 0.05 and third[0] == 0.06
    (middle,) = _between([np.array([INF, 0.2, 0.2])], [np.array([0.2, 0.1, INF])], 0.2)
    assert middle == pytest.approx([0.3, 0.15, INF])


def test_a_head_that_blinds_its_surroundings_comes_halfway_back():
    line = sight("A", [0], [0.5], 0.1, 0.1, (10.0, 20.0), ((-0.4, 0.2), (-0.015, 0.1)))

    def reach(*dead, everywhere=False):
        at = np.arange(0.0, 41.0)
        flags = np.isin(at, dead)
        return _nearer(line, 40.0, Proof(at, flags, np.zeros(41, bool)), everywhere=everywhere).reach

    assert reach(20.0) == line.reach == reach(10.0) == reach(30.0)
    assert reach(9.0) == (pytest.approx((9.8, 10.1)), line.reach[1])
    assert reach(31.0) == (line.reach[0], pytest.approx((20.0, 20.05)))
    assert reach(20.0, everywhere=True) == (pytest.approx((9.8, 10.1)), pytest.approx((20.0, 20.05)))
    assert reach(everywhere=True) == line.reach


def test_a_grading_counts_what_is_moved():
    made = Grading(
        np.array([0.1, 0.0, 5e-5]), np.array([0.0, 0.3, 0.0]), np.zeros(3), np.zeros((1, 2)), 0.0, 2.0, None, None
    )
    assert (made.cut_m3, made.fill_m3, made.worked_m2) == pytest.approx((0.2001, 0.6, 4.0))


def test_what_is_still_open_is_named_with_its_first_place_and_its_share():
    cells = np.arange(4)
    lines = [sight(name, cells, np.zeros(4), 0.1, 0.1, (0.0, 0.0)) for name in ("A", "B")]
    none, some = np.zeros(8, dtype=bool), np.arange(8) >= 2
    proofs = [Proof(np.arange(8) * 5.0, none, none), Proof(np.arange(8) * 5.0, some, np.arange(8) == 2)]
    said = _complaint(lines, proofs)
    # two of eight are clear, and one is hopeless on straight ground too
    assert (
        said.startswith("B still leaves somebody undetected at ")
        and "15" in said
        and said.endswith("(62 % of the zone)")
    )
    assert _complaint(lines[:1], [Proof(np.arange(8) * 5.0, ~none, none)]).endswith("(100 % of the zone)")


def test_what_may_not_move_has_no_column(monkeypatch):
    """One cell of three may be worked: its cut and its fill; level and move of both ends; and the haul."""
    asked = []
    monkeypatch.setattr(linear, "cheapest", lambda programme: asked.append(programme) or solved(programme))
    cells = chain([10.0, 10.3, 10.0], [False, True, False])
    line = sight("A", [1], [0.5], 0.1, 0.1, (10.0, 10.0), ((-0.1, 0.05), (-0.1, 0.05)))
    made = grade(cells, [line], GradingRules(Prices(1.0, 1.0), max_slope=2.0), weighing=Weighing(times=1))
    assert made.cut[1] == pytest.approx(0.15)
    assert {programme.cost.size for programme in asked} == {2 + 2 + 2 + 1}


def test_where_a_touch_costs_nothing_one_start_is_enough():
    """Two starts are tried where worked ground is priced, for either may miss the other's works; else both are one."""
    ground = np.full(9, 10.0)
    ground[4:6] = 10.3
    line = sight("A", np.arange(9), np.linspace(0, 1, 9), 0.2, 0.2, (10.0, 10.0))

    class Counted(Known):
        def solve(self, programme, weight, ends, low, high):
            weights.append(weight)
            return super().solve(programme, weight, ends, low, high)

    for price, solves in ((0.0, 1), (50.0, 2)):
        weights = []
        rules = GradingRules(Prices(1.0, 1.0, surface_m2=price), max_slope=1.0, build_m=0.01)
        grade(chain(ground), [line], rules, weighing=Weighing(times=1, known=Counted()))
        assert len(weights) == solves
