"""One strip's programme with what machines add to it, worked by hand.

Red when works are tried in another order, a line leaves no room for a lift, dust is kept, or a bound or price is off.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from geotools.earthwork import solving
from geotools.earthwork.buildable import Machine
from geotools.earthwork.known import Known
from geotools.earthwork.limits import Falls, SightLine
from geotools.earthwork.prices import Prices
from geotools.earthwork.programme import Grading, GradingRules
from geotools.earthwork.solving import Solver
from geotools.errors import InfeasibleError
from geotools.terrain.cells import strip_cells


def solver_of(prices=None, machine=None, **rules):
    ground = np.zeros((6, 5))
    ground[2:4, 1:4] = 0.3
    cells = strip_cells(ground, 0.5)
    return Solver(
        cells, GradingRules(prices or Prices(2.0, 3.0), **rules), machine or Machine(0.05, 0.5), None, Known()
    )


def free_grading():
    """Thirty cells, a tenth of a metre on each."""
    return Grading(
        *(np.full(30, v) for v in (0.0, 0.1, 0.1)),
        np.zeros((1, 2)),
        1.0,
        0.25,
        np.zeros((1, 2), bool),
        np.zeros(0, bool),
    )


def test_works_thin_or_round_the_edge_are_the_last_that_are_tried(monkeypatch):
    """Narrow first, then flow round the edge of a lift, then wider, thin works last; the first that there are count."""
    solver, tried, give, free = solver_of(), [], [1], free_grading()

    def bounds(cells, change, machine, *, wider, max_slope, thin):
        assert max_slope == solver.rules.max_slope
        tried.append((wider, thin))
        return np.full(30, -1.0), np.full(30, 1.0)

    def grade(cells, lines, rules, *, falls=None, bounds=None, weighing=None, explain=True):
        if bounds is None:
            return free
        if len(tried) < give[0]:
            raise InfeasibleError("none")
        return replace(free, design=free.design.copy())

    monkeypatch.setattr(solving, "buildable_bounds", bounds)
    monkeypatch.setattr(solving, "grade", grade)
    line = SightLine(
        "Z", np.arange(30), np.zeros(30), np.full(30, 0.1), np.full(30, 0.1), (0.0, 0.0), ((0.0, 0.0),) * 2
    )
    for count, last in ((1, (0, False)), (2, (0, False)), (3, (1, False)), (4, (2, False)), (5, (1, True))):
        tried.clear()
        give[0] = count
        made = solver([line])
        assert len(tried) == count and tried[-1] == last and solver.buildable(made) == (count < 5)
    tried.clear()
    give[0] = 9
    made = solver([line])
    assert made.design is free.design and not solver.buildable(made)


def test_a_line_for_machines_has_room_for_a_lift_and_none_where_nothing_is_moved():
    solver = solver_of(build_m=0.02)
    line = SightLine(
        "Z",
        np.array([11, 6, 12, 1]),
        np.array([0.5] * 4),
        np.full(4, 0.1),
        np.full(4, 0.1),
        (0.0, 0.2),
        ((-1.0, 1.0),) * 2,
    )
    low, high = np.zeros(30), np.zeros(30)
    low[11], high[11] = 0.05, np.inf  # to be filled
    low[6], high[6] = -np.inf, -0.05  # to be cut
    low[12], high[12] = -1.0, 1.0
    told = solver._for_machines(line, np.array([0.1, 0.1]), low, high)
    assert told.ends == (0.1, 0.1) and told.reach == ((0.1, 0.1), (0.1, 0.1))
    # what may be cut and filled is not to be worked either way, however near it lies to a limit
    low[11], high[11], low[6], high[6] = -0.5, np.inf, -np.inf, 0.5
    either = solver._for_machines(line, np.array([0.1, 0.1]), low, high)
    assert either.high == pytest.approx([0.1, 0.1, 0.1, np.inf]) == either.low
    # 0.3 - 0.1 + 0.05 + 0.02 above the line; 0.05 + 0.02 + 0.1 below it; as they were; nothing asked
    assert told.high == pytest.approx([0.27, 0.1, 0.1, np.inf]) and told.low == pytest.approx([0.1, 0.17, 0.1, np.inf])


def test_no_works_are_below_the_bound_and_dust_is_left_lying():
    prices = Prices(2.0, 3.0, surface_m2=4.0, set_head=50.0)
    solver = solver_of(prices, Machine(0.0, 0.0))
    under = np.flatnonzero(solver.cells.movable)
    line = SightLine("Z", under, np.full(18, 0.5), np.full(18, 0.1), np.full(18, 0.1), (0.0, 0.0), ((0.0, 0.0),) * 2)
    made = solver([line])
    # six cells 0.3 m up: 0.2 m of each goes, and they are worked
    assert made.cut_m3 == pytest.approx(6 * 0.2 * 0.25, rel=1e-3) and solver.bound(made) is None
    assert made.cost == pytest.approx(6 * 0.25 * (0.2 * 2.0 + 4.0), rel=1e-3)
    solver._asked[id(made.design)] = made.design, [line]
    assert solver.bound(made) == pytest.approx(6 * 0.25 * (0.2 * 2.0 + 4.0), rel=1e-3)
    assert solver.bound(replace(made, moved=np.array([[True, False]]))) == pytest.approx(solver.bound(made) + 50.0)
    assert solver.rough([line]) == pytest.approx(made.cost, rel=1e-2)
    change = np.zeros(30)
    change[[6, 7, 8]] = 0.004, -0.004, 0.006
    dusty = replace(made, cut=np.maximum(-change, 0), fill=np.maximum(change, 0), design=solver.cells.ground + change)
    clean = solver._without_dust(dusty)
    assert (clean.design - solver.cells.ground)[[6, 7, 8]] == pytest.approx([0.0, 0.0, 0.006])
    assert clean.cut.max() == 0.0 and clean.fill.sum() == pytest.approx(0.006)
    assert clean.cost == pytest.approx(0.25 * (0.006 * 3.0 + 4.0))
    way = SimpleNamespace(cost=9.0)
    assert solver.price(replace(clean, moved=np.array([[True, True]])), [way, way]) == pytest.approx(clean.cost + 118.0)


def test_heads_that_may_move_do_so_for_nothing_in_the_programme_and_are_priced_afterwards():
    """Which of them may is settled before: two heads at 50 each are moved to spare earth worth 0.6."""
    prices = Prices(2.0, 3.0, set_head=50.0)
    solver = solver_of(prices, Machine(0.0, 0.0))
    under = np.flatnonzero(solver.cells.ground > 0)
    line = SightLine("Z", under, np.full(6, 0.5), np.full(6, 0.1), np.full(6, 0.1), (0.0, 0.0), ((0.0, 0.2),) * 2)
    made = solver([line])
    assert made.moved.all() and made.cut_m3 == pytest.approx(0.0, abs=1e-6) and made.ends.min() >= 0.19
    assert made.cost == pytest.approx(100.0, abs=0.01)
    held = solver([replace(line, reach=((0.0, 0.0),) * 2)])
    assert not held.moved.any() and held.cut_m3 == pytest.approx(6 * 0.2 * 0.25, rel=1e-3)


def test_falls_may_be_lost_by_a_lift_where_flow_goes_round_its_edge_and_nowhere_else(monkeypatch):
    solver, kept, free = solver_of(machine=Machine(0.06, 0.5)), [], free_grading()

    def grade(cells, lines, rules, *, falls=None, bounds=None, weighing=None, explain=True):
        if bounds is None:
            return free
        kept.append(falls.least.tolist())
        raise InfeasibleError("none")

    monkeypatch.setattr(solving, "grade", grade)
    falls = Falls(np.array([6, 7]), np.array([7, 8]), np.array([0.02, 0.05]), np.array([-1, -1]), np.zeros(0))
    line = SightLine(
        "Z", np.arange(30), np.zeros(30), np.full(30, 0.1), np.full(30, 0.1), (0.0, 0.0), ((0.0, 0.0),) * 2
    )
    assert solver._whole([line], falls).design is free.design
    # straight through at first; then less a lift and what is spared, 0.06 and 0.01 m
    assert kept[0] == [0.02, 0.05] and len(kept) == 5
    assert all(one == pytest.approx([-0.05, -0.02]) for one in kept[1:])


@pytest.mark.parametrize(("settled", "fails", "tries"), [(False, 1, 1), (True, 0, 1), (True, 1, 2), (True, 2, 2)])
def test_ways_settled_for_a_wider_tolerance_are_settled_anew_once(monkeypatch, settled, fails, tries):
    solver, asked = solver_of(), []

    def kept_falls(self, lines):
        self._built = np.array([True]) if settled else None
        return "falls"

    def whole(self, lines, falls):
        asked.append(falls)
        if len(asked) <= fails:
            raise InfeasibleError("none")
        return "grading"

    monkeypatch.setattr(Solver, "_kept_falls", kept_falls)
    monkeypatch.setattr(Solver, "_whole", whole)
    if fails >= tries:
        with pytest.raises(InfeasibleError):
            solver([])
    else:
        assert solver([]) == "grading"
    assert asked == ["falls"] * tries
    # and never again afterwards
    fails += len(asked) + 1
    if tries == 2:
        with pytest.raises(InfeasibleError):
            solver([])
        assert len(asked) == tries + 1


@pytest.mark.parametrize(
    ("keep", "ponds", "new", "dry"),
    [
        (True, [], False, True),
        (True, ["pond"], True, False),
        (True, ["pond"], False, True),
        (False, ["pond"], True, True),
    ],
)
def test_a_grading_is_wet_where_water_stands_whose_ways_are_kept_from_now_on(keep, ponds, new, dry):
    solver = solver_of()
    assert solver.dry(None)
    solver.drainage, solver.keep = SimpleNamespace(after=lambda design: ([], ponds), keep_from=lambda ponds: new), keep
    assert solver.dry(SimpleNamespace(design=None)) == dry


def test_ground_at_its_limit_need_not_be_worked():
    """Cells 0.3 m above a line that allows 0.3 m, below one that asks for as much, and a little out of either."""
    solver = solver_of(Prices(2.0, 3.0, surface_m2=4.0), Machine(0.0, 0.0), max_slope=5.0)
    under = np.flatnonzero(solver.cells.ground > 0)
    line = SightLine("Z", under, np.full(6, 0.5), np.full(6, 9.0), np.full(6, 0.3), (0.0, 0.0), ((0.0, 0.0),) * 2)
    below = replace(line, low=np.full(6, 0.3), high=np.full(6, 9.0), ends=(0.6, 0.6), reach=((0.6, 0.6),) * 2)
    made = SimpleNamespace(design=np.zeros(30), moved=np.zeros((1, 2), bool))
    for one, area in ((line, 0.0), (below, 0.0), (replace(line, high=np.full(6, 0.297)), 6 * 0.25),
                      (replace(below, low=np.full(6, 0.297)), 6 * 0.25)):  # fmt: skip
        solver._asked[id(made.design)] = made.design, [one]
        assert solver.bound(made) == pytest.approx(area * (4.0 + 0.003 * (2.0 if one.high[0] < 1 else 3.0)), abs=1e-6)


def test_a_line_for_machines_ends_where_the_free_grading_put_its_ends():
    solver = solver_of()
    line = SightLine("Z", np.array([6]), np.array([0.25]), np.full(1, 0.1), np.full(1, 0.1), (0, 0), ((-1, 1),) * 2)
    told = solver._for_machines(line, np.array([0.1, 0.3]), np.zeros(30), np.full(30, np.inf))
    assert told.ends == (0.1, 0.3) and told.reach == ((0.1, 0.1), (0.3, 0.3))


def test_what_is_asked_of_the_programme_is_a_little_closer_than_what_is_required(monkeypatch):
    """By the centimetre that is left away at most: of tolerances, and of slopes over a cell of half a metre."""
    asked = []

    def free(self, lines, rules, falls):
        asked.append((lines[0].low[0], lines[0].high[0], rules.max_slope))
        if len(asked) % 2:
            raise InfeasibleError("none")
        return Grading(
            *(np.zeros(30) for _ in range(2)),
            self.cells.ground.copy(),
            np.zeros((1, 2)),
            0.0,
            0.25,
            np.zeros((1, 2), bool),
            np.zeros(0, bool),
        )

    monkeypatch.setattr(Solver, "_free", free)
    line = SightLine("Z", np.array([6]), np.zeros(1), np.full(1, 0.1), np.full(1, 0.2), (0, 0), ((0, 0),) * 2)
    # then as it is required; a lift of 4 mm leaves away no more than that; a slope is kept by half at least
    for machine, slope, spare, closer in (
        (Machine(0.05, 0.5), 0.33, 0.01, 0.31),
        (Machine(0.004, 0.5), 0.33, 0.004, 0.322),
        (Machine(0.05, 0.5), 0.03, 0.01, 0.015),
        (Machine(0.0, 0.0), 0.33, 0.0, 0.33),
    ):
        asked.clear()
        made = solver_of(machine=machine, max_slope=slope)([line])
        assert asked[0] == pytest.approx((0.1 - spare, 0.2 - spare, closer))
        assert asked[1] == pytest.approx((0.1, 0.2, slope)) and len(asked) == 2
        # nothing is moved: nothing is left to machines
        assert made.cost == 0.0


def test_works_that_a_machine_makes_are_the_least_that_area_and_earth_allow():
    """Six cells 0.3 m up where 0.1 m is allowed: 0.2 m of each goes, and a quarter of a square metre is worked."""
    solver = solver_of(Prices(2.0, 3.0, surface_m2=4.0))
    under = np.flatnonzero(solver.cells.movable)
    line = SightLine("Z", under, np.full(18, 0.5), np.full(18, 0.1), np.full(18, 0.1), (0.0, 0.0), ((0.0, 0.0),) * 2)
    made = solver([line])
    assert solver.buildable(made)
    assert made.cost == pytest.approx(6 * 0.25 * (0.2 * 2.0 + 4.0), rel=1e-3) == solver.bound(made)


@pytest.mark.parametrize("datum", [0.0, 12.0, -12.0])
def test_dust_is_what_lies_close_to_the_ground_at_any_level(datum):
    solver = solver_of(Prices(2.0, 3.0, surface_m2=4.0))
    cells = solver.cells = replace(solver.cells, ground=solver.cells.ground + datum)
    change = np.zeros(30)
    change[[6, 7, 8]] = 0.004, -0.004, 0.006
    made = Grading(
        *(np.maximum(-change, 0), np.maximum(change, 0), cells.ground + change),
        *(np.zeros((1, 2)), 1.0, 0.25, np.zeros((1, 2), bool), np.zeros(0, bool)),
        water=70.0,
    )
    clean = solver._without_dust(made)
    assert (clean.design - cells.ground)[[6, 7, 8]] == pytest.approx([0.0, 0.0, 0.006])
    # what leads water through the works costs the same with dust and without
    assert clean.cost == pytest.approx(0.25 * (0.006 * 3.0 + 4.0) + 70.0)


def test_room_for_a_lift_is_measured_from_the_line_where_it_runs():
    """A line that rises from 0.1 to 0.3 m: at a quarter of it 0.15 m, under a cell at 0.3 m that is filled."""
    solver = solver_of()
    line = SightLine("Z", np.array([11]), np.array([0.25]), np.full(1, 0.1), np.full(1, 0.1), (0, 0), ((-1, 1),) * 2)
    told = solver._for_machines(line, np.array([0.1, 0.3]), np.full(30, 0.05), np.full(30, np.inf))
    assert solver.cells.ground[11] == 0.3
    assert told.high == pytest.approx([0.15 + 0.05]) and told.low == pytest.approx([0.1])


def test_what_cannot_be_had_as_it_is_required_is_not_looked_for_a_little_closer(monkeypatch):
    """The closer limits leave a part of what the others leave: where that is plainly nothing, no solve is made."""
    asked, grade = [], solving.grade

    def counted(cells, lines, rules, **how):
        asked.append((float(lines[0].high[0]), rules.max_slope))
        return grade(cells, lines, rules, **how)

    monkeypatch.setattr(solving, "grade", counted)
    solver = solver_of()
    # a cell that has to lie at least a metre above the ground beside it, on slopes of one in three
    (cell,) = np.flatnonzero(np.arange(30) == 6)
    high, level = np.full(1, 1.5), ((0.0, 0.0),) * 2
    line = SightLine("Z", np.array([cell]), np.zeros(1), np.full(1, -1.0), high, (0.0, 0.0), level)
    with pytest.raises(InfeasibleError):
        solver([line])
    assert asked == []
    assert solver([replace(line, low=np.full(1, 0.1), high=np.full(1, 0.2))]).cost == 0.0
    assert [high for high, _ in asked] == pytest.approx([0.19])
