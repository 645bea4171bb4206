"""A small invented site that any test can bend: flat or shaped ground, a fence, a site file."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

import geotools
from geotools.engine.runner import Job
from geotools.plan.schema import PROPOSED_HEADS
from tests.shared import made_once

SQUARE = ((20.0, 20.0), (80.0, 20.0), (80.0, 80.0), (20.0, 80.0), (20.0, 20.0))


def write_raster(
    path: Path,
    heights: np.ndarray,
    *,
    crs: str | None = "EPSG:32632",
    left: float = 500_000.0,
    top: float = 5_400_100.0,
    cell: float = 1.0,
    nodata: float | None = -9999.0,
    unit: str | None = "metre",
) -> Path:
    profile = {
        "driver": "GTiff",
        "height": heights.shape[0],
        "width": heights.shape[1],
        "count": 1,
        "dtype": heights.dtype.name,
        "transform": from_origin(left, top, cell, cell),
        "nodata": nodata,
    }
    if crs is not None:
        profile["crs"] = crs
    with rasterio.open(path, "w", **profile) as raster:
        raster.write(heights, 1)
        if unit is not None:
            raster.units = (unit,)
    return path


def write_fence(path: Path, geometries: Sequence[dict], *, crs: str | None = "EPSG:32632") -> Path:
    collection: dict = {
        "type": "FeatureCollection",
        "features": [{"type": "Feature", "properties": {"n": i}, "geometry": g} for i, g in enumerate(geometries)],
    }
    if crs is not None:
        collection["crs"] = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:{crs.replace(':', '::')}"}}
    path.write_text(json.dumps(collection))
    return path


def line(points: Sequence[Sequence[float]], left: float = 500_000.0, bottom: float = 5_400_000.0) -> dict:
    return {"type": "LineString", "coordinates": [[left + x, bottom + y] for x, y in points]}


def write_site(
    folder: Path,
    *,
    heights: np.ndarray | None = None,
    points: Sequence[Sequence[float]] = SQUARE,
    toml: str = "",
    inputs: str = "vertical_accuracy_m = 0.05\n",
    threats: str = '["walk", "prone"]',
    raster: dict | None = None,
) -> Path:
    """Write terrain.tif (100 x 100 m), fence.geojson and site.toml into a folder; what is given replaces a part."""
    ground = np.full((100, 100), 250.0, np.float32) if heights is None else heights
    write_raster(folder / "terrain.tif", ground, **(raster or {}))
    write_fence(folder / "fence.geojson", [line(points)])
    site = folder / "site.toml"
    site.write_text(
        f'name = "Test yard"\nthreats = {threats}\n\n[input]\nfence = "fence.geojson"\n'
        f'terrain = "terrain.tif"\n{inputs}\n{toml}\n'
    )
    return site


@pytest.fixture
def make_site(tmp_path: Path) -> Callable[..., Path]:
    """As :func:`write_site`, into the folder of the test."""
    return partial(write_site, tmp_path)


def laid_out_copy(factory: pytest.TempPathFactory, folder: Path, name: str, **site: Any) -> tuple[Path, Path]:
    """A copy, in a folder of the test's own, of a site after inspect and layout, made once by that name.

    Parameters
    ----------
    site : as :func:`write_site` takes it.

    Returns
    -------
    (Path, Path), the site file and the output folder.
    """

    def make(place: Path) -> None:
        opened = geotools.open_site(write_site(place, **site))
        for step in ("inspect", "layout"):
            geotools.run_step(step, opened, place / "out")

    shutil.copytree(made_once(factory, name, make), folder, dirs_exist_ok=True)
    return folder / "site.toml", folder / "out"


def set_proposed_head(site: geotools.Site, out: Path) -> None:
    """One head of the demonstration's proposed state set to another height than laid out, as somebody does in a GIS."""
    with Job(site, out, overwrite=True) as job:
        heads = job.workspace.read(PROPOSED_HEADS)
        heads.loc[heads["head_id"] == "F01-Z005-RX-low", "height_m"] = 0.375
        job.workspace.write({PROPOSED_HEADS: heads})
