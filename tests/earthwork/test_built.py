"""Works as they are built: disturbed, buildable, with water; and zones that stay clear whatever becomes of them."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.buildable import Machine, buildable_bounds, squares
from geotools.earthwork.disturb import KINDS, State, Tolerances, disturb
from geotools.earthwork.falls import Drainage, WaterRules
from geotools.earthwork.prices import CrossingKind, Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.water import flood
from geotools.earthwork.zones import GradeSettings, ZoneGrading, grade_group
from geotools.errors import NumericInputError
from geotools.terrain.cells import strip_cells
from geotools.terrain.design import DesignSurface
from tests.invented_ground import RULES, Formula, dip, zone

STONE = CrossingKind("stone fill", 40.0)
PRICES = Prices(18.0, 32.0, 3.0, 4.0, 1.0, 120.0, crossings=(STONE,))
SETTINGS = GradeSettings(
    GradingRules(PRICES),
    {"walk": 0.15, "crawl": 0.15, "prone": 0.075},
    height_limits={"low": (0.2, 0.45)},
    water=WaterRules(),
    accuracy_m=0.06,
)


def swale(x, y):
    """A dip across the line at 50 m that falls to the south, and ground that falls to it on both sides."""
    return dip(0.5, 5.0, 50.0)(x, y) + 0.01 * y + 0.001 * np.abs(x - 50)


@pytest.fixture(scope="module")
def graded() -> tuple[Perimeter, DesignSurface, ZoneGrading]:
    perimeter = Perimeter([zone()], Formula(swale), RULES)
    surface = DesignSurface(perimeter.ground, (-40, -40, 140, 40))
    return perimeter, surface, grade_group(perimeter, surface, [zone()], SETTINGS)


def dead_in(perimeter: Perimeter, surface: DesignSurface, state: State, headroom: float = 0.0) -> float:
    trial = surface.around(state.strip)
    trial.apply(state.strip, state.design)
    (made,) = state.zones
    own = perimeter.modulation(made, perimeter.levels(made.zone_id, trial))
    return perimeter.dead_length(made.zone_id, perimeter.dead(made.zone_id, own, headroom=headroom))


def test_no_metre_is_undetected_in_any_of_a_hundred_draws(graded):
    perimeter, surface, grading = graded
    assert perimeter.dead_length("Z1", perimeter.dead("Z1")) > 3 and grading.clear
    assert grading.reason == "clear in a re-run, built within +-3 cm, settled 5 cm"
    assert dead_in(perimeter, surface, grading.state) == 0.0
    rng = np.random.default_rng(5)  # draws of its own, not those of the search
    for number in range(100):
        state = disturb(grading.state, KINDS[number % len(KINDS)], rng, Tolerances(0.03, 0.05, 0.02))
        assert dead_in(perimeter, surface, state) == 0.0, KINDS[number % len(KINDS)]


def test_the_headroom_is_kept_over_the_threshold_not_under_it():
    ground = Formula(dip(0.5, 5.0, 50.0))
    asked = replace(SETTINGS, water=None, tolerances=Tolerances(0, 0, 0), machine=Machine(0, 0), accuracy_m=0)
    # the same question put to a perimeter whose threshold itself is 30 % higher
    stricter = Perimeter([zone()], ground, replace(RULES, threshold=1.3 * RULES.threshold))
    dead = {}
    for headroom in (0.3, 0.0):
        perimeter = Perimeter([zone()], ground, RULES)
        surface = DesignSurface(ground, (-40, -40, 140, 40))
        grading = grade_group(perimeter, surface, [zone()], replace(asked, headroom=headroom))
        assert grading.clear
        surface.apply(grading.strip, grading.design)
        own = stricter.modulation(grading.zones[0], stricter.levels("Z1", surface))
        middle = np.abs(stricter.grids["Z1"].chainage_m - 50) < 8
        dead[headroom] = bool(np.any([d & middle for d in stricter.dead("Z1", own).values()]))
    assert dead == {0.3: False, 0.0: True}


def test_works_are_no_thinner_than_a_lift_and_the_survey_and_no_narrower_than_a_machine(graded):
    _, _, grading = graded
    assert grading.buildable
    change = grading.design - grading.strip.cells.ground
    worked = np.abs(change) > 1e-4
    assert worked.any() and np.abs(change[worked]).min() >= 0.06 - 1e-6
    row, column = (a - a.min() for a in (grading.strip.row, grading.strip.column))
    mask = np.zeros((row.max() + 1, column.max() + 1), bool)
    mask[row[worked], column[worked]] = True
    whole = mask[:-1, :-1] & mask[1:, :-1] & mask[:-1, 1:] & mask[1:, 1:]
    covered = np.zeros(mask.shape, bool)
    for r, c in np.argwhere(whole):
        covered[r : r + 2, c : c + 2] = True
    assert (mask == covered).all()  # every worked cell lies in a square of 1 m


def test_no_new_water_stands_outside_crossings(graded):
    perimeter, surface, grading = graded
    rows, columns = surface.change.shape
    x, y = surface.centres(np.arange(rows)[:, None], np.arange(columns)[None, :])
    before = perimeter.ground.sample(x, y)
    made = surface.around(grading.strip)
    made.apply(grading.strip, grading.design)
    after = made.sample(x, y)
    plain = (flood(after).filled - after).sum() * surface.cell_m**2
    assert grading.crossings and plain > 0.5  # without its crossing the filled swale would be a dam
    for crossing in grading.crossings:
        row, column = surface.locate(*crossing.line[0])
        after[row, column] = np.nan
    standing = np.nan_to_num(flood(after).filled - after).sum() * surface.cell_m**2
    assert standing - (flood(before).filled - before).sum() * surface.cell_m**2 <= 0.05


def test_a_crossing_runs_down_through_the_works_and_has_its_price(graded):
    _, _, grading = graded
    for crossing in grading.crossings:
        (x0, y0), (x1, y1) = crossing.line
        assert y0 > y1 and crossing.inlet_m >= crossing.outlet_m  # the ground falls to the south
        assert crossing.cost == pytest.approx(40.0 * np.hypot(x1 - x0, y1 - y0))
    cut, fill, area, _ = grading.volumes()
    moved = sum(
        abs(getattr(a, h) - getattr(b, h)) > 0.005
        for a, b in zip(zone().pairs, grading.zones[0].pairs, strict=True)
        for h in ("tx_height_m", "rx_height_m")
    )
    price = 18 * cut + 32 * fill + 3 * abs(fill - cut) + 5 * area + 120 * moved + sum(c.cost for c in grading.crossings)
    assert grading.price == pytest.approx(price)


def test_heads_stay_where_moving_them_costs_more_than_it_saves(graded):
    perimeter, surface, grading = graded
    dear = replace(SETTINGS, rules=GradingRules(replace(PRICES, set_head=1e5)))
    held = grade_group(perimeter, surface, [zone()], dear)
    assert held.zones[0].pairs[0].tx_height_m == pytest.approx(0.3, abs=1e-6)
    assert held.zones[0].pairs[0].rx_height_m == pytest.approx(0.3, abs=1e-6)
    assert held.clear and grading.price <= held.price + 1e-6


def test_a_neighbours_post_keeps_its_ground():
    zones = [zone(), zone("Z2", start=50.0)]
    perimeter = Perimeter(zones, Formula(dip(0.5, 5.0, 48.0)), RULES)
    surface = DesignSurface(perimeter.ground, (-10, -10, 160, 10))
    grading = grade_group(perimeter, surface, [zones[0]], replace(SETTINGS, water=None))
    near = np.hypot(grading.strip.x - 50.0, grading.strip.y) <= 0.6
    assert near.any() and not grading.strip.cells.movable[near].any()


def test_disturbed_states_stay_within_their_tolerance_and_off_unworked_ground(graded):
    _, _, grading = graded
    rng = np.random.default_rng(3)
    ground = grading.strip.cells.ground
    worked = np.abs(grading.design - ground) > 1e-4
    for kind in KINDS:
        state = disturb(grading.state, kind, rng, Tolerances(0.02, 0.04, 0.01))
        off = state.design - grading.design
        assert (off[~worked] == 0).all()
        expected = {"settled": {-0.04, 0.0}, "heads": {0.0}, "low": {-0.02}, "high": {0.02}}.get(kind, {-0.02, 0.02})
        assert set(np.round(off[worked], 6)) <= expected, kind
    assert (
        disturb(grading.state, "settled", rng).design[grading.design > ground] >= ground[grading.design > ground]
    ).all()
    with pytest.raises(NumericInputError, match="patches of 4 m"):
        disturb(grading.state, "flooded", rng)


def test_narrow_works_are_widened_to_the_machine_and_what_has_no_room_is_given_up():
    wanted, movable = np.zeros((6, 6), bool), np.ones((6, 6), bool)
    wanted[2, 1:5] = True
    made = squares(wanted, movable, 2)
    assert made[2, 1:5].all() and made.sum() == 8
    movable[1], movable[3] = False, False
    assert not squares(wanted, movable, 2).any()


def test_bounds_of_buildable_works_keep_the_sign_of_the_work():
    cells = strip_cells(np.zeros((10, 8)), 0.5)
    change = np.zeros((10, 8))
    change[2:4, 2:4], change[6:8, 4:6], change[0, 6] = 0.03, -0.2, 0.004
    low, high = (b.reshape(10, 8) for b in buildable_bounds(cells, change.ravel(), Machine(0.06, 1.0)))
    assert (low[2:4, 2:4] == 0.06).all() and (high[6:8, 4:6] == -0.06).all()
    assert low[0, 6] == high[0, 6] == 0.0


def test_a_dammed_stream_needs_a_crossing_and_a_pond_beside_it_is_told():
    ground = Formula(lambda x, y: 100 + 0.02 * y + 0.1 * np.abs(x - 25))
    surface = DesignSurface(ground, (-20, -40, 70, 40))
    strip = surface.strip_cells({"Z": zone(length=50.0).line}, 3.0)
    drainage = Drainage(surface, strip, WaterRules(catchment_m2=50.0), PRICES)
    assert drainage.after(strip.cells.ground) == ([], [])
    dam = np.where(strip.cells.movable, np.maximum(strip.cells.ground, 100.3), strip.cells.ground)
    (crossing,), ponds = drainage.after(dam)
    assert crossing.inlet_m >= crossing.outlet_m
    assert not ponds and abs(crossing.line[0, 0] - 25) < 1.0 and crossing.line[0, 1] > crossing.line[1, 1]
    # ground dug out below today's bed: the way leads to where today's ground lies deeper, and leaves nothing standing
    pit = np.where(
        strip.cells.movable & (np.abs(strip.x - 25) < 1.5) & (np.abs(strip.y) < 1.0), 99.7, strip.cells.ground
    )
    (crossing,), ponds = drainage.after(pit, every=True)
    assert not ponds and crossing.outlet_m <= crossing.inlet_m <= 99.7 + 0.01
    assert crossing.outlet_m == pytest.approx(float(ground.sample(*crossing.line[1])), abs=0.02)
    hollow = np.where(strip.cells.movable & (np.hypot(strip.x - 10, strip.y) < 1.5), 100.5, strip.cells.ground)
    _, ponds = drainage.after(hollow)
    assert len(ponds) == 1 and drainage.keep_from(ponds) and not drainage.keep_from(ponds)


@pytest.mark.parametrize("fall", [0.01, 0.04])
@pytest.mark.parametrize("bank_m", [0.1, 0.4])
@pytest.mark.parametrize(("bank_at", "stands"), [(50.0, True), (15.0, False)])
def test_ponds_near_the_works_are_those_of_the_whole_window(bank_at, stands, bank_m, fall):
    # a bank across the line: beside the swale it stands dry, in it water rises far up the slope: up to 40 m
    ground = Formula(lambda x, y: dip(0.5, 5.0, 50.0)(x, y) + fall * y + 0.001 * np.abs(x - 50))
    surface = DesignSurface(ground, (-40, -40, 140, 40))
    strip = surface.strip_cells({"Z1": zone().line}, 3.0)
    water = Drainage(surface, strip, WaterRules(), PRICES)
    level = water.level.copy()
    here = strip.cells.movable & (np.abs(strip.x - bank_at) < 6.0)
    level[strip.row[here] - water._r0, strip.column[here] - water._c0] += bank_m
    near = water._ponds_in(level)
    whole, _ = water._ponds_within(
        level, ~water._far, water._rim, water._rim & water._runs_through(level != water.level)
    )
    assert [set(pond.tolist()) for pond in near] == [set(pond.tolist()) for pond in whole]
    assert bool(near) == stands


def test_the_price_of_the_tolerances_and_the_bound_are_told(graded):
    perimeter, surface, grading = graded
    assert grading.as_drawn is not None and grading.bound is not None
    assert 0.0 < grading.bound < grading.price and grading.as_drawn < grading.price
    # the same question asked on its own
    drawn = replace(SETTINGS, tolerances=Tolerances(0.0, 0.0, 0.0))
    alone = grade_group(perimeter, surface, [zone()], drawn)
    assert alone.clear and alone.as_drawn == alone.price
    assert grading.as_drawn == pytest.approx(alone.price, rel=0.1)


def test_no_works_stay_below_the_bound_and_it_is_not_far_below_them():
    for depth, width in ((0.2, 3.0), (0.3, 4.0), (0.4, 5.0)):
        perimeter = Perimeter([zone()], Formula(dip(depth, width, 50.0)), RULES)
        surface = DesignSurface(perimeter.ground, (-10, -10, 110, 10))
        made = grade_group(perimeter, surface, [zone()], replace(SETTINGS, water=None, height_limits={}))
        assert made.bound is not None
        assert 0.5 * made.price <= made.bound <= made.price + 1e-6
