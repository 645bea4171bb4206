"""The proposed terrain as written reads, between its cells too, as the design surface does."""

from __future__ import annotations

import numpy as np
import pytest
import rasterio
from pyproj import CRS
from rasterio.transform import from_origin

from geotools.terrain.design import DesignSurface
from geotools.terrain.model import Terrain
from geotools.terrain.proposed import write_proposed

METRES = CRS("EPSG:32632")
FEET = CRS("EPSG:2277")  # Texas Central, US survey foot
FOOT = 1200 / 3937  # the US survey foot, m (NIST SP 811, 2008, B.6, footnote 25)


def _ground(path, cell, *, crs=METRES, dtype="float64", scale=1.0, **more):
    rng = np.random.default_rng(7)
    side = round(40 / cell)
    along, down = np.cumsum(rng.normal(0, 0.05, (2, side)), axis=1)
    heights = 250.0 + along[None, :] + down[:, None]
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=side,
        height=side,
        count=1,
        dtype=dtype,
        crs=crs.to_wkt(),
        transform=from_origin(500_000.0, 5_400_040.0, cell, cell),
        nodata=-9999,
        **more,
    ) as raster:
        raster.write((heights / scale).astype(dtype), 1)
        raster.scales = (scale,)
        raster.units = ("metre",)
        raster.set_band_description(1, "bare earth")
        raster.update_tags(VERTICAL_DATUM="yard datum", ACCURACY_M="0.04")
        raster.update_tags(1, STATISTICS_MINIMUM="1")
    return path


def _worked(terrain, cell=None):
    """A surface with a trench and a bank, rough as no engineer would draw them: every kink has to be kept."""
    left, bottom, right, top = terrain.bounds_m
    edge = (right - left) / 5
    surface = DesignSurface(terrain, (left + edge, bottom + edge, right - edge, top - edge), cell_m=cell)
    rows, columns = surface.change.shape
    r, c = np.indices((rows, columns))
    inside = (r > 4) & (r < rows - 5) & (c > 4) & (c < columns - 5)
    change = np.where(inside, np.where((r + c) % 3 == 0, 0.31, -0.17), 0.0)
    surface.change[r, c] = change
    return surface


def _places(terrain, count=4000):
    left, bottom, right, top = terrain.bounds_m
    rng = np.random.default_rng(3)
    return rng.uniform(left + 1, right - 1, count), rng.uniform(bottom + 1, top - 1, count)


@pytest.mark.parametrize(
    ("cell", "works_m", "written_m", "same"),
    [
        (0.5, None, 0.5, True),
        (1.0, None, 1.0, True),
        (0.25, None, 0.125, False),  # two cells to one of the design: centres lie between centres
        (0.2, 0.6, 0.2, False),  # three to one: they coincide
        (2.0, None, 0.5, False),
        (1.0, 0.5, 0.25, False),
    ],
)
def test_reading_it_between_cells_gives_the_design(tmp_path, cell, works_m, written_m, same):
    with Terrain(_ground(tmp_path / "a.tif", cell), METRES) as terrain:
        surface = _worked(terrain, works_m)
        made = write_proposed(tmp_path / "b.tif", terrain, surface)
        x, y = _places(terrain)
        expected = terrain.sample(x, y) + surface.change_at(x, y)
        assert (made.cell_m, made.same_grid) == (pytest.approx(written_m), same)
        with Terrain(tmp_path / "b.tif", METRES) as proposed:
            assert np.abs(proposed.sample(x, y) - expected).max() < 2e-6
        assert np.abs(surface.change_at(x, y)).max() > 0.2


def test_system_unit_nodata_and_words_are_kept_and_statistics_are_not(tmp_path):
    _ground(tmp_path / "a.tif", 1.0)
    with rasterio.open(tmp_path / "a.tif", "r+") as raster:
        cells = raster.read(1)
        cells[20:23, 18] = -9999.0
        raster.write(cells, 1)
    with Terrain(tmp_path / "a.tif", METRES) as terrain:
        write_proposed(tmp_path / "b.tif", terrain, _worked(terrain))
    with rasterio.open(tmp_path / "a.tif") as old, rasterio.open(tmp_path / "b.tif") as new:
        assert (new.crs, new.transform, new.nodata, new.units) == (old.crs, old.transform, -9999.0, ("metre",))
        assert new.descriptions == ("bare earth",)
        assert new.tags()["VERTICAL_DATUM"] == "yard datum" and new.tags()["ACCURACY_M"] == "0.04"
        assert "STATISTICS_MINIMUM" not in new.tags(1)
        assert (new.read_masks(1) == old.read_masks(1)).all() and (new.read_masks(1) == 0).sum() == 3
        untouched = (slice(0, 6), slice(0, None))
        assert (new.read(1)[untouched] == old.read(1)[untouched]).all()


def test_feet_stay_feet(tmp_path):
    """Map and heights in US survey feet; the change is metres."""
    with Terrain(_ground(tmp_path / "a.tif", 2.0, crs=FEET), FEET, metres_per_height=FOOT) as terrain:
        surface = _worked(terrain, terrain.cell_m)
        made = write_proposed(tmp_path / "b.tif", terrain, surface)
        assert made.same_grid and made.cell_m == pytest.approx(2 * FOOT)
        x, y = _places(terrain)
        expected = terrain.sample(x, y) + surface.change_at(x, y)
        with Terrain(tmp_path / "b.tif", FEET, metres_per_height=FOOT) as proposed:
            assert np.abs(proposed.sample(x, y) - expected).max() < 2e-6
        with rasterio.open(tmp_path / "a.tif") as old, rasterio.open(tmp_path / "b.tif") as new:
            most = np.abs(new.read(1) - old.read(1)).max()
        assert most == pytest.approx(0.31 / FOOT, abs=1e-3)


def test_whole_numbers_with_a_scale_become_heights(tmp_path):
    """Centimetres in whole numbers cannot hold a designed level."""
    with Terrain(_ground(tmp_path / "a.tif", 1.0, dtype="int32", scale=0.01), METRES) as terrain:
        surface = _worked(terrain)
        write_proposed(tmp_path / "b.tif", terrain, surface)
        x, y = _places(terrain)
        expected = terrain.sample(x, y) + surface.change_at(x, y)
        with Terrain(tmp_path / "b.tif", METRES) as proposed:
            assert np.abs(proposed.sample(x, y) - expected).max() < 2e-5  # single precision at 250 m


def test_a_terrain_in_another_system_is_written_in_the_plans(tmp_path):
    with Terrain(_ground(tmp_path / "a.tif", 0.5), CRS("EPSG:25833")) as terrain:
        assert terrain.reprojected
        x0, y0, x1, y1 = terrain.bounds_m
        middle = DesignSurface(terrain, ((x0 + x1) / 2 - 5, (y0 + y1) / 2 - 5, (x0 + x1) / 2 + 5, (y0 + y1) / 2 + 5))
        r, c = np.indices(middle.change.shape)
        middle.change[r, c] = np.where((r > 3) & (r < 15) & (c > 3) & (c < 15), 0.31, 0.0)
        made = write_proposed(tmp_path / "b.tif", terrain, middle)
        assert made.reprojected and made.cell_m == pytest.approx(middle.cell_m / 3)
        x, y = np.random.default_rng(5).uniform(-4, 4, (2, 2000))
        x, y = x + (x0 + x1) / 2, y + (y0 + y1) / 2
        expected = terrain.sample(x, y) + middle.change_at(x, y)
        with Terrain(tmp_path / "b.tif", CRS("EPSG:25833")) as proposed:
            assert not proposed.reprojected
            off = np.abs(proposed.sample(x, y) - expected)
        # the ground itself is rounded between its own centres; a kink k is off by at most k h / 4 between centres h
        # apart: steps of 0.05 m to a cell of 0.5 m seldom differ by more than 0.3 m a metre in both directions
        assert off.max() < 2 * (4 * 0.05 * np.sqrt(2) / 0.5) * made.cell_m / 4 and np.median(off) < 0.005
