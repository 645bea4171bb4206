"""Values along a band: the same whichever blocks are held, read block by block, memory that does not follow length."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from geotools.terrain.band_grid import BandGrid

LENGTH_M, HALF_M = 6000.0, 30.0


def ground(x, y):
    return np.sin(x / 17.0) + np.cos(y / 23.0)


def spine(length_m=LENGTH_M):
    s = np.arange(0.0, length_m, 4.0)
    return np.column_stack([500_000.0 + 0.9 * s, 5_400_000.0 + 0.3 * s + 60.0 * np.sin(s / 400.0)])


def places(count=60_000):
    random = np.random.default_rng(7)
    at = spine()[np.sort(random.integers(0, len(spine()), count))]
    return at + random.uniform(-HALF_M / 2, HALF_M / 2, (count, 2))


def test_few_blocks_held_give_what_all_give():
    xy = places()
    few, every = (BandGrid(spine(), HALF_M, ground, held_tiles=held) for held in (200, 10**9))
    found = few(xy[:, 0], xy[:, 1])
    assert np.array_equal(found, every(xy[:, 0], xy[:, 1]))
    assert np.isfinite(found).all()
    assert few.nbytes < every.nbytes / 3


def test_places_in_any_order_and_shape():
    xy = places(1000)
    grid = BandGrid(spine(), HALF_M, ground, held_tiles=1)
    shuffled = np.random.default_rng(1).permutation(len(xy))
    straight = grid(xy[:, 0], xy[:, 1])
    assert np.array_equal(grid(xy[shuffled, 0], xy[shuffled, 1]), straight[shuffled])
    assert np.array_equal(grid(xy[:, 0].reshape(20, 50), xy[:, 1].reshape(20, 50)), straight.reshape(20, 50))
    assert grid(xy[0, 0], xy[0, 1]) == straight[0]


def test_between_nodes_it_is_bilinear():
    """Against scipy's interpolation on the same nodes."""
    xy = places(500)
    nodes = [np.arange(np.floor(xy[:, k].min()), np.ceil(xy[:, k].max()) + 1) for k in range(2)]
    table = ground(*np.meshgrid(*nodes, indexing="ij"))
    expected = RegularGridInterpolator(nodes, table)(xy)
    assert BandGrid(spine(), HALF_M, ground)(xy[:, 0], xy[:, 1]) == pytest.approx(expected, abs=1e-9)


def test_outside_the_band_is_told():
    grid = BandGrid(spine(), HALF_M, ground, outside=-5.0)
    x, y = spine()[500]
    found = grid([x, x, x - 1e6, x + 1e6], [y, y + 300.0, y, y])
    assert np.isfinite(found[0])
    assert found[0] != -5.0
    assert found[1:].tolist() == [-5.0] * 3


def test_a_block_is_read_once_along_the_line_and_never_more_than_one_at_a_time():
    asked = []

    def field(x, y):
        asked.append((np.ptp(x), np.ptp(y)))
        return ground(x, y)

    grid = BandGrid(spine(), HALF_M, field, held_tiles=400)
    assert not asked
    for part in np.array_split(places(), 40):
        grid(part[:, 0], part[:, 1])
    blocks = len(asked)
    assert np.max(asked) <= 16 * 32
    grid(*spine()[-1])
    assert len(asked) == blocks
    assert blocks <= 30
