"""Water and the ways for it on ground known by a formula.

Red when water takes another way than downhill, or a way through works is too short, too shallow or priced wrongly.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from affine import Affine

from geotools.earthwork import falls
from geotools.earthwork.falls import Drainage, WaterRules
from geotools.earthwork.prices import CrossingKind, Prices
from geotools.earthwork.water import contributing_area, flood, let_through
from geotools.terrain.design import DesignSurface
from tests.invented_ground import Formula, zone


@pytest.mark.parametrize("step", [(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)])
def test_water_runs_down_the_steepest_of_eight_ways(step):
    r, c = np.mgrid[0:7, 0:7]
    level = -(r * step[0] + c * step[1]) / np.hypot(*step) + 100.0
    if 0 in step:  # a trough, so that no diagonal is as steep
        level = level + 0.001 * (c if step[0] else r)
    flow = flood(level)
    middle = flow.receiver.reshape(7, 7)[2:5, 2:5] - np.arange(49).reshape(7, 7)[2:5, 2:5]
    assert (middle == step[0] * 7 + step[1]).all()
    assert (flow.filled == level).all() and contributing_area(flow, 2.0).min() == 2.0


def test_nothing_drains_where_there_is_no_ground():
    level = np.array([[np.nan, 3.0, np.nan], [np.nan, 2.0, np.nan], [np.nan, 1.0, np.nan]])
    # three cells of 2 m2 at the edge of the ground, each the outlet of itself alone
    assert contributing_area(flood(level), 2.0).tolist() == [[0.0, 2.0, 0.0]] * 3


def test_a_way_is_cut_down_to_its_bed():
    level = np.full((5, 8), 10.0)
    level[2, 4] = np.nan
    cut = let_through(
        level, Affine(0.5, 0, 100.0, 0, -0.5, 50.0), [np.array([[100.25, 48.75, 9.0], [103.75, 48.75, 8.3]])]
    )
    bed = 9.0 - 0.7 * np.arange(8) / 7
    assert (
        cut[2][:4] == pytest.approx(bed[:4], abs=0.06) and (cut[2][:4] <= bed[:4] + 1e-9).all() and np.isnan(cut[2, 4])
    )
    assert cut[2, 7] == pytest.approx(8.3) and (np.delete(cut, 2, axis=0) == 10.0).all()


SLOPE = Formula(lambda x, y: 100 + 0.02 * y + 0.1 * np.abs(x - 25))
KIND = CrossingKind("stone fill", 40.0, 15.0)


def dammed(rules, top=100.3, prices=None):
    """A channel to the south along x = 25, dammed over the strip of 6 m."""
    surface = DesignSurface(SLOPE, (-20, -40, 70, 40))
    strip = surface.strip_cells({"Z": zone(length=50.0).line}, 3.0)
    water = Drainage(surface, strip, rules, prices or Prices(crossings=(KIND,)))
    return water, strip, np.where(strip.cells.movable, np.maximum(strip.cells.ground, top), strip.cells.ground)


def test_a_way_through_a_dam_by_hand():
    """From the foot of the dam to the first ground below it: as long as the dam, as deep as it is high."""
    water, strip, dam = dammed(WaterRules(catchment_m2=50.0))
    (way,), ponds = water.after(dam, every=True)
    assert ponds == []
    raised = np.abs(dam - strip.cells.ground) > 1e-4
    north, south = strip.y[raised].max(), strip.y[raised].min()
    (ix, iy), (ox, oy) = way.line
    assert ix == pytest.approx(25.0, abs=0.8) and ox == pytest.approx(25.0, abs=0.8)
    assert north < iy <= north + 1.6 and south - 1.6 <= oy < south
    length = float(np.hypot(ix - ox, iy - oy))
    assert way.cost == pytest.approx(15.0 + 40.0 * length) and way.kind == "stone fill"
    assert way.inlet_m > way.outlet_m and way.inlet_m == pytest.approx(100 + 0.02 * iy, abs=0.1)
    assert way.outlet_m <= 100 + 0.02 * oy + 0.1 * abs(ox - 25) + 1e-6
    # cover over the middle half: dam less the straight bed
    bed = way.inlet_m + np.linspace(0.25, 0.75, 101) * (way.outlet_m - way.inlet_m)
    assert way.cover_m == pytest.approx((100.3 - bed).min(), abs=0.02)
    # the channel drains a triangle of 45 degrees: what lies uphill of the dam within the margin, both sides
    assert way.catchment_m2 > 300.0
    assert way.levels == pytest.approx(np.c_[way.line, [way.inlet_m, way.outlet_m]])
    deep = Prices(crossings=(CrossingKind("pipe", 1.0, cover_m=way.cover_m + 0.01), KIND))
    assert dammed(WaterRules(catchment_m2=50.0), prices=deep)[0].after(dam, every=True)[0][0].kind == "stone fill"
    shallow = Prices(crossings=(CrossingKind("pipe", 1.0, cover_m=way.cover_m - 0.01), KIND))
    assert dammed(WaterRules(catchment_m2=50.0), prices=shallow)[0].after(dam, every=True)[0][0].kind == "pipe"
    assert len(dammed(WaterRules(catchment_m2=50.0), prices=Prices())[0].after(dam, every=True)[1]) == 1


def test_paths_and_their_falls_by_hand():
    water, strip, _ = dammed(WaterRules(catchment_m2=50.0, least_fall=0.005))
    falls = water.falls()
    ground = strip.cells.ground
    assert (np.abs(strip.x[falls.upper] - 25.0) < 1.0).all() and len(falls.upper) >= 10
    assert (strip.y[falls.lower] < strip.y[falls.upper]).all()
    apart = np.hypot(strip.x[falls.upper] - strip.x[falls.lower], strip.y[falls.upper] - strip.y[falls.lower])
    assert falls.least == pytest.approx(np.minimum(ground[falls.upper] - ground[falls.lower], 0.005 * apart))
    # the bottom is two cells wide, either with a run of its own
    assert sorted(set(falls.crossing.tolist())) == [0, 1] and len(falls.prices) == 2
    for number, price in enumerate(falls.prices):
        assert price == pytest.approx(15.0 + 40.0 * min(apart[falls.crossing == number].sum(), 8.0))
    # where today's ground falls by less than is asked for, it may go on doing so
    flat = dammed(WaterRules(catchment_m2=50.0, least_fall=0.05))[0].falls()
    assert flat.least == pytest.approx(ground[flat.upper] - ground[flat.lower])
    assert dammed(WaterRules(catchment_m2=1e6))[0].falls().upper.size == 0
    # a cell of half a metre drains itself at least
    assert water.cell == 0.5 and water.catchment[water.flow.filled.ravel() > 0].min() == pytest.approx(0.25)
    assert (dammed(WaterRules(catchment_m2=50.0), prices=Prices())[0].falls().crossing == -1).all()


def test_nothing_built_makes_no_pond_and_a_pit_of_known_size_is_one():
    water, strip, _ = dammed(WaterRules(catchment_m2=50.0, pond_m3=0.05))
    assert water.after(strip.cells.ground, every=True) == ([], [])
    pit = strip.cells.ground.copy()
    inside = (np.abs(strip.x - 10.0) < 1.0) & (np.abs(strip.y) < 1.0)
    pit[inside] -= 0.4
    ways, ponds = water.after(pit)
    assert ways == [] and len(ponds) == 1 and 1 <= len(ponds[0]) <= inside.sum()
    small = strip.cells.ground.copy()
    small[np.argmin(np.hypot(strip.x - 10.0, strip.y))] -= 0.1  # 0.025 m3 at most
    assert water.after(small) == ([], [])


def test_water_that_stands_today_is_no_new_pond_and_more_of_it_is():
    """A basin of 2 m by 2 m beside the channel, 0.3 m deep; then 0.1 m deeper."""

    def basin(deep):
        def level(x, y):
            hole = (np.abs(x - 10.0) < 1.0) & (np.abs(y) < 1.0)
            return np.where(hole, 101.2 - deep, SLOPE.level(x, y))

        return Formula(level)

    surface = DesignSurface(basin(0.3), (-20, -40, 70, 40))
    strip = surface.strip_cells({"Z": zone(length=50.0).line}, 3.0)
    water = Drainage(surface, strip, WaterRules(catchment_m2=1e6, pond_m3=0.05), Prices())
    assert np.nansum(water.flow.filled - water.level) > 1.0
    assert water.after(strip.cells.ground) == ([], [])
    hole = (np.abs(strip.x - 10.0) < 1.0) & (np.abs(strip.y) < 1.0)
    for deeper, ponds in ((0.005, 0), (0.1, 1)):
        # 4 m2: 0.02 m3 and 0.4 m3 more
        assert len(water.after(strip.cells.ground - deeper * hole)[1]) == ponds


def test_falls_of_what_runs_into_a_pond_are_kept_once():
    water, strip, dam = dammed(WaterRules(catchment_m2=1e6))
    assert water.falls().upper.size == 0
    _, ponds = water.after(dam)
    assert len(ponds) == 1 and not water.keep_from([])
    assert water.keep_from(ponds)
    falls = water.falls()
    # from the pond down the channel to the end of the strip
    assert falls.upper.size > 10 and strip.y[falls.lower].min() == strip.y.min()
    assert not water.keep_from(ponds) and water.falls().upper.size == falls.upper.size


@pytest.mark.parametrize("bed", [[1.0], [1.0, 1.2, 1.1], [0.0, 0.5, 0.9, 5.0]])
def test_a_pond_is_drained_until_what_may_stand_is_left(bed):
    water = object.__new__(Drainage)
    water.rules, water.cell = WaterRules(pond_m3=0.05), 0.5
    level = water._skimmed(np.array(bed))
    left = sum(max(level - z, 0.0) for z in bed) * 0.25
    assert left == pytest.approx(0.8 * 0.05)


@pytest.mark.parametrize(
    ("needed", "kept"),
    [(["A"], ["A"]), (["B", "C"], ["B", "C"]), ([], []), (["A", "B", "C"], ["A", "B", "C"]), (["C"], ["C"])],
)
def test_ways_without_which_nothing_stands_are_left_out_the_dearest_first(monkeypatch, needed, kept):
    monkeypatch.setattr(falls, "let_through", lambda level, transform, levels: levels)
    ways = [SimpleNamespace(cost=cost, levels=name) for name, cost in (("A", 30.0), ("B", 10.0), ("C", 20.0))]
    tried = []

    def ponds(levels):
        tried.append(set(levels))
        return [] if set(needed) <= set(levels) else ["pond"]

    water = SimpleNamespace(_transform=None, _new_ponds=ponds)
    found = Drainage._without_needless(water, None, ways)
    assert [one.levels for one in found] == kept
    assert tried[0] == {"B", "C"} and len(tried) == 3
    # one alone was found for a pond that stands without it
    assert Drainage._without_needless(water, None, ways[:1]) == ways[:1] and len(tried) == 3
