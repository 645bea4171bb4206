"""Heights read from files of our own making, against the surface they were made from."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from pyproj import CRS, Transformer

from geotools.corridor import BeamLine, StripGrid
from geotools.errors import InputError
from geotools.terrain.model import Terrain
from tests.making import write_raster

UTM = CRS("EPSG:32632")


def plane(rows: int = 100, columns: int = 120, cell: float = 1.0) -> np.ndarray:
    """z = 100 + 0.01 x + 0.02 y with x, y from the lower left corner, at cell centres."""
    x = (np.arange(columns) + 0.5) * cell
    y = (rows - np.arange(rows) - 0.5) * cell
    return (100 + 0.01 * x[None, :] + 0.02 * y[:, None]).astype(np.float64)


def test_bilinear_sampling_gives_a_plane_back(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "t.tif", plane())
    rng = np.random.default_rng(1)
    x, y = rng.uniform(1, 119, 500), rng.uniform(1, 99, 500)
    with Terrain(path, UTM) as terrain:
        found = terrain.sample(500_000 + x, 5_400_000 + y)
    assert found == pytest.approx(100 + 0.01 * x + 0.02 * y, abs=1e-9)


def test_strip_is_chainage_by_offset(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "t.tif", plane())
    line = BeamLine(500_010, 5_400_020, 500_100, 5_400_050)
    grid = StripGrid.over(line, 2.0, 0.5)
    with Terrain(path, UTM) as terrain:
        strip = terrain.strip(grid)
    x, y = grid.map_xy()
    assert strip.shape == (len(grid.chainage_m), len(grid.offset_m))
    assert strip == pytest.approx(100 + 0.01 * (x - 500_000) + 0.02 * (y - 5_400_000), abs=1e-6)


def test_outside_and_nodata_are_unknown_and_stay_so(tmp_path: Path) -> None:
    ground = plane()
    ground[50, 60] = -9999.0
    path = write_raster(tmp_path / "t.tif", ground)
    with Terrain(path, UTM) as terrain:
        found = terrain.sample(
            [499_990, 500_060.5, 500_061.2, 500_062.0], [5_400_050, 5_400_049.5, 5_400_049.5, 5_400_049.5]
        )
    assert np.isnan(found).tolist() == [True, True, True, False]


def test_feet_in_plan_and_height_become_metres(tmp_path: Path) -> None:
    # the same ground as above, laid down in US survey feet: 1200/3937 m each (NIST SP 811, B.6)
    foot = 1200 / 3937
    texas = CRS("EPSG:2277")
    ground = plane() / foot
    path = write_raster(tmp_path / "t.tif", ground, crs="EPSG:2277", left=3_000_000, top=10_000_000, cell=3.0)
    with Terrain(path, texas, metres_per_height=foot) as terrain:
        assert terrain.cell_m == pytest.approx(3 * foot)
        centre = terrain.sample((3_000_000 + 1.5) * foot, (10_000_000 - 1.5) * foot)
    assert float(centre) == pytest.approx(plane()[0, 0], abs=1e-9)


def test_terrain_in_another_system_is_reprojected(tmp_path: Path) -> None:
    # a plane in degrees, asked for in UTM: the height follows from the place, whatever the way
    west, north, cell = 9.0, 48.8, 1e-5
    rows = columns = 300
    lon = west + (np.arange(columns) + 0.5) * cell
    lat = north - (np.arange(rows) + 0.5) * cell
    ground = 100 + 1000 * (lon[None, :] - west) + 2000 * (north - lat[:, None])
    path = write_raster(tmp_path / "t.tif", ground, crs="EPSG:4326", left=west, top=north, cell=cell)
    to_utm = Transformer.from_crs("EPSG:4326", "EPSG:32632", always_xy=True)
    at_lon, at_lat = np.array([9.0012, 9.0018]), np.array([48.7985, 48.7990])
    x, y = to_utm.transform(at_lon, at_lat)
    with Terrain(path, UTM) as terrain:
        assert terrain.reprojected
        found = terrain.sample(x, y)
    assert found == pytest.approx(100 + 1000 * (at_lon - west) + 2000 * (north - at_lat), abs=0.02)


def test_grid_is_cut_at_the_rasters_edge(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "t.tif", plane())
    with Terrain(path, UTM) as terrain:
        piece = terrain.grid((499_990, 5_400_090, 500_003, 5_400_120))
        assert piece.height_m.shape == (10, 3)
        assert (piece.transform.c, piece.transform.f) == (500_000, 5_400_100)
        with pytest.raises(InputError, match="outside"):
            terrain.grid((0, 0, 1, 1))


def test_truncated_file_is_a_clear_error(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "t.tif", plane())
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"damaged|cannot be read"), Terrain(path, UTM) as terrain:
        terrain.sample(500_010 + np.arange(90), 5_400_005.0)


@pytest.mark.parametrize("name", ["/vsizip/a.zip/t.tif", "https://example.org/t.tif", "nowhere.tif", "."])
def test_what_is_no_local_file_is_refused(name: str) -> None:
    with pytest.raises(InputError) as caught:
        Terrain(name, UTM)
    assert name in str(caught.value)


def test_many_threads_may_read_one_terrain(tmp_path: Path) -> None:
    ground = np.random.default_rng(3).normal(200, 1, (1200, 1200)).astype(np.float32)
    path = write_raster(tmp_path / "t.tif", ground, top=5_401_200.0)
    with Terrain(path, UTM) as terrain, ThreadPoolExecutor(8) as pool:

        def read(row: int) -> np.ndarray:
            return terrain.sample(500_000.5 + np.arange(1200), 5_401_200 - row - 0.5)

        rows = list(range(0, 1200, 3)) * 3
        for row, found in zip(rows, pool.map(read, rows), strict=True):
            assert (found == ground[row]).all()
