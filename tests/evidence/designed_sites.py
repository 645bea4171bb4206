"""Invented sites as a designer meets them: gates, roads, buildings, a high double fence, a long open line."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
from shapely import LineString, Point, box
from shapely.affinity import translate
from shapely.geometry.base import BaseGeometry

from tests.evidence.invented_sites import EAST, NORTH, fence_file, site_file, terrain_file


def _figures(path: Path, figures: list[tuple[str, str, BaseGeometry]]) -> None:
    """Objects with their names and kinds, given in metres from the site's corner."""
    shapes = [translate(shape, EAST, NORTH) for *_, shape in figures]
    rows = {"name": [name for name, *_ in figures], "kind": [kind for _, kind, _ in figures]}
    gpd.GeoDataFrame(rows, geometry=shapes, crs="EPSG:32632").to_file(path, driver="GPKG")


def _power(folder: Path, conductor_mm2: float, *places: tuple[float, float]) -> str:
    """Heads with six channels, and where power and data come from, metres from the site's corner; as sections."""
    _figures(folder / "sources.gpkg", [(f"Source {k}", "", Point(at)) for k, at in enumerate(places, start=1)])
    return f'[channels]\navailable = 6\n\n[routes]\nsources = "sources.gpkg"\nconductor_mm2 = {conductor_mm2}\n'


def substation(folder: Path) -> Path:
    """A yard with a gate of 6 m and the road that leads through it."""
    terrain_file(folder / "terrain.tif", (200, 170), 0.5, 0.04)
    fence_file(folder / "fence.gpkg", [[(25, 25), (165, 25), (165, 135), (25, 135), (25, 25)]])
    _figures(folder / "gates.gpkg", [("Main gate", "", LineString([(92, 25), (98, 25)]))])
    _figures(
        folder / "keep_outs.gpkg",
        [("Access road", "road", box(92, 0, 98, 60)), ("Control house", "building", box(60, 60, 110, 85))],
    )
    return site_file(
        folder,
        "Substation with gate",
        "[layout]\nsetback_m = 4.0\nclear_m = 12.0\n" + _power(folder, 2.5, (112.0, 72.0)),
        inputs='gates = "gates.gpkg"\nkeep_outs = "keep_outs.gpkg"\n',
    )


def double_fence(folder: Path) -> Path:
    """Two fences of 4.5 m, 8 m apart, beams midway; bridging from top to top is a threat."""
    terrain_file(folder / "terrain.tif", (240, 180), 0.5, 0.04)
    outer = [(20, 20), (210, 20), (210, 150), (20, 150), (20, 20)]
    inner = [(28, 28), (202, 28), (202, 142), (28, 142), (28, 28)]
    fence_file(folder / "fence.gpkg", [outer, inner])
    return site_file(
        folder,
        "Double fence of 4.5 m",
        '[layout]\nside = "between"\n' + _power(folder, 6.0, (115.0, 24.0)),
        threats=("walk", "crawl", "prone", "bridge"),
        top="fence_height_m = 4.5\n",
    )


def long_line(folder: Path) -> Path:
    """An open line of 1.5 km that a road crosses."""
    terrain_file(folder / "terrain.tif", (1560, 160), 0.5, 0.05)
    fence_file(folder / "fence.gpkg", [[(30, 60), (520, 75), (1050, 70), (1530, 90)]])
    _figures(folder / "keep_outs.gpkg", [("County road", "road", box(700, 0, 707, 160))])
    return site_file(
        folder,
        "1.5 km line with a road",
        '[layout]\nside = "left"\nsetback_m = 4.0\nclear_m = 12.0\n'
        + _power(folder, 10.0, (290.0, 84.0), (715.0, 84.0), (1250.0, 94.0)),
        inputs='keep_outs = "keep_outs.gpkg"\n',
    )


def l_yard(folder: Path) -> Path:
    """An L with a building 7 m from the fence."""
    terrain_file(folder / "terrain.tif", (240, 220), 0.5, 0.04)
    ring = [(20, 20), (210, 20), (210, 100), (110, 100), (110, 195), (20, 195), (20, 20)]
    fence_file(folder / "fence.gpkg", [ring])
    _figures(folder / "keep_outs.gpkg", [("Store", "building", box(27, 110, 60, 140))])
    return site_file(
        folder,
        "L yard with a building",
        "[layout]\nsetback_m = 3.5\nclear_m = 10.0\n" + _power(folder, 6.0, (62.0, 125.0)),
        inputs='keep_outs = "keep_outs.gpkg"\n',
    )
