"""One invented site, put down on the map in any way: moved, turned, mirrored, in feet, drawn otherwise, split."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.transform import from_origin

__all__ = ["CORNERS", "Placing", "ground", "matrix_of", "write_site"]

Floats = NDArray[np.float64]

#: Corners of the fence, m, in a frame of its own: a ring with one blunt corner, no two sides alike.
CORNERS = np.array([(0.0, 0.0), (62.0, 0.0), (80.0, 22.0), (80.0, 60.0), (0.0, 60.0)])
_MARGIN_M = 12.0
_US_FOOT = 1200.0 / 3937.0

_SITE = """name = "Placed yard"
threats = ["walk", "prone"]

[input]
fence = "fence.geojson"
terrain = "terrain.tif"
vertical_accuracy_m = 0.03
vertical_datum = "local"

[layout]
side = "{side}"
setback_m = 4.0
max_zone_m = 90.0

[detection]
threshold = 0.20
spacing_m = 0.5
uncertain = ["survey"]
"""


def ground(u: Floats, v: Floats) -> Floats:
    """Height at places of the site's own frame, m: a slope, and three dips across the fence line."""
    dips = ((26.0, 3.0, 0.55, 3.0), (76.0, 41.0, 0.45, 3.5), (40.0, 57.0, 0.30, 4.0))
    level = 250.0 + 0.010 * u - 0.006 * v
    for at_u, at_v, depth, wide in dips:
        level = level - depth * np.exp(-(((u - at_u) ** 2 + (v - at_v) ** 2) / wide**2))
    return np.asarray(level)


@dataclass(frozen=True)
class Placing:
    """How the site is put down; what each part leaves alone is the answer.

    Attributes
    ----------
    shift_m : (float, float)
        Where its origin lies from the usual place.
    turn_deg : float
        Turned to the left by this angle.
    mirrored : bool
        The left changed for the right.
    first : int
        Corner at which the fence begins.
    backwards : bool
        Drawn the other way round.
    halved : bool
        One more vertex in the middle of every side.
    system : str
        ``metres``, ``feet`` or ``other metres``, systems of the plan.
    cell_m : float
        Cells of the terrain model.
    noise_m : float
        Every vertex of the fence off by up to this much.
    opened : bool
        The side between the last corner and the first is left out: an open line, protected on the same hand.
    split : int
        Corner at which an open line is drawn as two that meet there; 0 for one line.
    """

    shift_m: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    mirrored: bool = False
    first: int = 0
    backwards: bool = False
    halved: bool = False
    system: str = "metres"
    cell_m: float = 0.5
    noise_m: float = 0.0
    opened: bool = False
    split: int = 0

    @property
    def side(self) -> str:
        """The side that is protected, in the words of the site file; a ring of `CORNERS` runs to the left."""
        if not self.opened:
            return "inside"
        return "left" if self.mirrored == self.backwards else "right"


#: System, its unit in metres, and a place in it.
_SYSTEMS = {
    "metres": ("EPSG:32632", 1.0, (500_000.0, 5_400_000.0)),
    "other metres": ("EPSG:2154", 1.0, (700_000.0, 6_600_000.0)),
    "feet": ("EPSG:2263", _US_FOOT, (1_000_000.0, 200_000.0)),
}


def matrix_of(placing: Placing) -> Floats:
    """Matrix from the site's frame to the map's directions, (2, 2)."""
    angle = math.radians(placing.turn_deg)
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    return np.asarray(turn @ np.diag([1.0, -1.0 if placing.mirrored else 1.0]))


def _lines(placing: Placing) -> list[Floats]:
    """Vertices of each line of the fence in the site's frame, (n, 2); of a ring the first once more at the end."""
    if placing.opened:
        parts = [CORNERS[: placing.split + 1], CORNERS[placing.split :]] if placing.split else [CORNERS]
        lines = [part[::-1] for part in parts[::-1]] if placing.backwards else parts
    else:
        ring = np.roll(CORNERS, -placing.first, axis=0)
        if placing.backwards:
            ring = np.roll(ring[::-1], 1, axis=0)
        lines = [np.vstack([ring, ring[:1]])]
    return [_halved(line) for line in lines] if placing.halved else lines


def _halved(line: Floats) -> Floats:
    halves = (line[:-1] + line[1:]) / 2.0
    return np.vstack([np.stack([line[:-1], halves], axis=1).reshape(-1, 2), line[-1:]])


def write_site(folder: Path, placing: Placing, seed: int = 0) -> Path:
    """Write terrain.tif, fence.geojson and site.toml; the path of the last."""
    folder.mkdir(parents=True, exist_ok=True)
    crs, unit_m, (left, bottom) = _SYSTEMS[placing.system]
    turned = matrix_of(placing)
    rng = np.random.default_rng(seed)

    def on_map(places: Floats) -> Floats:
        return np.asarray(places @ turned.T + placing.shift_m) / unit_m + (left, bottom)

    off = placing.noise_m / unit_m
    drawn = [on_map(line) + rng.uniform(-off, off, line.shape) for line in _lines(placing)]
    # ends that meet are one vertex of the survey
    for line, after in zip(drawn, [*drawn[1:], drawn[0]], strict=True):
        if not placing.opened or after is not drawn[0]:
            after[0] = line[-1]
    geometries = [{"type": "LineString", "coordinates": line.tolist()} for line in drawn]
    lines = [{"type": "Feature", "properties": {}, "geometry": geometry} for geometry in geometries]
    name = crs.replace("EPSG:", "urn:ogc:def:crs:EPSG::")
    collection = {"type": "FeatureCollection", "crs": {"type": "name", "properties": {"name": name}}}
    (folder / "fence.geojson").write_text(json.dumps({**collection, "features": lines}), encoding="utf-8")

    box = on_map(CORNERS)
    low, high = box.min(axis=0) - _MARGIN_M / unit_m, box.max(axis=0) + _MARGIN_M / unit_m
    cell = placing.cell_m / unit_m
    columns, rows = (np.ceil((high - low) / cell)).astype(int).tolist()
    x = low[0] + (np.arange(columns) + 0.5) * cell
    y = high[1] - (np.arange(rows) + 0.5) * cell
    there = np.stack(np.meshgrid(x, y), axis=-1)
    own = ((there - (left, bottom)) * unit_m - placing.shift_m) @ turned  # the inverse of a turn is its transpose
    levels = ground(own[..., 0], own[..., 1]) / unit_m
    profile = {"driver": "GTiff", "width": columns, "height": rows, "count": 1, "dtype": "float64", "crs": crs}
    with rasterio.open(
        folder / "terrain.tif", "w", **profile, transform=from_origin(low[0], high[1], cell, cell), nodata=-9999.0
    ) as raster:
        raster.write(levels, 1)
        raster.units = ("US survey foot" if unit_m != 1.0 else "metre",)
    site = folder / "site.toml"
    site.write_text(_SITE.format(side=placing.side), encoding="utf-8")
    return site
