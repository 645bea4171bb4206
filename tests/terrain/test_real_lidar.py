"""Lidar as suppliers hand it over: feet, classes, systems told in different ways (files: tests/data/README.md).

None has ground truth of its own, so the model is compared with the file's own ground points, read by laspy.
"""

from __future__ import annotations

from pathlib import Path

import laspy
import numpy as np
import pytest
import rasterio
from click.testing import CliRunner
from pyproj import CRS

from geotools.cli import cli
from geotools.errors import InputError
from geotools.terrain.dtm import Made, grid_survey
from geotools.terrain.lidar import read_lidar
from geotools.terrain.model import Terrain
from geotools.terrain.points import Stated

DATA = Path(__file__).parents[1] / "data" / "lidar"
#: NIST SP 811, B.6 and B.8.
FOOT, US_FOOT = 0.3048, 1200 / 3937


def gridded(name: str, tmp_path: Path, **options) -> Made:
    options = {"cell_m": 0.5} | options
    stated = Stated(**{key: options.pop(key) for key in ("crs", "vertical_unit", "vertical_datum") if key in options})
    return grid_survey([(DATA / name, read_lidar(DATA / name))], tmp_path / "dtm.tif", stated=stated, **options)


def ground(name: str, foot: float) -> np.ndarray:
    """Ground points of the file in metres, as laspy reads them."""
    las = laspy.read(DATA / name)
    return np.column_stack([las.x, las.y, las.z])[np.asarray(las.classification) == 2] * foot


def off_the_points(path: Path, points: np.ndarray) -> np.ndarray:
    with rasterio.open(path) as raster:
        system = CRS.from_wkt(raster.crs.to_wkt())
        assert raster.units == ("metre",)
    with Terrain(path, system) as terrain:
        return np.abs(terrain.sample(points[:, 0], points[:, 1]) - points[:, 2])


def test_a_dense_strip_in_us_survey_feet_says_so_by_itself(tmp_path):
    """Map and heights in US survey feet, the heights' unit only among the GeoTIFF keys (4099)."""
    made = gridded("nebraska.laz", tmp_path, cell_m=0.25)
    points = ground("nebraska.laz", US_FOOT)
    assert made.source_vertical_unit == "US survey foot" and made.points == len(points) == 9808
    # 60 by 40 feet are 223 m2, all of it within 2.5 m of ground points
    assert made.spacing_m == pytest.approx(np.sqrt(223 / 9808), rel=0.1)
    assert not any("apart" in text for text in made.warnings)
    off = off_the_points(tmp_path / "dtm.tif", points)
    assert np.isfinite(off).mean() > 0.9
    assert np.nanmedian(off) < 0.02 and np.nanpercentile(off, 95) < 0.1


def test_an_airborne_survey_in_feet_asks_for_the_unit_and_is_too_thin_for_a_crawl_gap(tmp_path):
    """International feet, a system without a code, two classes: ground and the rest."""
    with pytest.raises(InputError, match="what unit") as caught:
        gridded("autzen_trim.laz", tmp_path)
    assert "foot" in str(caught.value) and "--vertical-unit" in str(caught.value)
    made = gridded("autzen_trim.laz", tmp_path, vertical_unit="foot", vertical_datum="NAVD88")
    points = ground("autzen_trim.laz", FOOT)
    assert made.points == len(points) == 26_107 and made.vertical_datum == "NAVD88"
    # 1177 by 563 feet are 61 500 m2, of which trees and water hide some
    assert np.sqrt(61_500 * 0.6 / 26_107) < made.spacing_m < np.sqrt(61_500 / 26_107) * 1.15
    assert any("prone person" in text for text in made.warnings)
    off = off_the_points(tmp_path / "dtm.tif", points)
    assert np.isfinite(off).mean() > 0.95 and np.nanpercentile(off, 90) < 0.25


def test_a_compound_system_tells_unit_and_datum(tmp_path):
    made = gridded("simple.copc.laz", tmp_path, cell_m=10.0)
    assert made.vertical_datum == "NAVD88 height (ftUS)" and made.source_vertical_unit == "US survey foot"
    assert any("705.3 m do not show" in text for text in made.warnings)


def test_another_unit_than_the_files_own_is_told(tmp_path):
    made = gridded("nebraska.laz", tmp_path, vertical_unit="metre")
    assert any("taken in metre as stated" in text and "US survey foot" in text for text in made.warnings)


def test_classes_that_are_there_are_named(tmp_path):
    """No ground class at all: what is there is said, and the command ends with words."""
    las = laspy.read(DATA / "autzen_trim.laz")
    las.points = las.points[np.asarray(las.classification) == 1][:500]
    las.write(tmp_path / "unclassified.laz")
    done = CliRunner().invoke(
        cli,
        ["terrain", str(tmp_path / "unclassified.laz"), "--out", str(tmp_path / "g.tif"), "--vertical-unit", "foot"],
    )
    assert done.exit_code == 3 and "ground class" in done.output and "classes: 1 (500 points)" in done.output
    assert not (tmp_path / "g.tif").exists()


def test_withheld_points_are_not_ground(tmp_path):
    """ASPRS LAS 1.4: withheld points are as good as deleted."""
    las = laspy.read(DATA / "nebraska.laz")
    las.points = las.points[np.asarray(las.classification) == 2]
    wrong = np.arange(len(las.points)) % 50 == 0
    z = np.asarray(las.z)
    las.z = np.where(wrong, z + 30.0, z)
    las.withheld = wrong.astype(np.uint8)
    las.write(tmp_path / "withheld.laz")
    made = grid_survey(
        [(tmp_path / "withheld.laz", read_lidar(tmp_path / "withheld.laz"))], tmp_path / "dtm.tif", cell_m=0.25
    )
    assert made.points == (~wrong).sum()
    with rasterio.open(tmp_path / "dtm.tif") as raster:
        assert raster.read(1, masked=True).max() <= z[~wrong].max() * US_FOOT + 1e-3
