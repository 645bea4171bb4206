"""Rows of the grading programme against the limits they stand for, and prices and small programmes worked by hand.

Red when a limit lets a design through that breaks it, or forbids one that keeps it, when a cost is summed wrongly, or
when a window leaves out ground that the whole strip asks for.
"""

from dataclasses import replace

import numpy as np
import pytest

from geotools.earthwork.known import Known
from geotools.earthwork.limits import Falls, limit_rows
from geotools.earthwork.linear import Programme
from geotools.earthwork.prices import CrossingKind, Prices
from geotools.earthwork.programme import GradingRules, Weighing, grade
from geotools.errors import InfeasibleError, NumericInputError
from tests.cells_in_a_row import AREA, chain, sight

DATUM = 10.0
INF = np.inf


CELLS = chain([10.0, 10.4, 9.8, 10.1, 10.6], [True, True, True, False, True])
LINES = [
    sight("A", [0, 1, 2], [0.1, 0.5, 0.9], [0.2, 0.1, INF], [0.2, 0.3, INF], (10.0, 10.2), ((-0.3, 0.1), (0.0, 0.0))),
    sight("B", [2, 4], [0.2, 0.8], 0.3, [INF, 0.2], (10.1, 10.3), ((0.0, 0.2), (-0.1, 0.4))),
]
RULES = GradingRules(
    Prices(cut_m3=2.0, fill_m3=3.0, haul_m3=1.0, set_head=5.0), max_slope=0.6, balance=0.9, build_m=0.02, settle_m=0.05
)
FALLS = Falls(
    np.array([1, 3, 1]), np.array([2, 2, 0]), np.array([0.2, -0.1, 0.1]), np.array([0, -1, 1]), np.array([7.0, 9.0])
)
ENDS_NOW = np.array([(0.0, 0.2), (0.1, 0.3)])


def kept(x, rules=RULES, falls=FALLS, cells=CELLS, lines=LINES):
    """Whether a vector of columns keeps every limit, limit by limit in plain words: the families that fail."""
    n, k = len(cells.ground), len(lines)
    cut, fill, ends = x[:n], x[n : 2 * n], x[2 * n : 2 * n + 2 * k].reshape(k, 2) + DATUM
    moves, heads = x[2 * n + 2 * k : 2 * n + 4 * k].reshape(k, 2), x[2 * n + 4 * k : 2 * n + 6 * k].reshape(k, 2)
    haul, built = x[2 * n + 6 * k], x[2 * n + 6 * k + 1 :]
    level = cells.ground - cut + fill
    broken = set()
    for (p, q), apart in zip(cells.pairs, cells.distance, strict=True):
        if cells.movable[p] or cells.movable[q]:
            steepest = max(rules.max_slope * apart, abs(cells.ground[p] - cells.ground[q]))
            if abs(level[p] - level[q]) > steepest + 1e-9:
                broken.add("slope between cells")
    for j, line in enumerate(lines):
        for cell, t, *sides in zip(line.cells, line.fraction, line.low, line.high, strict=True):
            low, high = sides
            now = cells.ground[cell] - DATUM - ENDS_NOW[j][0] - t * (ENDS_NOW[j][1] - ENDS_NOW[j][0])
            # ground to be worked keeps its tolerance when it is built off, or settles where it is filled
            if now < -low:
                low, high = low - max(rules.build_m, rules.settle_m), high - rules.build_m
            elif now > high:
                low, high = low - rules.build_m, high - rules.build_m
            if low + high < 0:
                low, high = (low - high) / 2, -(low - high) / 2
            above = level[cell] - ends[j, 0] - t * (ends[j, 1] - ends[j, 0])
            if above < -low - 1e-9 or above > high + 1e-9:
                broken.add(f"straightness of {line.name}")
        for end in range(2):
            if abs(ends[j, end] - line.ends[end]) > moves[j, end] + 1e-9:
                broken.add(f"ends of {line.name}")
            span = max(line.ends[end] - line.reach[end][0], line.reach[end][1] - line.ends[end])
            if rules.prices.set_head and span > 0 and moves[j, end] > span * heads[j, end] + 1e-9:
                broken.add(f"heads of {line.name}")
    if falls is not None:
        for p, q, least, number in zip(falls.upper, falls.lower, falls.least, falls.crossing, strict=True):
            if level[p] - level[q] + (5.0 * built[number] if number >= 0 else 0.0) < least - 1e-9:
                broken.add("fall of a flow path")
    if rules.balance is not None and abs(rules.balance * cut.sum() - fill.sum()) > 1e-9:
        broken.add("balance of cut and fill")
    if rules.prices.haul_m3 and haul < abs(fill.sum() - cut.sum()) * cells.area - 1e-9:
        broken.add("haul")
    return broken


def by_rows(rules, falls):
    """The same by the programme's rows, made once."""
    rows = limit_rows(CELLS, LINES, rules, falls, DATUM, ENDS_NOW)
    matrix, low, high = rows.matrix().toarray(), np.concatenate(rows.low), np.concatenate(rows.high)
    names = np.array([name for name, cell in rows.families for _ in cell])
    assert len(names) == len(matrix)

    def broken(x):
        value = matrix @ x
        return set(names[(value < low - 1e-9) | (value > high + 1e-9)].tolist())

    return broken


VARIANTS = [
    (RULES, FALLS),
    (replace(RULES, balance=None), FALLS),
    (replace(RULES, prices=replace(RULES.prices, haul_m3=0.0, set_head=0.0)), None),
    (replace(RULES, build_m=0.0, settle_m=0.0), FALLS),
    (replace(RULES, build_m=0.18, settle_m=0.0), FALLS),
    (RULES, Falls(FALLS.upper, FALLS.lower, FALLS.least, np.full(3, -1), np.zeros(0))),
]


@pytest.mark.parametrize("which", range(len(VARIANTS)))
def test_rows_let_through_what_keeps_every_limit_and_nothing_else(which):
    rules, falls = VARIANTS[which]
    rng = np.random.default_rng(which)
    n, k, j = 5, 2, 0 if falls is None else len(falls.prices)
    whole, broken = set(), by_rows(rules, falls)
    for number in range(300):
        x = np.zeros(2 * n + 6 * k + 1 + j)
        # half of them near today, so that each limit is now kept and now broken
        size = (0.02, 0.1, 0.4)[number % 3]
        x[:n], x[n : 2 * n] = (
            rng.uniform(0, size, n) * (rng.uniform(size=n) < 0.5),
            rng.uniform(0, size, n) * (rng.uniform(size=n) < 0.5),
        )
        if number % 2:
            x[n : 2 * n] *= 0.9 * x[:n].sum() / max(x[n : 2 * n].sum(), 1e-12)
        now = np.array([line.ends for line in LINES]).ravel() - DATUM
        x[2 * n : 2 * n + 2 * k] = now + rng.uniform(-size, size, 2 * k)
        x[2 * n + 2 * k : 2 * n + 4 * k] = rng.uniform(0, 1.5 * size, 2 * k)
        x[2 * n + 4 * k : 2 * n + 6 * k] = rng.integers(0, 2, 2 * k)
        x[2 * n + 6 * k] = rng.uniform(0, size)
        x[2 * n + 6 * k + 1 :] = rng.integers(0, 2, j)
        expected = kept(x, rules, falls)
        assert broken(x) == expected
        whole |= expected
    assert {"slope between cells", "straightness of A", "straightness of B", "ends of A", "ends of B"} <= whole
    assert ("fall of a flow path" in whole) == (falls is not None) and ("heads of A" in whole) == bool(
        rules.prices.set_head
    )


def test_falls_by_hand():
    left = FALLS.built(np.array([True, False]))
    assert left.upper.tolist() == [3, 1] and left.lower.tolist() == [2, 0] and left.least.tolist() == [-0.1, 0.1]
    assert left.crossing.tolist() == [-1, -1] and left.prices.size == 0
    level = np.array([0.0, 0.1, 0.05, 0.0, 0.0])
    # 0.05 of 0.2; -0.05 of -0.1; 0.1 of 0.1
    assert FALLS.short(level).tolist() == [True, False, False]
    assert FALLS.short(level, -1e-6).tolist() == [True, False, True]
    assert FALLS.lost(level).tolist() == [True, False]
    assert FALLS.lost(np.array([0.0, 0.09, 0.0, -0.3, 0.0])).tolist() == [True, True]
    assert FALLS.lost(np.array([0.0, 0.3, 0.1, 0.0, 0.0])).tolist() == [False, False]
    assert FALLS.lost(np.array([0.0, 0.3, 0.1, -1.0, 0.0])).tolist() == [False, False]


def test_one_cell_too_high_costs_its_cut_its_area_and_its_haul():
    cells = chain([10.0, 10.5, 10.0], [False, True, False])
    line = sight("A", [0, 1, 2], [0.0, 0.5, 1.0], 0.2, 0.2, (10.0, 10.0))
    for prices in (Prices(3.0, 7.0), Prices(3.0, 7.0, haul_m3=2.0), Prices(3.0, 7.0, surface_m2=1.5, strip_m2=0.5)):
        made = grade(cells, [line], GradingRules(prices, max_slope=2.0))
        assert made.cut == pytest.approx([0.0, 0.3, 0.0], abs=1e-6) and made.fill.max() < 1e-9
        assert made.cost == pytest.approx(AREA * (0.3 * (3.0 + prices.haul_m3) + prices.area_m2), rel=1e-4)
        assert (made.cut_m3, made.worked_m2) == pytest.approx((0.3 * AREA, AREA))
    deep = grade(chain([10.0, 9.5, 10.0], [False, True, False]), [line], GradingRules(Prices(3.0, 7.0), max_slope=2.0))
    assert deep.cost == pytest.approx(AREA * 0.3 * 7.0, rel=1e-4) and deep.fill_m3 == pytest.approx(0.3 * AREA)
    # built 0.02 off, it is cut 0.02 more; filled, it settles 0.05
    off = GradingRules(Prices(3.0, 7.0), max_slope=2.0, build_m=0.02, settle_m=0.05)
    assert grade(cells, [line], off).cut[1] == pytest.approx(0.32, abs=1e-6)
    deep = grade(chain([10.0, 9.5, 10.0], [False, True, False]), [line], off)
    assert deep.fill[1] == pytest.approx(0.35, abs=1e-6)


def test_a_head_is_moved_where_that_is_cheaper_than_the_earth():
    """All four cells lie 0.4 m up: cut 0.2 m of each, or lift both heads by 0.2 m."""
    cells = chain([10.4] * 4)
    free = ((-0.5, 0.5), (-0.5, 0.5))
    line = sight("A", [0, 1, 2, 3], [0.1, 0.4, 0.6, 0.9], 0.2, 0.2, (10.0, 10.0), free)
    earth = 4 * 0.2 * AREA * 10.0
    dear = grade(cells, [line], GradingRules(Prices(10.0, 10.0, set_head=1.01 * earth)))
    assert not dear.moved.any() and dear.cost == pytest.approx(earth, rel=1e-3) and dear.ends == pytest.approx(10.0)
    cheap = grade(cells, [line], GradingRules(Prices(10.0, 10.0, set_head=0.1 * earth)))
    assert cheap.moved.all() and cheap.cost == pytest.approx(0.2 * earth, rel=1e-3) and cheap.cut.max() < 1e-6
    assert cheap.ends == pytest.approx(10.2, abs=1e-4)
    # whatever the currency
    for rate in (1e-4, 1e4):
        same = grade(cells, [line], GradingRules(Prices(10.0 * rate, 10.0 * rate, set_head=0.1 * earth * rate)))
        assert same.moved.all() and same.ends == pytest.approx(10.2, abs=1e-4)
        assert same.cost == pytest.approx(0.2 * earth * rate, rel=1e-3)
    held = grade(
        cells, [replace(line, reach=((10.0, 10.0), (10.0, 10.0)))], GradingRules(Prices(10.0, 10.0, set_head=0.1))
    )
    assert not held.moved.any() and held.cost == pytest.approx(earth, rel=1e-3)
    with pytest.raises(NumericInputError, match="above its highest"):
        Programme(cells, [replace(line, reach=((10.1, 10.0), (10.0, 10.0)))], GradingRules(), None)


def test_a_crossing_is_built_where_it_is_cheaper_than_keeping_the_fall():
    """A hump of 0.5 m that has to go takes the fall of 0.4 m with it: deeper cut beyond, or a pipe."""
    cells = chain([10.0, 10.5, 10.1, 10.0], [False, True, True, False])
    line = sight("A", [1], [0.5], 0.1, 0.1, (10.0, 10.0))

    def made(price):
        falls = Falls(np.array([1]), np.array([2]), np.array([0.4]), np.array([0]), np.array([price]))
        return grade(cells, [line], GradingRules(Prices(8.0, 8.0), max_slope=2.0), falls=falls)

    earth, deeper = 0.4 * AREA * 8.0, 0.4 * AREA * 8.0
    pipe = made(0.5 * deeper)
    assert pipe.crossings.tolist() == [True] and pipe.water == pytest.approx(0.5 * deeper)
    assert pipe.cost == pytest.approx(earth + 0.5 * deeper, rel=1e-3)
    dug = made(1.5 * deeper)
    assert (
        dug.crossings.tolist() == [False] and dug.water == 0.0 and dug.cost == pytest.approx(earth + deeper, rel=1e-3)
    )


def test_balanced_earth_is_fed_by_cut_alone():
    cells = chain([10.0, 9.5, 10.0, 10.2, 10.0], [False, True, False, True, False])
    line = sight("A", [1], [0.5], 0.1, 0.1, (10.0, 10.0))
    made = grade(cells, [line], GradingRules(Prices(1.0, 1.0), max_slope=3.0, balance=0.8))
    assert made.fill_m3 == pytest.approx(0.8 * made.cut_m3) and made.fill[1] >= 0.4 - 1e-6
    assert made.cut[3] == pytest.approx(made.fill[1] / 0.8)


def test_what_gives_way_first_is_named_with_its_place():
    cells = chain([10.0, 10.0, 11.5, 10.0, 10.0], [False, True, False, True, False])
    line = sight("A", [1, 2], [0.3, 0.5], 0.1, 0.1, (10.0, 10.0))
    with pytest.raises(InfeasibleError, match="straightness of A") as problem:
        grade(cells, [line], GradingRules(max_slope=9.0))
    assert cells.where(2) in str(problem.value) and "1.400 m" in str(problem.value)


def test_what_holds_for_the_whole_strip_is_said_of_the_whole_strip():
    cells = chain([10.0, 9.0, 10.0], [False, True, False])
    with pytest.raises(InfeasibleError, match="balance of cut and fill") as problem:
        grade(cells, [sight("A", [1], [0.5], 5.0, 5.0, (10.0, 10.0))], GradingRules(max_slope=9.0, balance=1.0),
              bounds=(np.array([0.0, 0.5, 0.0]), np.array([0.0, 0.9, 0.0])))  # fmt: skip
    assert "the whole strip" in str(problem.value)


def test_prices_by_hand():
    prices = Prices(cut_m3=2.0, fill_m3=3.0, haul_m3=5.0, surface_m2=7.0, strip_m2=11.0)
    assert prices.earth(10.0, 4.0, 2.0) == 20 + 12 + 30 + 36 and prices.earth(4.0, 10.0, 0.0) == 8 + 30 + 30
    low, deep = CrossingKind("channel", 2.0, 1.0, most_catchment_m2=50.0), CrossingKind("pipe", 1.0, 9.0, cover_m=0.4)
    offered = replace(prices, crossings=(low, deep))
    assert low.price(3.0) == 7.0 and deep.price(3.0) == 12.0
    assert offered.crossing(3.0, 50.0) is low and offered.crossing(3.0, 51.0) is None
    assert offered.crossing(9.0, 50.0, 0.4) is deep and offered.crossing(9.0, 50.0, 0.39) is low
    assert offered.crossing(8.0, 60.0, 0.5) is deep and Prices().crossing(1.0, 1.0) is None
    assert replace(prices, placeholders=frozenset({"head"})).stated(["post"])
    assert not replace(prices, placeholders=frozenset({"head"})).stated(["post", "head"])
    for name in ("cut_m3", "fill_m3"):
        with pytest.raises(NumericInputError):
            Prices(**{name: 0.0})
    # what nobody has priced costs nothing, a cubic metre of either kind one
    assert {name: getattr(Prices(), name) for name in ("cut_m3", "fill_m3")} == {"cut_m3": 1.0, "fill_m3": 1.0}
    assert CrossingKind("any", 3.0).price(2.0) == 6.0
    assert CrossingKind("any", 3.0).cover_m == 0.0 and CrossingKind("any", 3.0).most_catchment_m2 == np.inf
    for name in ("haul_m3", "surface_m2", "strip_m2", "set_head", "head", "post"):
        assert getattr(Prices(), name) == 0.0
        assert getattr(Prices(**{name: 0.0}), name) == 0.0
        with pytest.raises(NumericInputError):
            Prices(**{name: -0.1})
    limits = [
        ("max_slope", 0.0),
        ("build_m", 0.51),
        ("build_m", -0.1),
        ("settle_m", 0.51),
        ("settle_m", -0.1),
        ("balance", 0.29),
    ]
    for name, value in [*limits, ("balance", 2.01)]:
        with pytest.raises(NumericInputError):
            GradingRules(**{name: value})
    GradingRules(max_slope=0.01, build_m=0.5, settle_m=0.5, balance=0.3)
    GradingRules(balance=2.0)


def test_worked_ground_is_weighed_by_what_a_touch_costs():
    """Two cells out by 0.1 m beside each other and dear ground: none but those two is touched, whatever the start."""
    ground = np.full(9, 10.0)
    ground[4:6] = 10.3
    line = sight("A", np.arange(9), np.linspace(0, 1, 9), 0.2, 0.2, (10.0, 10.0))
    rules = GradingRules(Prices(1.0, 1.0, surface_m2=50.0), max_slope=1.0)
    for weighing in (Weighing(), Weighing(np.full(9, 0.1), 1, Known()), Weighing(times=2)):
        made = grade(chain(ground), [line], rules, weighing=weighing)
        assert np.flatnonzero(made.cut > 1e-4).tolist() == [4, 5]
        assert made.cost == pytest.approx(AREA * (0.2 + 2 * 50.0), rel=1e-3)
    with pytest.raises(InfeasibleError):
        grade(chain(ground), [line], rules, bounds=(np.full(9, -0.05), np.full(9, 0.05)))
