"""Ways for small pits of the works: no longer than it takes for no more to stand in them than is let pass."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from geotools.earthwork.falls import Drainage, WaterRules
from geotools.earthwork.prices import CrossingKind, Prices
from geotools.earthwork.water import let_through
from geotools.terrain.design import DesignSurface
from tests.invented_ground import Formula, zone

PRICES = Prices(18.0, 32.0, crossings=(CrossingKind("stone fill", 40.0),))
CELL_M = 0.5


def new_water(before: np.ndarray, after: np.ndarray) -> list[float]:
    """Volume of each place where more water stands than before, m3, by scikit-image's reconstruction."""
    reconstruction = pytest.importorskip("skimage.morphology").reconstruction
    standing = []
    for level in (before, after):
        seed = np.full(level.shape, level.max())
        seed[[0, -1], :], seed[:, [0, -1]] = level[[0, -1], :], level[:, [0, -1]]
        standing.append(reconstruction(seed, level, method="erosion", footprint=np.ones((3, 3))) - level)
    more = np.clip(standing[1] - standing[0], 0.0, None)
    labels, count = ndimage.label(more > 1e-6, np.ones((3, 3)))
    return [float(v) * CELL_M**2 for v in np.atleast_1d(ndimage.sum_labels(more, labels, np.arange(1, count + 1)))]


@pytest.mark.parametrize(("side_m", "deep_m"), [(2.0, 0.05), (3.0, 0.05), (3.0, 0.08)])
def test_a_way_out_of_a_small_pit_goes_no_further_than_it_has_to(side_m: float, deep_m: float) -> None:
    fall = 0.01
    ground = Formula(lambda x, y: 100 + fall * y + 0.0 * x)
    surface = DesignSurface(ground, (-20, -40, 70, 40))
    strip = surface.strip_cells({"Z": zone(length=50.0).line}, 3.0)
    drainage = Drainage(surface, strip, WaterRules(), PRICES)
    pit = strip.cells.movable & (np.abs(strip.x - 25) < side_m / 2) & (np.abs(strip.y) < side_m / 2)
    # dug level, as deep at its upper edge as at its lower one: the water stands against the lower
    design = np.where(pit, 100 - fall * side_m / 2 - deep_m, strip.cells.ground)
    ways, ponds = drainage.after(design, every=True)
    assert len(ways) == 1 and not ponds
    rows, columns = surface.change.shape
    x, y = surface.centres(np.arange(rows)[:, None], np.arange(columns)[None, :])
    before = ground.sample(x, y)
    after = before.copy()
    after[strip.row, strip.column] = design
    assert max(new_water(before, after)) > 0.05  # it does need a way
    assert max(new_water(before, let_through(after, surface.transform, [ways[0].levels])), default=0.0) <= 0.05
    # by hand: ground as low as the bottom lies so far below the lower edge; what may stand saves some of it
    to_the_bottom = deep_m / fall
    saved = 0.05 / side_m**2 / fall
    length = ways[0].cost / 40.0
    assert length < to_the_bottom - 0.5 * saved + 2 * CELL_M
    assert ways[0].outlet_m <= ways[0].inlet_m


def test_water_of_a_small_pit_need_not_follow_its_way_of_today_past_all_the_works() -> None:
    """Further works lie on the way that the pit's water takes today; beside them the ground is as low much nearer."""
    ground = Formula(lambda x, y: 100 - 0.02 * x + 0.004 * y)
    surface = DesignSurface(ground, (-20, -40, 70, 40))
    strip = surface.strip_cells({"Z": zone(length=50.0).line}, 3.0)
    drainage = Drainage(surface, strip, WaterRules(), PRICES)
    x, y = strip.x, strip.y
    pit = strip.cells.movable & (np.abs(x - 15) < 1.0) & (np.abs(y) < 1.0)
    bank = strip.cells.movable & (np.abs(x - 26) < 8.0) & (np.abs(y) < 1.0)
    design = np.where(pit, 99.6, strip.cells.ground + np.where(bank, 0.02, 0.0))
    ways, ponds = drainage.after(design, every=True)
    assert len(ways) == 1 and not ponds
    rows, columns = surface.change.shape
    gx, gy = surface.centres(np.arange(rows)[:, None], np.arange(columns)[None, :])
    before = ground.sample(gx, gy)
    after = before.copy()
    after[strip.row, strip.column] = design
    assert max(new_water(before, after)) > 0.05
    assert max(new_water(before, let_through(after, surface.transform, [ways[0].levels])), default=0.0) <= 0.05
    # 0.08 m below the lower edge at x = 16: ground as low lies 4 m on, the end of the bank 18 m on
    assert ways[0].cost / 40.0 < 8.0
