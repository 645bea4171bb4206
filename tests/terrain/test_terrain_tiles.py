"""Overlapping tiles of one model give the heights that one piece gives, to 1e-6 m."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from pyproj import CRS

from geotools.corridor import BeamLine, StripGrid
from geotools.terrain.model import Terrain
from tests.making import write_raster


def source(name: str, at: int, columns: int) -> str:
    rect = f'yOff="0" xSize="{columns}" ySize="120"'
    return (
        f'<SimpleSource><SourceFilename relativeToVRT="1">{name}</SourceFilename><SourceBand>1</SourceBand>'
        f'<SrcRect xOff="0" {rect}/><DstRect xOff="{at}" {rect}/></SimpleSource>'
    )


def test_overlapping_tiles_are_one_ground(tmp_path: Path) -> None:
    ground = np.random.default_rng(7).normal(250.0, 0.2, (120, 300))
    whole = write_raster(tmp_path / "whole.tif", ground)
    write_raster(tmp_path / "a.tif", ground[:, :170])
    write_raster(tmp_path / "b.tif", ground[:, 130:], left=500_130.0)
    (tmp_path / "tiles.vrt").write_text(
        '<VRTDataset rasterXSize="300" rasterYSize="120"><SRS>EPSG:32632</SRS>'
        '<GeoTransform>500000, 1, 0, 5400100, 0, -1</GeoTransform><VRTRasterBand dataType="Float64" band="1">'
        f"{source('a.tif', 0, 170)}{source('b.tif', 130, 170)}</VRTRasterBand></VRTDataset>"
    )
    grid = StripGrid.over(BeamLine(500_020.0, 5_400_010.0, 500_280.0, 5_400_060.0), 2.0, 0.25)
    for crs in ("EPSG:32632", "EPSG:25833"):  # the raster's own system, and another that it is reprojected from
        line = grid
        with Terrain(whole, CRS(crs)) as one, Terrain(tmp_path / "tiles.vrt", CRS(crs)) as many:
            if crs != "EPSG:32632":
                left, bottom, right, top = one.bounds_m
                x, y = (left + right) / 2, (bottom + top) / 2
                line = StripGrid.over(BeamLine(x - 60, y - 5, x + 60, y + 5), 2.0, 0.25)
            expected, found = one.strip(line), many.strip(line)
        assert np.isfinite(expected).all()
        assert np.abs(found - expected).max() <= 1e-6
