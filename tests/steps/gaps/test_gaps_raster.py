"""Strips laid on the map: place, overlap, units, and what a large raster becomes."""

import numpy as np
import pytest
import rasterio
from pyproj import CRS

from geotools.corridor import BeamLine, StripGrid
from geotools.detection.cases import strip_nodes
from geotools.io.crs import metres_per_unit
from geotools.io.rasters import CACHE_MB
from geotools.plan import map_raster
from geotools.plan.map_raster import Band, MapRaster, bounds_of

LINES = (BeamLine(1000.0, 2000.0, 1060.0, 2030.0), BeamLine(1058.0, 2029.0, 1058.0, 2090.0))
BANDS = (Band("largest", "1", larger=True), Band("smallest", "m", larger=False))


def strip(line):
    return StripGrid(line, *strip_nodes(line, 2.0, 0.5))


def laid(path, crs, values=(1.0, 2.0)):
    raster = MapRaster(path, CRS(crs), 0.5, bounds_of(LINES, 2.0), BANDS)
    for line, value in zip(LINES, values, strict=True):
        grid = strip(line)
        raster.lay(grid, [np.full((grid.chainage_m.size, grid.offset_m.size), value)] * 2)
    return raster.finish()


@pytest.mark.parametrize("crs", ["EPSG:32632", "EPSG:2225"])
def test_cells_lie_where_the_strips_are_in_the_plans_own_unit(tmp_path, crs):
    assert laid(tmp_path / "a.tif", crs)
    unit = metres_per_unit(CRS(crs))
    with rasterio.open(tmp_path / "a.tif") as raster:
        assert raster.transform.a == pytest.approx(0.5 / unit)
        assert raster.crs.to_epsg() == CRS(crs).to_epsg()
        largest, smallest = raster.read()
        for line, value in zip(LINES, (1.0, 2.0), strict=True):
            x, y = line.to_map(25.0, 1.0)
            at = raster.index(float(x) / unit, float(y) / unit)
            assert largest[at] == smallest[at] == value
            x, y = line.to_map(25.0, 3.0)
            assert np.isnan(largest[raster.index(float(x) / unit, float(y) / unit)])
        x, y = LINES[0].to_map(65.0, 0.0)
        both = raster.index(1058.5 / unit, 2029.9 / unit)
        assert (largest[both], smallest[both]) == (2.0, 1.0)


def test_a_beam_narrower_than_a_cell_is_not_lost(tmp_path):
    line = BeamLine(0.0, 0.0, 40.0, 17.0)
    one = strip(line)
    ridge = np.zeros((one.chainage_m.size, one.offset_m.size))
    ridge[:, ridge.shape[1] // 2] = 1.0
    raster = MapRaster(tmp_path / "r.tif", CRS("EPSG:32632"), 0.5, bounds_of([line], 2.0), BANDS[:1])
    raster.lay(one, [ridge])
    raster.finish()
    with rasterio.open(tmp_path / "r.tif") as found:
        cells = found.read(1)
        along = [found.index(*(float(part) for part in line.to_map(s, 0.0))) for s in np.arange(1.0, 42.0, 0.5)]
    assert min(cells[at] for at in along) > 0.3


def test_a_very_large_raster_stays_a_plain_tiled_one(tmp_path, monkeypatch):
    monkeypatch.setattr("geotools.plan.map_raster.LARGEST_COG_CELLS", 10)
    assert not laid(tmp_path / "big.tif", "EPSG:32632")
    assert [path.name for path in tmp_path.iterdir()] == ["big.tif"]
    with rasterio.open(tmp_path / "big.tif") as raster:
        assert raster.profile["tiled"]
        assert np.nanmax(raster.read(1)) == 2.0


def test_a_raster_is_written_with_a_small_cache_whoever_writes_it(tmp_path, monkeypatch):
    """What the raster library keeps of a long line would grow with the machine: a twentieth of its memory."""
    raster = MapRaster(tmp_path / "r.tif", CRS("EPSG:32632"), 0.5, bounds_of(LINES, 2.0), BANDS[:1])
    grid = StripGrid.over(LINES[0], 2.0, 0.5)
    caches = []
    real_laid, real_copy = map_raster._laid, map_raster.copy_raster

    def noted(real):
        def noting(*given, **named):
            caches.append(rasterio.env.getenv().get("GDAL_CACHEMAX"))
            return real(*given, **named)

        return noting

    monkeypatch.setattr(map_raster, "_laid", noted(real_laid))
    monkeypatch.setattr(map_raster, "copy_raster", noted(real_copy))
    with rasterio.Env():
        raster.lay(grid, [np.zeros((grid.chainage_m.size, grid.offset_m.size))])
        assert raster.finish()
    assert caches == [CACHE_MB, CACHE_MB]
