"""A raster as a value."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import numpy as np
import pytest
from affine import Affine

from geotools.errors import InputError, OutputError
from geotools.io.raster import Raster

PLACE = Affine(2, 0, 500_000, 0, -2, 5_400_010)


def two_bands() -> Raster:
    cells = np.arange(12, dtype=float).reshape(2, 2, 3)
    return Raster(cells, PLACE, "EPSG:32632", ("gap", "floor"), ("m", "1"))


def test_it_knows_its_place_and_bands() -> None:
    held = two_bands()
    assert (held.count, held.shape) == (2, (2, 3))
    assert held.bounds == (500_000, 5_400_006, 500_006, 5_400_010)
    assert held.band("floor").array.tolist() == held.band(2).array.tolist() == [[6, 7, 8], [9, 10, 11]]
    assert (held.band("floor").names, held.band(1).units) == (("floor",), ("m",))
    assert repr(held) == "Raster(2 rows x 3 columns; gap (m); floor; WGS 84 / UTM zone 32N)"


def test_masked_and_whole_numbers_become_real_with_nan() -> None:
    held = Raster(np.ma.masked_equal(np.array([[1, -9999], [3, 4]]), -9999), PLACE, "EPSG:32632")
    assert held.array.dtype == np.float64
    assert np.array_equal(held.array, [[1, np.nan], [3, 4]], equal_nan=True)
    assert Raster(np.ones((2, 2), np.float32), PLACE, "EPSG:32632").array.dtype == np.float32


def test_it_goes_to_a_file_and_comes_back(tmp_path: Path) -> None:
    held = two_bands()
    held.array[0, 0, 0] = np.nan
    back = Raster.open(held.to_file(tmp_path / "two.tif"))
    assert np.array_equal(back.array, held.array, equal_nan=True)
    assert (back.transform, back.crs, back.names, back.units) == (held.transform, held.crs, held.names, held.units)
    with pytest.raises(OutputError, match="overwrite=True"):
        held.to_file(tmp_path / "two.tif")
    assert held.band(1).to_file(tmp_path / "two.tif", overwrite=True).is_file()
    assert Raster.open(tmp_path / "two.tif").array.shape == (2, 3)
    with pytest.raises(OutputError):
        held.to_file(tmp_path / "no folder" / "two.tif")
    assert [p.name for p in tmp_path.iterdir()] == ["two.tif"]


def test_it_is_drawn_where_it_lies() -> None:
    matplotlib.use("Agg")
    axes = two_bands().plot("gap", cmap="magma")
    assert axes.images[0].get_extent() == [500_000, 500_006, 5_400_006, 5_400_010]
    assert axes.figure.axes[1].get_ylabel() == "gap (m)"
    matplotlib.pyplot.close(axes.figure)


@pytest.mark.parametrize("which", [0, 3, "depth"])
def test_a_band_that_is_not_there_is_refused(which: int | str) -> None:
    with pytest.raises(InputError, match="1 \\(gap\\), 2 \\(floor\\)"):
        two_bands().band(which)


@pytest.mark.parametrize(
    ("array", "transform", "crs"),
    [
        (np.ones(4), PLACE, "EPSG:32632"),
        (np.ones((0, 3)), PLACE, "EPSG:32632"),
        (np.array([["a"]]), PLACE, "EPSG:32632"),
        (np.ones((2, 2), complex), PLACE, "EPSG:32632"),
        (np.ones((2, 2)), None, "EPSG:32632"),
        (np.ones((2, 2)), PLACE, None),
        (np.ones((2, 2)), PLACE, "my village"),
    ],
    ids=["one row", "empty", "words", "complex", "no place", "no system", "unknown system"],
)
def test_what_is_no_raster_is_refused(array: np.ndarray, transform: Affine, crs: str) -> None:
    with pytest.raises(InputError):
        Raster(array, transform, crs)
