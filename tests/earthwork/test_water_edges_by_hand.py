"""Where water stands and leaves at the edges of what is looked at. On small plans; what lies where is counted by hand.

Red when a way is dug beyond its inlet, a hollow loses its own outlet, or ponds are looked for too near or too far.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from affine import Affine
from scipy.spatial import cKDTree

from geotools.earthwork.falls import _CLOSE_M, Drainage, WaterRules
from geotools.earthwork.prices import CrossingKind, Prices
from geotools.earthwork.water import filled, flood, let_through
from geotools.terrain.design import DesignSurface
from tests.invented_ground import Formula, zone

SLOPE = Formula(lambda x, y: 100 + 0.02 * y + 0.1 * np.abs(x - 25))


def drained(half=3.0, **rules):
    surface = DesignSurface(SLOPE, (-20, -40, 70, 40))
    strip = surface.strip_cells({"Z": zone(length=50.0).line}, half)
    return Drainage(
        surface, strip, WaterRules(**rules), Prices(crossings=(CrossingKind("stone fill", 40.0, 15.0),))
    ), strip


@pytest.mark.parametrize("turned", [False, True])
def test_a_way_is_dug_from_its_inlet_to_its_outlet_and_no_farther(turned):
    level = np.full((6, 12), 10.0)
    transform = Affine(0.5, 0, 100.0, 0, -0.5, 50.0)
    ends = np.array([[102.25, 48.75, 9.0], [103.75, 48.75, 8.4]])
    cut = let_through(level, transform, [ends[::-1] if turned else ends])
    dug = np.zeros(level.shape, dtype=bool)
    dug[2, 4:8] = True
    assert np.array_equal(cut < 10.0, dug)
    # the bed in each cell where it is lowest, at its lower edge: 0.4 m fall a metre
    assert cut[2, 4:8] == pytest.approx([8.9, 8.7, 8.5, 8.4], abs=0.06)
    # across the corners of cells too, none is left out
    slant = let_through(level, transform, [np.array([[100.25, 49.75, 9.0], [102.75, 47.25, 8.0]])])
    assert (np.diag(slant[:6, :6]) < 10.0).all()


def test_every_hollow_of_a_plain_stands_as_high_as_its_own_lowest_edge():
    """Pits far apart in a plane that falls to the right and to the front: over the lowest of eight neighbours."""
    r, c = np.mgrid[0:40, 0:50].astype(float)
    plane = 50.0 - 0.01 * c - 0.003 * r
    level = plane.copy()
    pits = [(5, 5), (5, 12), (5, 30), (20, 8), (20, 25), (33, 40), (34, 11)]
    for depth, (row, column) in enumerate(pits, 1):
        level[row, column] -= 0.1 * depth
    wanted = plane.copy()
    for row, column in pits:
        wanted[row, column] = plane[row + 1, column + 1]
    assert filled(level) == pytest.approx(wanted, abs=1e-12) and flood(level).filled == pytest.approx(wanted, abs=1e-12)


def test_ponds_are_looked_for_within_reach_of_the_strip_and_water_leaves_at_the_rim_of_that():
    water, _ = drained()
    rows, columns = np.mgrid[0 : water.level.shape[0], 0 : water.level.shape[1]]
    cells = np.column_stack([rows.ravel(), columns.ravel()])
    apart = cKDTree(np.column_stack([water._row, water._column])).query(cells)[0].reshape(rows.shape) * 0.5
    inner = apart <= _CLOSE_M + 1e-9
    assert np.array_equal(~water._far, inner)
    padded = np.pad(inner, 1)
    around = [
        padded[1 + a : 1 + a + rows.shape[0], 1 + b : 1 + b + rows.shape[1]] for a in (-1, 0, 1) for b in (-1, 0, 1)
    ]
    assert np.array_equal(water._rim, inner & ~np.all(around, axis=0))


def test_around_works_the_rim_is_every_cell_with_one_beyond_beside_it(monkeypatch):
    water, strip = drained(catchment_m2=1e6)
    asked = []

    def within(self, level, near, rim, wall):
        asked.append((near, rim, wall))
        return [], self.flow.filled

    monkeypatch.setattr(Drainage, "_ponds_within", within)
    design = strip.cells.ground.copy()
    design[np.argmin(np.hypot(strip.x - 25.0, strip.y))] += 0.3
    assert water.after(design) == ([], [])
    ((near, rim, wall),) = asked
    padded = np.pad(near, 1)
    n, k = near.shape
    around = [padded[1 + a : 1 + a + n, 1 + b : 1 + b + k] for a in (-1, 0, 1) for b in (-1, 0, 1)]
    assert near.any() and np.array_equal(rim, near & ~np.all(around, axis=0))
    # water that came down the channel over the raised cell must not leave where it comes from
    assert wall.any() and not (wall & ~rim).any()
    north = water._y[np.nonzero(wall)[0]]
    assert (north > 0).all()


@pytest.mark.parametrize("half", [3.0, 6.0, 9.0])
def test_a_path_through_a_wide_strip_is_reckoned_with_a_crossing_of_usual_length(half):
    """The usual length is eight metres: whatever is built is dug through the works alone."""
    water, strip = drained(half, catchment_m2=50.0)
    for path in water.paths:
        run = np.hypot(strip.x[path.upper] - strip.x[path.lower], strip.y[path.upper] - strip.y[path.lower]).sum()
        assert path.length_m == pytest.approx(min(run, 8.0))
    assert (max(path.length_m for path in water.paths) == 8.0) == (half > 4.0)


def test_the_cover_of_a_way_is_taken_where_the_way_lies():
    """A dam whose top rises to the right, 0.1 m a metre: a cell aside there is 5 cm more or less over the bed."""
    water, strip = drained(catchment_m2=50.0)
    cells = strip.cells
    top = 100.3 + 0.1 * (strip.x - 25.0)
    dam = np.where(cells.movable, np.maximum(cells.ground, top), cells.ground)
    (way,), ponds = water.after(dam, every=True)
    assert ponds == []
    share = np.linspace(0.25, 0.75, 9)
    place = way.line[0] + share[:, None] * (way.line[1] - way.line[0])
    bed = way.inlet_m + share * (way.outlet_m - way.inlet_m)
    _, nearest = cKDTree(np.column_stack([strip.x, strip.y])).query(place)
    assert way.cover_m == pytest.approx((dam[nearest] - bed).min(), abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_hollows_that_open_into_each_other_stand_as_high_by_their_passes_as_by_a_flood(seed):
    """Noise on a plain: hundreds of hollows, one within the other; two ways to the same level."""
    level = np.random.default_rng(seed).normal(10.0, 1.0, (35, 42))
    level[10:14, 20:25] = np.nan
    assert np.array_equal(filled(level), flood(level).filled, equal_nan=True)


def plain(rows, columns, today, *, cell=1.0, pond_m3=0.05):
    """Level ground at 10 m, over which water stands today at ``today``, (rows, columns)."""
    water = object.__new__(Drainage)
    water.rules, water.cell = WaterRules(pond_m3=pond_m3), cell
    water.level = np.full((rows, columns), 10.0)
    water.flow = SimpleNamespace(filled=np.asarray(today), receiver=np.arange(rows * columns))
    water._standing = water.flow.filled - water.level
    return water


@pytest.mark.parametrize("low", [(0, 3), (6, 3), (3, 0), (3, 5)])
def test_water_leaves_over_the_rim_where_it_stands_today_and_nowhere_over_a_wall(low):
    """A plain of 7 by 6 m with a wall all round but at one place, where water stands 0.2 m deep today.

    So deep it stands within, over 5 by 4 m: 4 m3. Where the place lies 0.3 m lower than today, all of it runs out.
    """
    today = np.full((7, 6), 10.0)
    today[low] = 10.2
    water = plain(7, 6, today)
    rim = np.ones((7, 6), dtype=bool)
    rim[1:-1, 1:-1] = False
    wall = rim.copy()
    wall[low] = False
    near = np.ones((7, 6), dtype=bool)
    (pond,), stands = water._ponds_within(water.level.copy(), near, rim, wall)
    assert pond.tolist() == np.flatnonzero(~rim).tolist() and stands[~rim] == pytest.approx(10.2)
    water.rules = WaterRules(pond_m3=3.99)
    assert len(water._ponds_within(water.level.copy(), near, rim, wall)[0]) == 1
    water.rules = WaterRules(pond_m3=4.01)
    assert water._ponds_within(water.level.copy(), near, rim, wall)[0] == []
    dug = water.level.copy()
    dug[low] -= 0.3
    water.rules = WaterRules(pond_m3=0.05)
    assert water._ponds_within(dug, near, rim, wall)[0] == []


@pytest.mark.parametrize("cell", [0.5, 1.0, 2.0])
def test_new_ponds_are_looked_for_eight_metres_around_what_changed(monkeypatch, cell):
    water = plain(49, 51, np.full((49, 51), 10.0), cell=cell)
    water._far = np.zeros((49, 51), dtype=bool)
    asked = []

    def within(self, level, near, rim, wall):
        asked.append(near)
        return [], self.flow.filled

    monkeypatch.setattr(Drainage, "_ponds_within", within)
    built = water.level.copy()
    built[24, 25] += 0.3
    assert water._ponds_in(built) == [] and len(asked) == 1
    row, column = np.mgrid[0:49, 0:51]
    assert np.array_equal(asked[0], np.hypot(row - 24, column - 25) * cell <= 8.0 + 1e-9)
