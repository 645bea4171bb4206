"""Rasters beside the plan, read between their cells."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS

from geotools.plan.rasters import PlanRaster
from tests.making import write_raster


def test_a_plane_comes_back_and_cells_without_data_stay_unknown(tmp_path: Path) -> None:
    rows, columns = np.mgrid[0:20, 0:30]
    values = (0.1 * columns - 0.2 * rows).astype(np.float64)
    values[5, 7] = -9999.0
    path = write_raster(tmp_path / "r.tif", values, left=500_000, top=5_400_020)
    raster = PlanRaster(path, CRS("EPSG:32632"))
    x, y = np.array([12.3, 25.0]), np.array([3.4, 11.1])
    found = raster.sample(500_000 + x, 5_400_020 - y)
    assert found == pytest.approx(0.1 * (x - 0.5) - 0.2 * (y - 0.5), abs=1e-9)
    assert np.isnan(raster.sample(500_007.5, 5_400_014.5))
    # beside the hole the value comes from the cells that have one
    assert raster.sample(500_008.1, 5_400_014.5) == pytest.approx(0.1 * 8 - 0.2 * 5, abs=1e-9)
    assert np.isnan(raster.sample(499_999.0, 5_400_010.0))
    assert PlanRaster.beside(tmp_path, "none.tif", CRS("EPSG:32632")) is None
