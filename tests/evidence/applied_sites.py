"""Invented sites on which a proposal is applied: ground by formula, fence lines, posts moved by hand."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin

Level = Callable[[np.ndarray, np.ndarray], np.ndarray]

LEFT, TOP = 500_000.0, 5_400_200.0


@dataclass(frozen=True)
class Invented:
    """One site.

    Attributes
    ----------
    name : str
        What is odd about it.
    level : callable
        Height of the ground, m, from metres east and north of the raster's lower left corner.
    fences : tuple
        Fence lines in the same metres.
    size : (width, height) of the raster, m. cell : its cells, m.
    longest_m : of a zone. threats : to be answered. sideways_m : how far the posts of every second zone are set off.
    """

    name: str
    level: Level
    fences: tuple[tuple[tuple[float, float], ...], ...]
    size: tuple[float, float] = (120.0, 60.0)
    cell: float = 0.5
    longest_m: float = 50.0
    threats: tuple[str, ...] = ("crawl", "prone")
    sideways_m: float = 0.0
    more: str = ""

    def write(self, folder: Path) -> Path:
        """Terrain, fence and site file in a folder; the site file's path."""
        folder.mkdir(parents=True, exist_ok=True)
        width, height = (round(side / self.cell) for side in self.size)
        x, y = np.meshgrid((np.arange(width) + 0.5) * self.cell, (np.arange(height)[::-1] + 0.5) * self.cell)
        with rasterio.open(
            folder / "terrain.tif",
            "w",
            driver="GTiff",
            width=width,
            height=height,
            count=1,
            dtype="float64",
            crs="EPSG:32632",
            transform=from_origin(LEFT, TOP, self.cell, self.cell),
            nodata=-9999.0,
        ) as raster:
            raster.write(250.0 + self.level(x, y) + 0.0 * x, 1)
            raster.units = ("metre",)
        bottom = TOP - height * self.cell
        lines = [
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "LineString", "coordinates": [[LEFT + a, bottom + b] for a, b in fence]},
            }
            for fence in self.fences
        ]
        crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
        (folder / "fence.geojson").write_text(
            json.dumps({"type": "FeatureCollection", "crs": crs, "features": lines}), encoding="utf-8"
        )
        site = folder / "site.toml"
        threats = ", ".join(f'"{threat}"' for threat in self.threats)
        site.write_text(
            f'name = "{self.name}"\nthreats = [{threats}]\n\n[input]\nfence = "fence.geojson"\n'
            f'terrain = "terrain.tif"\nvertical_accuracy_m = 0.03\n\n[layout]\nside = "left"\nsetback_m = 4.0\n'
            f"max_zone_m = {self.longest_m}\noverlap_m = 8.0\n{self.more}\n",
            encoding="utf-8",
        )
        return site


def _dip(depth: float, width: float, at: float) -> Level:
    return lambda x, y: -depth * np.exp(-(((x - at) / width) ** 2))


def _sum(*parts: Level) -> Level:
    return lambda x, y: sum((part(x, y) for part in parts), np.zeros(np.broadcast(x, y).shape))


def _fall(along: float, across: float = 0.0) -> Level:
    return lambda x, y: along * x + across * y


LINE = (((10.0, 20.0), (105.0, 20.0)),)
TWO = ((LINE[0][0], (55.0, 20.0)), ((10.0, 40.0), (60.0, 40.0)))
FLAT: Level = _fall(0.0)

SITES: tuple[Invented, ...] = (
    Invented("one dip", _dip(0.35, 4.0, 40.0), LINE),
    Invented("a dip at the overlap", _sum(_dip(0.30, 3.0, 56.0), _fall(0.01)), LINE),
    Invented("a crest", _sum(_dip(-0.9, 9.0, 35.0), _fall(0.0, 0.01)), LINE),
    Invented("dip and crest on terrain of 1 m", _sum(_dip(0.3, 3.5, 30.0), _dip(-0.5, 8.0, 80.0)), LINE, cell=1.0),
    Invented("dips on terrain of 0.25 m", _sum(_dip(0.3, 2.0, 33.0), _dip(0.25, 2.0, 77.0)), LINE, cell=0.25),
    Invented("dip on terrain of 2 m", _dip(0.4, 6.0, 38.0), LINE, cell=2.0),
    Invented("a corner", _dip(0.3, 3.0, 40.0), (((10.0, 15.0), (60.0, 15.0), (60.0, 65.0)),), size=(80.0, 80.0)),
    Invented(
        "two fences",
        _sum(_dip(0.3, 3.0, 30.0), _fall(0.0, 0.02)),
        TWO,
    ),
    Invented("posts set off by 0.7 m", _dip(0.25, 3.0, 35.0), LINE, sideways_m=0.7),
    Invented("a ditch aslant", lambda x, y: -0.45 * np.exp(-(((x - 0.7 * y - 40.0) / 1.5) ** 2)), LINE),
)

#: Single heads of 10 GHz over flat ground, the posts of every second zone set sideways at the overlap.
STAGGERED = Invented(
    "Flat, posts set off",
    FLAT,
    (((10.0, 20.0), (390.0, 20.0)),),
    size=(400.0, 50.0),
    longest_m=100.0,
    threats=("walk", "crawl"),
    sideways_m=0.7,
)
