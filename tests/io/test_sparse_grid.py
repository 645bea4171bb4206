"""A sparse grid against a dense one, and what it holds."""

import numpy as np
import pytest
import rasterio
from pyproj import CRS
from rasterio import Affine

from geotools.io.grids import GridBand, write_grid
from geotools.io.sparse_grid import BLOCK, SparseGrid

SHAPE = (3 * BLOCK + 17, 2 * BLOCK + 5)


def filled() -> tuple[SparseGrid, np.ndarray]:
    rng = np.random.default_rng(1)
    row, column = rng.integers(0, SHAPE[0], 400), rng.integers(0, SHAPE[1], 400)
    value = rng.normal(size=400).astype(np.float32)
    grid, dense = SparseGrid(SHAPE), np.zeros(SHAPE, np.float32)
    grid[row, column] = value
    dense[row, column] = value
    return grid, dense


def test_values_come_back_by_place_and_by_window():
    grid, dense = filled()
    row, column = np.random.default_rng(2).integers(0, SHAPE[1], (2, 40, 3))
    np.testing.assert_array_equal(grid[row, column], dense[row, column])
    np.testing.assert_array_equal(grid[:, :], dense)
    np.testing.assert_array_equal(grid[250:270, 500:600], dense[250:270, 500:600])
    assert grid[5, 7] == dense[5, 7]
    assert grid.size_of() == pytest.approx(np.abs(dense).sum(), rel=1e-5)


def test_off_the_grid_there_is_nothing_and_nothing_can_be_put():
    grid = SparseGrid((10, 10), np.nan)
    assert np.isnan(grid[[-1, 4], [3, 99]]).all()
    with pytest.raises(IndexError):
        grid[[-1], [3]] = 1.0


def test_a_box_holds_the_values_and_the_fill_off_the_grid():
    grid, dense = filled()
    box = grid.box(SHAPE[0] - 20, SHAPE[0] + 6, -3, 30)
    assert box is not None
    np.testing.assert_array_equal(box[:20, 3:], dense[-20:, :30])
    assert not box[20:].any() and not box[:, :3].any()
    assert grid.box(-40, -2, 0, 10) is None and SparseGrid(SHAPE).box(0, 10, 0, 10) is None


def test_only_touched_blocks_are_held():
    grid = SparseGrid((200_000, 200_000))
    grid[[10, 190_000], [10, 190_000]] = 1.0
    grid[np.arange(20, 5000), np.arange(20, 5000)] = 0.0  # nothing new
    assert grid.nbytes == 2 * BLOCK * BLOCK * 4
    mine = grid.copy((0, 300, 0, 300))
    mine[10, 10] = 7.0
    assert grid[10, 10] == 1.0 and mine.nbytes == BLOCK * BLOCK * 4


def test_a_raster_of_a_sparse_grid_holds_the_same_numbers(tmp_path):
    _, dense = filled()
    grid = SparseGrid(SHAPE, np.nan)
    row, column = np.nonzero(dense)
    grid[row, column] = dense[row, column]
    write_grid(tmp_path / "g.tif", CRS("EPSG:32632"), Affine(0.5, 0, 0, 0, -0.5, 0), [GridBand(grid, "change")])
    with rasterio.open(tmp_path / "g.tif") as raster:
        np.testing.assert_array_equal(np.nan_to_num(raster.read(1)), dense)
