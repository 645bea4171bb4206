"""The grading programme against brute force, against another modelling layer and solver, and against its own limits."""

import itertools

import numpy as np
import pytest

from geotools.earthwork.limits import Falls, SightLine
from geotools.earthwork.prices import CrossingKind, Prices
from geotools.earthwork.programme import GradingRules, grade
from geotools.earthwork.water import flood
from geotools.errors import InfeasibleError, NumericInputError
from geotools.terrain.cells import Cells, strip_cells


def rough(seed: int, nx: int, ny: int, cell: float = 0.5, amplitude: float = 0.07) -> np.ndarray:
    rng = np.random.default_rng(seed)
    x, y = (np.arange(nx) + 0.5)[:, None] * cell, (np.arange(ny) - (ny - 1) / 2)[None, :] * cell
    return 100 + sum(
        amplitude * np.sin(2 * np.pi * (x * np.cos(a) + y * np.sin(a)) / length + p)
        for a, length, p in zip(rng.uniform(-0.5, 0.5, 4), (8, 17, 31, 60), rng.uniform(0, 6, 4), strict=True)
    )


def line_over(
    cells: Cells, length: float, half_width: float, low: float, high: float, *, free: float = 0.0
) -> SightLine:
    under = np.flatnonzero(np.abs(cells.place[:, 1]) <= half_width)
    t = cells.place[under, 0] / length
    near = [float(cells.ground[under[np.argmin(np.abs(t - end))]]) for end in (0.0, 1.0)]
    k = len(under)
    return SightLine(
        "zone 1",
        under,
        t,
        np.full(k, low),
        np.full(k, high),
        (near[0], near[1]),
        ((near[0] - free, near[0] + free), (near[1] - free, near[1] + free)),
    )


def brute(cells: Cells, line: SightLine, rules: GradingRules, levels: np.ndarray) -> float:
    """Least cost over every assignment of the given levels to the movable cells (ends fixed)."""
    move = np.flatnonzero(cells.movable)
    p, q = cells.pairs.T
    limit = np.maximum(rules.max_slope * cells.distance, np.abs(cells.ground[p] - cells.ground[q])) + 1e-9
    target = line.ends[0] + line.fraction * (line.ends[1] - line.ends[0])
    # all choices at once, one a row
    d = np.tile(cells.ground, (len(levels) ** len(move), 1))
    d[:, move] = np.stack(np.meshgrid(*[levels] * len(move), indexing="ij"), axis=-1).reshape(-1, len(move))
    dev = d[:, line.cells] - target
    fits = ((dev >= -line.low - 1e-9) & (dev <= line.high + 1e-9)).all(axis=1)
    d = d[fits]
    d = d[(np.abs(d[:, p] - d[:, q]) <= limit).all(axis=1)]
    rise = d - cells.ground
    cut, fill = np.maximum(-rise, 0.0).sum(axis=1), np.maximum(rise, 0.0).sum(axis=1)
    return float((cells.area * (rules.prices.cut_m3 * cut + rules.prices.fill_m3 * fill)).min(initial=np.inf))


@pytest.mark.parametrize("seed", range(4))
def test_tiny_grids_match_brute_force(seed):
    # With whole-number data and fixed ends every row is a difference of two levels: the optimum is a whole number too,
    # so trying every whole level is exact and not a sample.
    rng = np.random.default_rng(seed)
    ground = rng.integers(0, 5, (3, 4)).astype(float)
    cells = strip_cells(ground, 1.0)
    under = np.flatnonzero(cells.movable)
    line = SightLine(
        "z", under, np.full(6, 0.5), np.full(6, 1.0), np.full(6, 1.0), (2.0, 2.0), ((2.0, 2.0), (2.0, 2.0))
    )
    rules = GradingRules(Prices(cut_m3=3.0, fill_m3=5.0), max_slope=2.0)
    expected = brute(cells, line, rules, np.arange(-1.0, 7.0))
    if np.isinf(expected):
        with pytest.raises(InfeasibleError):
            grade(cells, [line], rules)
    else:
        assert grade(cells, [line], rules).cost == pytest.approx(expected, abs=1e-6)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_optimum_matches_another_modelling_layer_and_solver():
    # PuLP builds the model from its own expressions and hands it to CBC: another layer, another solver.
    pulp = pytest.importorskip("pulp")
    ground = rough(3, 24, 8)
    cells = strip_cells(ground, 0.5)
    line = line_over(cells, 12.0, 1.1, 0.03, 0.05, free=0.2)
    rules = GradingRules(Prices(cut_m3=4.0, fill_m3=9.0), max_slope=0.2, balance=0.9)
    model = pulp.LpProblem("grading", pulp.LpMinimize)
    n = len(cells.ground)
    cut = [pulp.LpVariable(f"c{i}", 0, None if cells.movable[i] else 0) for i in range(n)]
    fill = [pulp.LpVariable(f"f{i}", 0, None if cells.movable[i] else 0) for i in range(n)]
    a, b = (pulp.LpVariable(f"e{e}", *line.reach[e]) for e in (0, 1))
    model += cells.area * pulp.lpSum(4.0 * c + 9.0 * f for c, f in zip(cut, fill, strict=True))
    level = [cells.ground[i] - cut[i] + fill[i] for i in range(n)]
    for i, t in zip(line.cells, line.fraction, strict=True):
        model += level[i] - (1 - t) * a - t * b >= -0.03
        model += level[i] - (1 - t) * a - t * b <= 0.05
    for p, q in cells.pairs:
        limit = max(0.2 * 0.5, abs(cells.ground[p] - cells.ground[q]))
        model += level[p] - level[q] <= limit
        model += level[q] - level[p] <= limit
    model += pulp.lpSum(fill) == 0.9 * pulp.lpSum(cut)
    assert pulp.LpStatus[model.solve(pulp.PULP_CBC_CMD(msg=False))] == "Optimal"
    ours = grade(cells, [line], rules)
    assert ours.cost == pytest.approx(pulp.value(model.objective), rel=1e-5)
    assert ours.fill_m3 == pytest.approx(0.9 * ours.cut_m3, abs=1e-6)


def test_every_limit_holds_on_the_design_surface():
    ground = rough(1, 120, 12)
    cells = strip_cells(ground, 0.5)
    line = line_over(cells, 60.0, 1.6, 0.05, 0.075, free=0.2)
    rules = GradingRules(max_slope=0.25)
    made = grade(cells, [line], rules)
    target = made.ends[0, 0] + line.fraction * (made.ends[0, 1] - made.ends[0, 0])
    deviation = made.design[line.cells] - target
    assert deviation.min() >= -0.05 - 1e-6 and deviation.max() <= 0.075 + 1e-6
    p, q = cells.pairs.T
    limit = np.maximum(0.25 * 0.5, np.abs(cells.ground[p] - cells.ground[q]))
    assert (np.abs(made.design[p] - made.design[q]) <= limit + 1e-6).all()
    assert (made.design[~cells.movable] == cells.ground[~cells.movable]).all()
    assert (np.minimum(made.cut, made.fill) == 0).all()


def test_straight_ground_is_left_alone():
    cells = strip_cells(100 + 0.02 * np.arange(40.0)[:, None] + np.zeros((40, 9)), 0.5)
    line = line_over(cells, 20.0, 1.1, 0.05, 0.05)
    made = grade(cells, [line])
    assert made.cut_m3 == pytest.approx(0, abs=1e-6) and made.fill_m3 == pytest.approx(0, abs=1e-6)


def test_free_ends_never_cost_more_than_fixed_ends():
    cells = strip_cells(rough(2, 160, 12), 0.5)
    fixed = grade(cells, [line_over(cells, 80.0, 1.6, 0.075, 0.075)])
    free = grade(cells, [line_over(cells, 80.0, 1.6, 0.075, 0.075, free=0.3)])
    assert free.cost < fixed.cost


def test_overlapping_zones_are_solved_together():
    cells = strip_cells(rough(5, 160, 10), 0.5)
    whole = line_over(cells, 80.0, 1.1, 0.05, 0.05, free=0.3)
    x = cells.place[whole.cells, 0]

    def part(name: str, start: float, stop: float) -> SightLine:
        here = (x >= start) & (x <= stop)
        k = int(here.sum())
        return SightLine(
            name,
            whole.cells[here],
            (x[here] - start) / (stop - start),
            np.full(k, 0.05),
            np.full(k, 0.05),
            (100.0, 100.0),
            ((99.0, 101.0), (99.0, 101.0)),
        )

    made = grade(cells, [part("zone 1", 0, 45), part("zone 2", 35, 80)])
    for line, (a, b) in zip((part("zone 1", 0, 45), part("zone 2", 35, 80)), made.ends, strict=True):
        assert np.abs(made.design[line.cells] - a - line.fraction * (b - a)).max() <= 0.05 + 1e-6


def test_drain_gives_every_ponding_cell_its_fall():
    # a trough, lowest in its middle: water stands there until the floor is made to fall to both ends
    x, y = np.arange(30.0)[:, None] - 14.5, np.arange(9.0)[None, :] - 4
    ground = 100 + 0.02 * np.abs(y) + 0.003 * np.abs(x)
    cells = strip_cells(ground, 0.5)
    flow = flood(ground)
    assert (flow.filled - ground).max() > 0.03
    line = line_over(cells, 15.0, 1.1, 0.2, 0.2)
    upper = np.flatnonzero(flow.receiver != np.arange(ground.size))
    lower = flow.receiver[upper]
    step = np.hypot(*(cells.place[upper] - cells.place[lower]).T)
    falls = Falls(upper, lower, 0.01 * step, np.full(len(upper), -1), np.zeros(0))
    some = cells.movable[upper] | cells.movable[lower]
    falls = Falls(upper[some], lower[some], falls.least[some], falls.crossing[some], falls.prices)
    made = grade(cells, [line], falls=falls)
    design = made.design.reshape(ground.shape)
    assert (flood(design).filled - design).max() < 1e-6
    assert made.fill_m3 + made.cut_m3 > 0.05


def test_a_no_dig_cell_in_the_way_is_named_with_its_place():
    ground = 100 + np.zeros((40, 9))
    ground[20, 4] = 99.6
    no_dig = np.zeros(ground.shape, bool)
    no_dig[20, 4] = True
    cells = strip_cells(ground, 0.5, no_dig=no_dig)
    with pytest.raises(InfeasibleError, match="straightness of zone 1") as caught:
        grade(cells, [line_over(cells, 20.0, 1.1, 0.05, 0.05)])
    assert caught.value.where == "chainage 10.2 m, offset +0.0 m"
    assert "0.350 m" in caught.value.found


@pytest.mark.parametrize("bad", [{"max_slope": 0.0}, {"balance": 9.0}, {"build_m": -0.01}, {"settle_m": 2.0}])
def test_rules_that_contradict_are_refused(bad):
    with pytest.raises(NumericInputError):
        GradingRules(**bad)


@pytest.mark.parametrize("bad", [{"cut_m3": 0.0}, {"fill_m3": -3.0}, {"surface_m2": -1.0}, {"set_head": float("nan")}])
def test_prices_that_are_none_are_refused(bad):
    with pytest.raises(NumericInputError):
        Prices(**bad)


def test_ground_without_level_is_refused():
    with pytest.raises(NumericInputError, match="without a level"):
        strip_cells(np.array([[1.0, np.nan, 1.0]]), 0.5)


def small_case(seed: int) -> tuple[Cells, SightLine, Prices]:
    """A strip of 2 x 4 movable cells with whole levels, a line whose ends may move by a metre, and prices of all kinds.

    Every price differs from every other, so that one taken for another shows.
    """
    rng = np.random.default_rng(seed)
    ground = rng.integers(0, 4, (4, 4)).astype(float)
    cells = strip_cells(ground, 1.0)
    under = np.flatnonzero(cells.movable)
    one = np.ones(len(under))
    line = SightLine("z", under, 0.5 * one, 0.5 * one, 0.5 * one, (2.0, 2.0), ((1.0, 3.0), (1.0, 3.0)))
    prices = Prices(
        cut_m3=float(rng.uniform(1, 4)),
        fill_m3=float(rng.uniform(5, 9)),
        haul_m3=float(rng.uniform(0, 2)),
        surface_m2=float(rng.uniform(0, 3)),
        strip_m2=float(rng.uniform(0, 2)),
        set_head=float(rng.uniform(1, 6)),
    )
    return cells, line, prices


def least_price(cells: Cells, line: SightLine, prices: Prices, max_slope: float) -> float:
    """The least price over every half level of the line's middle and every half level of every cell."""
    move = np.flatnonzero(cells.movable)
    p, q = cells.pairs.T
    limit = np.maximum(max_slope * cells.distance, np.abs(cells.ground[p] - cells.ground[q])) + 1e-9
    best = np.inf
    for middle in np.arange(1.0, 3.01, 0.5):
        off = abs(middle - 2.0)  # the middle moves by half of what one end moves, so one head does up to half a metre
        heads = 0 if off == 0 else 1 if off <= 0.5 else 2
        options = []
        for _ in move:
            near = [v for v in np.arange(-0.5, 4.51, 0.5) if abs(v - middle) <= 0.5 + 1e-9]
            options.append(near)
        for choice in itertools.product(*options):
            d = cells.ground.copy()
            d[move] = choice
            if (np.abs(d[p] - d[q]) > limit).any():
                continue
            rise = (d - cells.ground)[move]
            cut, fill = -rise[rise < 0].sum(), rise[rise > 0].sum()
            price = prices.cut_m3 * cut + prices.fill_m3 * fill + prices.haul_m3 * abs(fill - cut)
            price += (prices.surface_m2 + prices.strip_m2) * np.count_nonzero(rise) + prices.set_head * heads
            best = min(best, price)
    return best


@pytest.mark.parametrize("seed", range(12))
def test_earth_area_haul_and_heads_together_cost_within_two_percent_of_brute_force(seed):
    cells, line, prices = small_case(seed)
    # Levels in halves suffice: with the line's middle at a half level every limit is a difference of two levels. A
    # middle between two half levels could be cheaper still, so the programme may come out below, never 2 % above.
    expected = least_price(cells, line, prices, 2.0)
    rules = GradingRules(prices, max_slope=2.0)
    if np.isinf(expected):
        with pytest.raises(InfeasibleError):
            grade(cells, [line], rules)
        return
    made = grade(cells, [line], rules)
    assert made.cost <= 1.02 * expected + 1e-6
    change = made.design - cells.ground
    cut, fill = -change[change < 0].sum(), change[change > 0].sum()
    again = prices.earth(cut, fill, float((np.abs(change) > 1e-4).sum())) + prices.set_head * made.moved.sum()
    assert made.cost == pytest.approx(again)


def test_fill_and_cut_have_their_own_prices():
    ground = np.full((6, 5), 100.0)
    ground[2:4, 2] = 99.0, 101.0
    cells = strip_cells(ground, 1.0)
    fixed = line_over(cells, 6.0, 0.4, 0.0, 0.0)
    fixed = SightLine("z", fixed.cells, fixed.fraction, fixed.low, fixed.high, (100.0, 100.0), ((100.0,) * 2,) * 2)
    made = grade(cells, [fixed], GradingRules(Prices(cut_m3=18.0, fill_m3=32.0), max_slope=2.0))
    assert (made.cut_m3, made.fill_m3) == pytest.approx((1.0, 1.0))
    assert made.cost == pytest.approx(18.0 + 32.0)
    dear_fill = grade(cells, [fixed], GradingRules(Prices(cut_m3=18.0, fill_m3=50.0), max_slope=2.0))
    dear_cut = grade(cells, [fixed], GradingRules(Prices(cut_m3=25.0, fill_m3=32.0), max_slope=2.0))
    assert (dear_fill.cost - made.cost, dear_cut.cost - made.cost) == pytest.approx((18.0, 7.0))


@pytest.mark.parametrize(("fill", "level", "cost"), [(5.0, 0.0, 12.0), (3.5, 1.0, 10.5)])
def test_of_cutting_and_filling_the_cheaper_by_its_own_price_is_chosen(fill, level, cost):
    """Three cells at level 0 and four at 1 under a beam that may lie at either: cut four at 3, or fill three."""
    ground = np.tile([[0.0], [0.0], [0.0], [1.0], [1.0], [1.0], [1.0]], (1, 3))
    cells = strip_cells(ground, 1.0)
    under = np.flatnonzero(np.abs(cells.place[:, 1]) < 0.1)
    nothing = np.zeros(under.size)
    line = SightLine("z", under, nothing + 0.5, nothing, nothing, (level, level), ((0.0, 1.0), (0.0, 1.0)))
    made = grade(cells, [line], GradingRules(Prices(cut_m3=3.0, fill_m3=fill), max_slope=2.0))
    assert made.cost == pytest.approx(cost)
    assert made.design[under] == pytest.approx(np.full(7, level), abs=1e-6)


def test_a_head_is_moved_only_where_that_is_cheaper_than_earth():
    # all ground under the beam lies 0.2 m above the line: cutting it takes 0.2 m over 20 m2 at 10, heads cost each
    ground = 100.2 + np.zeros((20, 5))
    cells = strip_cells(ground, 1.0)
    under = np.flatnonzero(np.abs(cells.place[:, 1]) <= 1.1)
    k = np.zeros(len(under))
    t = cells.place[under, 0] / 20.0
    line = SightLine("z", under, t, k, k, (100.0, 100.0), ((99.7, 100.3), (99.7, 100.3)))
    earth = 0.2 * len(under) * 10.0
    for head, moved in ((0.4 * earth, True), (0.6 * earth, False)):
        made = grade(cells, [line], GradingRules(Prices(cut_m3=10.0, fill_m3=30.0, set_head=head), max_slope=1.0))
        assert made.moved.all() == moved
        assert made.cost == pytest.approx(2 * head if moved else earth, rel=1e-3)


def channel() -> tuple[Cells, SightLine, Falls]:
    """A channel 0.3 m deep through ground that has to be level, and the fall of its bed."""
    ground = np.full((21, 9), 100.0)
    ground[10, :] = 99.7 - 0.01 * np.arange(9)
    cells = strip_cells(ground, 1.0)
    line = line_over(cells, 21.0, 1.1, 0.05, 0.05)
    line = SightLine("z", line.cells, line.fraction, line.low, line.high, (100.0, 100.0), ((100.0,) * 2,) * 2)
    bed = np.arange(10 * 9, 11 * 9)
    return cells, line, Falls(bed[:-1], bed[1:], np.full(8, 0.01), np.zeros(8, int), np.array([77.0]))


def test_a_crossing_is_built_where_the_fall_cannot_be_kept_and_has_its_price():
    cells, line, falls = channel()
    rules = GradingRules(Prices(cut_m3=18.0, fill_m3=32.0), max_slope=1.0)
    without = grade(cells, [line], rules)
    made = grade(cells, [line], rules, falls=falls)
    assert made.crossings.tolist() == [True]
    assert made.cost == pytest.approx(without.cost + 77.0)
    nothing_on_offer = Falls(falls.upper, falls.lower, falls.least, np.full(8, -1), np.zeros(0))
    with pytest.raises(InfeasibleError):
        grade(cells, [line], rules, falls=nothing_on_offer)


def test_works_keep_the_tolerance_of_building_inside_their_limits():
    cells, line, _ = channel()
    rules = GradingRules(max_slope=1.0, build_m=0.03, settle_m=0.05)
    made = grade(cells, [line], rules)
    filled = line.cells[(made.fill > 0)[line.cells]]
    assert len(filled) and (made.design[filled] - 0.05 >= 100.0 - 0.05 - 1e-6).all()


def test_the_cheapest_kind_of_crossing_that_fits_is_taken():
    kinds = (
        CrossingKind("stone", 40.0, most_catchment_m2=500.0),
        CrossingKind("grate", 160.0, most_catchment_m2=5000.0),
        CrossingKind("pipe", 70.0, 300.0, cover_m=0.3),
    )
    prices = Prices(crossings=kinds)
    assert prices.crossing(6.0, 400.0).name == "stone"
    assert prices.crossing(6.0, 4000.0).name == "grate"
    assert prices.crossing(6.0, 4000.0, cover_m=0.35).name == "pipe"
    assert prices.crossing(6.0, 9000.0, cover_m=0.1) is None
