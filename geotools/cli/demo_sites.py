"""Invented demonstration sites that are made when they are named: ground by formula, fence lines, a site file.

None is a real place: the coordinates only lie in an ordinary projected system. The same files come out each time;
heights are in whole millimetres, as a survey gives them.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter

__all__ = ["MADE_SITES", "MadeSite", "write_made_site"]

LEFT, BOTTOM = 512_000.0, 5_404_000.0
CELL_M = 0.5
BASE_M = 312.0
#: Slope of the ground to the north and to the east.
FALL = (0.012, 0.004)
Place = tuple[float, float]


@dataclass(frozen=True)
class Fold:
    """A straight fold of the ground: a swale or a ditch where ``height_m`` is negative, a crest where it is not.

    Attributes
    ----------
    at : (east, north) of its middle, m from the site's corner.
    azimuth_deg : direction that it runs in.
    height_m, width_m : of its bell-shaped section; the width is its standard deviation.
    reach_m : how far it runs to either side before it fades out over 8 m.
    """

    at: Place
    azimuth_deg: float
    height_m: float
    width_m: float
    reach_m: float = 25.0


@dataclass(frozen=True)
class MadeSite:
    """One site.

    Attributes
    ----------
    title, words : its name, and what it is in half a sentence.
    size_m : width and height of the terrain.
    fences : lines, m from the site's lower left corner.
    rough : (size, standard deviation) of its random undulations, m.
    folds : what else the ground does.
    layout : the section of that name in the site file.
    building : (left, bottom, right, top) of a building inside.
    threats : that it is to detect.
    """

    title: str
    words: str
    size_m: Place
    fences: Sequence[Sequence[Place]]
    rough: Sequence[tuple[float, float]]
    folds: Sequence[Fold]
    layout: str
    building: tuple[float, float, float, float] | None = None
    threats: Sequence[str] = ("walk", "crawl", "prone")


def _ring(left: float, bottom: float, right: float, top: float) -> list[Place]:
    return [(left, bottom), (right, bottom), (right, top), (left, top), (left, bottom)]


MADE_SITES = {
    "double-fence": MadeSite(
        "Invented depot with two fences",
        "beams midway between two fences 8 m apart",
        (200.0, 150.0),
        [_ring(20, 20, 180, 130), _ring(28, 28, 172, 122)],
        [(12.0, 0.03), (2.5, 0.006)],
        [Fold((95, 24), 5, -0.35, 3.0), Fold((24, 80), 90, -0.50, 0.9), Fold((176, 70), 85, 0.35, 5.0)],
        'side = "between"\n',
    ),
    "l-yard": MadeSite(
        "Invented L-shaped yard with a store",
        "an L with a building 7 m from the fence",
        (230.0, 215.0),
        [[(20, 20), (210, 20), (210, 100), (110, 100), (110, 195), (20, 195), (20, 20)]],
        [(12.0, 0.03), (2.5, 0.006)],
        [Fold((165, 100), 0, -0.40, 2.5), Fold((20, 75), 80, -0.30, 4.0), Fold((70, 195), 10, -0.55, 1.0)],
        'side = "inside"\nsetback_m = 3.5\nclear_m = 10.0\n',
        (27.0, 110.0, 60.0, 140.0),
    ),
    "hilly": MadeSite(
        "Invented hilly yard",
        "hills of several sizes under zones of up to 100 m",
        (220.0, 220.0),
        [_ring(50, 70, 180, 180)],
        [(30.0, 2.0), (10.0, 0.3), (3.0, 0.06), (1.2, 0.02)],
        [],
        'side = "inside"\nsetback_m = 4.0\nmax_zone_m = 100.0\n',
    ),
    "border": MadeSite(
        "Invented border of 3 km",
        "an open line of 3 km that dry washes cross",
        (3060.0, 140.0),
        [[(30, 60), (800, 90), (1500, 45), (2300, 85), (3030, 55)]],
        [(40.0, 0.4), (2.5, 0.006)],
        [
            Fold((260, 69), 8, -0.35, 3.0, 60),
            Fold((640, 84), -15, -0.60, 1.2, 60),
            Fold((1180, 66), 20, 0.50, 6.0, 60),
            Fold((1730, 57), 0, -0.50, 4.0, 60),
            Fold((2120, 76), 12, -0.30, 2.0, 60),
            Fold((2710, 68), -5, -0.80, 5.0, 60),
        ],
        'side = "left"\nsetback_m = 4.0\nclear_m = 12.0\n',
        threats=("walk", "crawl"),
    ),
}


def _ground(site: MadeSite) -> np.ndarray:
    """Heights, (rows, columns), north up, m."""
    columns, rows = (round(side / CELL_M) for side in site.size_m)
    east = (np.arange(columns) + 0.5) * CELL_M
    north = ((np.arange(rows) + 0.5) * CELL_M)[::-1, None]
    z = BASE_M + FALL[0] * north + FALL[1] * east
    rng = np.random.default_rng(20240)
    for size, deviation in site.rough:
        noise = gaussian_filter(rng.normal(size=(rows, columns)), size / CELL_M, mode="reflect")
        z += deviation * noise / noise.std()
    for fold in site.folds:
        sine, cosine = np.sin(np.radians(fold.azimuth_deg)), np.cos(np.radians(fold.azimuth_deg))
        x, y = east - fold.at[0], north - fold.at[1]
        across, along = x * cosine - y * sine, np.abs(x * sine + y * cosine)
        fading = np.clip(1.0 - (along - fold.reach_m) / 8.0, 0.0, 1.0)
        z += fold.height_m * fading * np.exp(-0.5 * (across / fold.width_m) ** 2)
    return np.round(z, 3).astype(np.float32)


def _layer(path: Path, features: Sequence[tuple[dict[str, str], str, list]]) -> None:
    """A GeoJSON file of features: properties, kind of geometry, coordinates on the map."""
    held = [
        {"type": "Feature", "properties": of, "geometry": {"type": kind, "coordinates": places}}
        for of, kind, places in features
    ]
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}}
    whole = {"type": "FeatureCollection", "name": path.stem, "crs": crs, "features": held}
    path.write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")


def _mapped(places: Sequence[Place]) -> list[list[float]]:
    return [[LEFT + x, BOTTOM + y] for x, y in places]


def write_made_site(name: str, folder: Path) -> list[str]:
    """Write a site of `MADE_SITES` into a folder that is there; the files' names, the site file first."""
    site = MADE_SITES[name]
    ground = _ground(site)
    with rasterio.open(
        folder / "terrain.tif",
        "w",
        driver="GTiff",
        height=ground.shape[0],
        width=ground.shape[1],
        count=1,
        dtype="float32",
        crs="EPSG:32632",
        transform=from_origin(LEFT, BOTTOM + site.size_m[1], CELL_M, CELL_M),
        nodata=-9999.0,
        tiled=True,
        compress="deflate",
        predictor=3,
    ) as raster:
        raster.write(ground, 1)
        raster.units = ("metre",)
    _layer(folder / "fence.geojson", [({"name": site.title}, "LineString", _mapped(line)) for line in site.fences])
    files, keep_outs = ["site.toml", "fence.geojson", "terrain.tif"], ""
    if site.building is not None:
        _layer(
            folder / "keep_outs.geojson",
            [({"name": "store", "kind": "building"}, "Polygon", [_mapped(_ring(*site.building))])],
        )
        files.append("keep_outs.geojson")
        keep_outs = 'keep_outs = "keep_outs.geojson"\n'
    (folder / "site.toml").write_text(
        f"# A demonstration site: {site.words}. It is invented.\n"
        f'name = "{site.title}"\nthreats = {json.dumps(list(site.threats))}\nfence_height_m = 2.4\n\n'
        '[input]\nfence = "fence.geojson"\nterrain = "terrain.tif"\nvertical_datum = "invented, local"\n'
        f"vertical_accuracy_m = 0.06\n{keep_outs}\n[layout]\n{site.layout}",
        encoding="utf-8",
    )
    return files
