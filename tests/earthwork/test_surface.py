"""The design surface: the terrain where nothing is moved, cells that tie in, levels that survive sampling."""

import tracemalloc

import numpy as np
import pytest

from geotools.corridor import BeamLine
from geotools.errors import InputError
from geotools.terrain.design import DesignSurface
from tests.invented_ground import Formula

LINE = BeamLine(3.0, 2.0, 33.0, 22.0)
PLANE = Formula(lambda x, y: 50 + 0.02 * x - 0.01 * y)


def surface() -> DesignSurface:
    return DesignSurface(PLANE, (0, 0, 40, 30))


def test_without_works_it_is_the_terrain():
    s = surface()
    x, y = np.random.default_rng(0).uniform(5, 25, (2, 50))
    np.testing.assert_array_equal(s.sample(x, y), PLANE.sample(x, y))


def test_cells_lie_in_the_strip_and_its_ring_is_untouched():
    strip = surface().strip_cells({"Z1": LINE}, 3.0, keep_off=[(3.0, 2.0, 0.6)])
    along, off = LINE.from_map(strip.x, strip.y)
    assert np.abs(off).max() <= 3.0 and along.min() >= -0.5 and along.max() <= LINE.length + 0.5
    ring = ~strip.cells.movable & (np.hypot(strip.x - 3, strip.y - 2) > 0.6)
    assert np.abs(off[ring & (along > 1) & (along < LINE.length - 1)]).min() > 2.0
    assert not strip.cells.movable[np.hypot(strip.x - 3, strip.y - 2) <= 0.6].any()
    assert "zone Z1, chainage" in strip.cells.where(0)


def test_applied_levels_come_back_at_cell_centres():
    s = surface()
    strip = s.strip_cells({"Z1": LINE}, 3.0)
    design = strip.cells.ground + np.where(strip.cells.movable, 0.3, 0.0)
    s.apply(strip, design)
    np.testing.assert_allclose(s.sample(strip.x, strip.y), design, atol=1e-6)
    assert s.sample(LINE.x0 - 2, LINE.y0) == PLANE.sample(LINE.x0 - 2, LINE.y0)
    again = s.strip_cells({"Z1": LINE}, 3.0)
    assert not again.cells.movable.any()  # earlier work keeps its level


def test_a_small_surface_around_a_strip_changes_nothing_else():
    s = surface()
    strip = s.strip_cells({"Z1": LINE}, 3.0)
    part = s.around(strip)
    part.apply(strip, strip.cells.ground + np.where(strip.cells.movable, 0.2, 0.0))
    assert not s.change.any()
    np.testing.assert_allclose(part.sample(strip.x, strip.y) - strip.cells.ground, 0.2 * strip.cells.movable, atol=1e-6)


def test_cell_size_follows_the_terrain():
    sizes = {c: DesignSurface(Formula(PLANE.level, c), (0, 0, 10, 10)).cell_m for c in (0.1, 0.5, 1.0, 2.0)}
    assert sizes == pytest.approx({0.1: 0.5, 0.5: 0.5, 1.0: 1.0, 2.0: 1.0})


def test_a_strip_off_the_terrain_is_refused():
    nowhere = Formula(lambda x, y: np.full(np.shape(x), np.nan))
    with pytest.raises(InputError, match="outside the terrain"):
        DesignSurface(nowhere, (0, 0, 40, 30)).strip_cells({"Z1": LINE}, 3.0)


def test_an_area_beyond_reason_is_refused():
    with pytest.raises(InputError, match="too large"):
        DesignSurface(PLANE, (0, 0, 200_000, 200_000))


def test_two_strips_far_apart_take_the_memory_of_two_strips():
    # two fences 6 km apart: one dense grid of half-metre cells would hold 144 million of them
    far = BeamLine(6003.0, 6002.0, 6033.0, 6022.0)
    tracemalloc.start()
    try:
        s = DesignSurface(PLANE, (0, 0, 6040, 6030))
        for name, line in (("near", LINE), ("far", far)):
            strip = s.strip_cells({name: line}, 3.0)
            s.apply(strip, strip.cells.ground + np.where(strip.cells.movable, 0.2, 0.0))
            np.testing.assert_allclose(s.change_at(strip.x, strip.y), 0.2 * strip.cells.movable, atol=1e-6)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 20e6


def test_the_change_at_many_places_is_that_at_each_of_them():
    s = DesignSurface(PLANE, (0, 0, 4000, 3000))
    strip = s.strip_cells({"Z1": LINE}, 3.0)
    rng = np.random.default_rng(5)
    s.apply(strip, strip.cells.ground + np.where(strip.cells.movable, rng.normal(0.0, 0.2, len(strip.x)), 0.0))
    x, y = rng.uniform(0, 36, 300), rng.uniform(0, 26, 300)
    each = np.array([float(s.change_at(*place)) for place in zip(x, y, strict=True)])
    assert (each != 0).sum() > 50
    # about each other, and with places far away and off the grid, between which nothing is read
    np.testing.assert_array_equal(s.change_at(x, y), each)
    away = s.change_at(np.append(x, [3990.0, 1e9, -80.0]), np.append(y, [2990.0, 5.0, -70.0]))
    np.testing.assert_array_equal(away, np.append(each, [0.0, 0.0, 0.0]))
    # bilinear between the centres of four cells
    t, row, column = s.transform, int(strip.row[200]), int(strip.column[200])
    four = [float(s.change[row + a, column + b]) for a in (0, 1) for b in (0, 1)]
    px, py = t.c + (column + 0.5 + 0.25) * t.a, t.f + (row + 0.5 + 0.4) * t.e
    by_hand = 0.6 * (0.75 * four[0] + 0.25 * four[1]) + 0.4 * (0.75 * four[2] + 0.25 * four[3])
    assert float(s.change_at(px, py)) == pytest.approx(by_hand, abs=1e-9) and by_hand != 0.0
