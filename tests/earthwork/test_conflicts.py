"""Limits that contradict each other: by hand, and against the programme, which has the answer in any case."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from geotools.earthwork import linear, solving
from geotools.earthwork.buildable import Machine
from geotools.earthwork.conflicts import Held
from geotools.earthwork.known import Known
from geotools.earthwork.limits import Falls, SightLine
from geotools.earthwork.linear import Programme, UnfitError
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.solving import Solver
from geotools.errors import InfeasibleError
from geotools.terrain.cells import Cells, strip_cells

RULES = GradingRules(max_slope=0.25)


def row_of(*ground: float, held: tuple[int, ...] = (0,)) -> Cells:
    """Cells of 1 m in a row; all may be moved but those that are held."""
    n = len(ground)
    movable = np.ones(n, bool)
    movable[list(held)] = False
    place = np.c_[np.arange(n) + 0.5, np.zeros(n)]
    return Cells(np.array(ground, float), 1.0, np.c_[np.arange(n - 1), np.arange(1, n)], np.ones(n - 1), movable, place)


def line(cells: Cells, asked: dict[int, tuple[float, float]], ends=(0.0, 0.0), free=(0.0, 0.0)) -> SightLine:
    """A line over all cells that requires something of some: how far below and above it they may lie."""
    n = len(cells.ground)
    low, high = np.full(n, np.inf), np.full(n, np.inf)
    for cell, (below, above) in asked.items():
        low[cell], high[cell] = below, above
    reach = tuple((end - by, end + by) for end, by in zip(ends, free, strict=True))
    return SightLine("zone 1", np.arange(n), np.linspace(0.0, 1.0, n), low, high, tuple(ends), reach)


def contradict(cells: Cells, *lines: SightLine, rules: GradingRules = RULES, falls: Falls | None = None) -> bool:
    return Held(cells, rules, falls).contradict(lines)


def unfit(cells: Cells, *lines: SightLine, rules: GradingRules = RULES, falls: Falls | None = None) -> bool:
    """What the programme says."""
    programme = Programme(cells, lines, rules, falls)
    far = np.where(cells.movable, np.inf, 0.0)
    try:
        programme._whole(np.zeros(programme.n), programme.now - programme.datum, -far, far)
    except InfeasibleError:
        return True
    return False


@pytest.mark.parametrize(("wanted", "fits"), [(1.0, True), (1.01, False), (-1.0, True), (-1.01, False)])
def test_a_cell_four_steps_from_held_ground_goes_as_far_as_the_slope_lets_it(wanted, fits):
    # 4 m at a slope of 0.25: 1 m up or down
    cells = row_of(*[0.0] * 5)
    asked = line(cells, {4: (0.0, 0.0)}, ends=(wanted, wanted))
    assert contradict(cells, asked) is not fits and unfit(cells, asked) is not fits


def test_ground_that_may_nowhere_be_moved_has_the_line_or_has_it_not():
    cells = row_of(0.0, 0.1, 0.0, held=(0, 1, 2))
    for within, fits in ((0.11, True), (0.09, False)):
        asked = line(cells, {1: (within, within)})
        assert contradict(cells, asked) is not fits and unfit(cells, asked) is not fits


def test_two_cells_that_a_line_wants_apart_contradict_without_any_held_ground():
    # the line rises by 2 m over 4 m, which no ground of this slope follows to within 0.4 m at both ends, but to 0.51 m
    cells = row_of(*[0.0] * 5, held=())
    for within, fits in ((0.49, False), (0.51, True)):
        asked = line(cells, {0: (within, within), 4: (within, within)}, ends=(-1.0, 1.0))
        assert contradict(cells, asked) is not fits and unfit(cells, asked) is not fits


def test_ground_that_is_steeper_today_may_stay_so():
    # a step of 1.5 m between the third and the fourth cell: 0.5 m of slope, and the step
    cells = row_of(0.0, 0.0, 0.0, 1.5, 1.5)
    for wanted, fits in ((2.2, True), (2.3, False)):
        asked = line(cells, {4: (0.0, 0.0)}, ends=(wanted, wanted))
        assert contradict(cells, asked) is not fits and unfit(cells, asked) is not fits


@pytest.mark.parametrize(("free", "fits"), [(0.49, False), (0.51, True)])
def test_ends_that_may_be_moved_are_moved_before_limits_contradict(free, fits):
    cells = row_of(*[0.0] * 5)
    asked = line(cells, {4: (0.0, 0.0)}, ends=(1.5, 1.5), free=(0.0, free))
    assert contradict(cells, asked) is not fits and unfit(cells, asked) is not fits


def test_the_middle_is_wanted_low_and_the_ends_high_whatever_the_line_does():
    # within 0.2 m of any straight line, a crest of 1 m on held ground is out of reach, one of 0.4 m is not
    for crest, fits in ((1.0, False), (0.39, True)):
        cells = row_of(0.0, 0.0, 0.0, 0.0, crest, 0.0, 0.0, 0.0, 0.0, held=(0, 4, 8))
        asked = line(cells, dict.fromkeys((0, 4, 8), (0.2, 0.2)), free=(2.0, 2.0))
        assert contradict(cells, asked) is not fits and unfit(cells, asked) is not fits


def test_a_fall_that_is_kept_holds_the_lower_cell_down_and_one_that_a_crossing_may_take_does_not():
    # the last cell drains to the one before it, and may not rise above what is left of its fall
    cells = row_of(0.0, 0.0, 0.0, -0.05, 0.05)
    asked = line(cells, {3: (0.0, np.inf), 4: (np.inf, 0.0)}, ends=(0.2, 0.2))
    kept = Falls(np.array([4]), np.array([3]), np.array([0.02]), np.array([-1]), np.zeros(0))
    assert not contradict(cells, asked) and not unfit(cells, asked)
    assert contradict(cells, asked, falls=kept) and unfit(cells, asked, falls=kept)
    offered = replace(kept, crossing=np.array([0]), prices=np.array([100.0]))
    assert not contradict(cells, asked, falls=offered) and not unfit(cells, asked, falls=offered)


def test_a_fall_that_todays_ground_has_not_is_left_to_the_programme():
    cells = row_of(0.0, 0.0, 0.0, 0.05, -0.05)
    lost = Falls(np.array([4]), np.array([3]), np.array([2.0]), np.array([-1]), np.zeros(0))
    asked = line(cells, {2: (0.3, 0.3)})
    assert unfit(cells, asked, falls=lost) and not contradict(cells, asked, falls=lost)


def drawn(seed: int) -> tuple[Cells, list[SightLine], GradingRules, Falls | None]:
    """Uneven ground with held cells, one or two lines that ask something of some of it, and a flow path."""
    rng = np.random.default_rng(seed)
    nx, ny = int(rng.integers(8, 30)), int(rng.integers(4, 8))
    ground = 50.0 + np.cumsum(rng.normal(0.0, 0.05, (nx, ny)), axis=0)
    cells = strip_cells(ground, 0.5, no_dig=rng.random((nx, ny)) < 0.05)
    build, settle = rng.choice([0.0, 0.03]), rng.choice([0.0, 0.05])
    rules = GradingRules(max_slope=float(rng.choice([0.1, 0.33])), build_m=float(build), settle_m=float(settle))
    index = np.arange(nx * ny).reshape(nx, ny)
    lines = []
    for column in rng.choice(np.arange(1, ny - 1), int(rng.integers(1, 3)), replace=False):
        under = index[:, column]
        tolerance = float(rng.choice([0.02, 0.05, 0.1, 0.2]))
        wanted = rng.random(nx) < 0.5
        low = np.where(wanted, tolerance, np.inf)
        ends = float(ground[0, column] + rng.normal(0, 0.1)), float(ground[-1, column] + rng.normal(0, 0.1))
        by = float(rng.choice([0.0, 0.0, 0.15]))
        reach = tuple((end - by, end + by) for end in ends)
        high = np.where(rng.random(nx) < 0.2, np.inf, low)
        lines.append(SightLine(f"zone {column}", under, np.linspace(0, 1, nx), low, high, ends, reach))
    falls = None
    if rng.random() < 0.5:
        path = index[int(rng.integers(0, nx)), :]
        path = path[np.argsort(-cells.ground[path])]
        today = cells.ground[path[:-1]] - cells.ground[path[1:]]
        falls = Falls(path[:-1], path[1:], np.minimum(today, 0.002), np.full(ny - 1, -1), np.zeros(0))
    return cells, lines, rules, falls


def test_it_says_of_ground_at_random_what_the_programme_says():
    found = [
        (contradict(cells, *lines, rules=rules, falls=falls), unfit(cells, *lines, rules=rules, falls=falls))
        for cells, lines, rules, falls in map(drawn, range(400))
    ]
    count = {pair: found.count(pair) for pair in itertools.product((True, False), repeat=2)}
    assert count[True, True] > 100 and count[False, False] > 100  # else nothing was tried
    assert not count[True, False]  # what it says is certain
    assert count[False, True] <= 2  # and it says nearly all there is to say


def test_limits_that_contradict_each_other_take_no_programme_until_somebody_asks_why(monkeypatch):
    solved = []
    monkeypatch.setattr(linear, "cheapest", lambda of, real=linear.cheapest: solved.append(of) or real(of))
    cells = row_of(*[0.0] * 5)
    solver = Solver(cells, RULES, Machine(), None, Known())
    with pytest.raises(UnfitError) as caught:
        solver([line(cells, {4: (0.0, 0.0)}, ends=(1.5, 1.5))])
    with pytest.raises(UnfitError):
        solver.rough([line(cells, {4: (0.0, 0.0)}, ends=(1.5, 1.5))])
    assert not solved
    why = caught.value.explained()
    # half a metre too much: the slope gives way, or the line does
    assert len(solved) == 1 and "0.500 m" in str(why) and ("slope" in why.what or "straightness" in why.what)


def test_the_solver_asks_it_with_the_falls_that_it_keeps(monkeypatch):
    asked = []

    class Noted(Held):
        def contradict(self, lines):
            asked.append(self.falls)
            return super().contradict(lines)

    monkeypatch.setattr(solving, "Held", Noted)
    cells = row_of(0.0, 0.0, 0.0, -0.05, 0.05)
    kept = Falls(np.array([4]), np.array([3]), np.array([0.02]), np.array([-1]), np.zeros(0))
    solver = Solver(cells, RULES, Machine(), None, Known())
    monkeypatch.setattr(solver, "_kept_falls", lambda lines: kept)
    with pytest.raises(UnfitError):
        solver([line(cells, {3: (0.0, np.inf), 4: (np.inf, 0.0)}, ends=(0.2, 0.2))])
    assert asked == [kept]
