"""Ponds and flow against scikit-image's morphological reconstruction and against hollows of known volume."""

import numpy as np
import pytest

from geotools.earthwork.water import contributing_area, filled, flood, line_crossings, ponds
from geotools.errors import NumericInputError


def rolling(seed: int, shape: tuple[int, int] = (60, 80)) -> np.ndarray:
    from scipy.ndimage import gaussian_filter

    return gaussian_filter(np.random.default_rng(seed).normal(size=shape), 4) * 3


@pytest.mark.parametrize("seed", range(3))
def test_filled_level_equals_reconstruction_by_erosion(seed):
    # Filling is the reconstruction by erosion of the surface from its border (Soille, Morphological Image Analysis);
    # scikit-image does it with another algorithm (Robinson and Whelan 2004, sorted pixels).
    morphology = pytest.importorskip("skimage.morphology")
    level = rolling(seed)
    seed_surface = np.full(level.shape, level.max())
    seed_surface[[0, -1], :], seed_surface[:, [0, -1]] = level[[0, -1], :], level[:, [0, -1]]
    expected = morphology.reconstruction(seed_surface, level, method="erosion", footprint=np.ones((3, 3)))
    flow = flood(level)
    np.testing.assert_array_equal(flow.filled, expected)
    np.testing.assert_array_equal(filled(level), expected)
    total = sum(pond.volume for pond in ponds(level, flow, 0.25, min_depth=0.0))
    assert total == pytest.approx((expected - level).sum() * 0.25)


@pytest.mark.parametrize("fall", [0.0, 0.02, 0.3])
def test_the_level_alone_is_that_of_the_whole_flow(fall):
    # flats, steps of equal level, a hole in the ground and a site of no simple shape, on more and less of a slope
    rng = np.random.default_rng(7)
    level = np.round(rolling(5) + fall * np.arange(80), 1)
    level[20:24, 30:41] = np.nan
    level[:, 60:][rng.random((60, 20)) < 0.05] = np.nan
    np.testing.assert_array_equal(filled(level), flood(level).filled)
    rough = level + rng.normal(0.0, 0.01, level.shape)
    np.testing.assert_array_equal(filled(rough), flood(rough).filled)


def test_a_square_hollow_has_its_depth_area_volume_and_pour_point():
    level = np.ones((9, 9))
    level[3:6, 3:6] = 0.4
    level[4, 6:] = 0.9  # the notch the water leaves by
    (pond,) = ponds(level, flood(level), 0.25)
    assert pond.depth == pytest.approx(0.5) and pond.level == pytest.approx(0.9)
    assert pond.area == pytest.approx(9 * 0.25) and pond.volume == pytest.approx(9 * 0.25 * 0.5)
    assert divmod(pond.pour, 9) == (4, 6)


def test_hollows_at_two_levels_stay_apart():
    level = np.full((5, 12), 2.0)
    level[2, 2:4], level[2, 4], level[2, 5:8] = 0.0, 1.5, 0.5
    level[2, 8:] = 1.0
    found = ponds(level, flood(level), 1.0)
    assert sorted(round(p.level, 6) for p in found) == [1.0, 1.5]


def test_every_cell_drains_out_and_no_water_is_lost():
    level = rolling(7)
    level[20:25, 30:40] = np.nan
    flow = flood(level)
    area = contributing_area(flow, 0.25)
    own = np.flatnonzero(np.isfinite(level.ravel()))
    leaves = own[flow.receiver[own] == own]
    assert area.ravel()[leaves].sum() == pytest.approx(len(own) * 0.25)
    here = own.copy()
    for _ in range(level.size):
        there = flow.receiver[here]
        if (there == here).all():
            break
        here = there
    assert set(here.tolist()) <= set(leaves.tolist())


def test_a_valley_crosses_the_line_where_it_lies():
    y, x = np.mgrid[0:40, 0:60].astype(float)
    level = 0.02 * y + 0.05 * np.abs(x - 33)
    flow = flood(level)
    area = contributing_area(flow, 1.0)
    side, along = 20.5 - y, x
    cells = line_crossings(flow, area, side, along, min_area=200.0)
    assert [int(c) % 60 for c in cells] == [33]


def test_no_ground_is_refused():
    with pytest.raises(NumericInputError):
        flood(np.full((3, 3), np.nan))
