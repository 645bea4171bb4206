"""The main job on real terrain (see tests/data/README.md for source and licence); the fence on it is invented.

There is no independent ground truth: what is tested is relative undulation, by a path that shares no code with ours.
"""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

import geotools
from geotools.engine.runner import run_site
from tests.validator import complaints

DATA = Path(__file__).parent / "data"


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("floodplain")
    run_site(geotools.open_site(DATA / "floodplain.toml"), out, steps=["inspect", "layout", "gaps"])
    return out / "plan.gpkg"


def depth_below_straight(beam: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Chainage and depth of the ground below the line between a beam line's ends, by rasterio's own sampling."""
    (x0, y0), (x1, y1) = beam[0, :2], beam[-1, :2]
    length = float(np.hypot(x1 - x0, y1 - y0))
    chainage = np.arange(0.0, length, 0.5)
    places = [(x0 + (x1 - x0) * s / length, y0 + (y1 - y0) * s / length) for s in chainage]
    with rasterio.open(DATA / "floodplain_1m.tif") as raster:
        ground = np.array([value[0] for value in raster.sample(places)])
    return chainage, np.interp(chainage, [0, chainage[-1]], [ground[0], ground[-1]]) - ground


def deepest_within(area: shapely.Geometry, beam: np.ndarray) -> float:
    """Greatest depth of the ground of an area below the line between a beam line's ends, by rasterio's own sampling."""
    start, end = beam[0, :2], beam[-1, :2]
    left, bottom, right, top = area.bounds
    x, y = np.meshgrid(np.arange(left, right, 0.25), np.arange(bottom, top, 0.25))
    inside = shapely.contains_xy(area, x, y)
    places = np.column_stack([x[inside], y[inside]])
    share = (places - start) @ (end - start) / np.sum((end - start) ** 2)
    with rasterio.open(DATA / "floodplain_1m.tif") as raster:
        feet = [value[0] for value in raster.sample([start, end])]
        ground = np.array([value[0] for value in raster.sample(places)])
    return float(np.max(feet[0] + (feet[1] - feet[0]) * share - ground))


@pytest.mark.validator
def test_plan_is_valid(plan: Path) -> None:
    assert complaints(plan) == ""


def test_plan_is_in_the_terrains_own_system(plan: Path) -> None:
    assert gpd.read_file(plan, layer="heads").crs.to_epsg() == 32139


def test_head_levels_stand_on_the_ground_of_the_raster(plan: Path) -> None:
    heads = gpd.read_file(plan, layer="heads")
    with rasterio.open(DATA / "floodplain_1m.tif") as raster:
        nearest = np.array([value[0] for value in raster.sample([(p.x, p.y) for p in heads.geometry])])
    # nearest cell against bilinear: the ground falls a few centimetres from cell to cell
    assert heads["ground_m"].to_numpy() == pytest.approx(nearest, abs=0.10)
    assert heads.geometry.z.to_numpy() == pytest.approx((heads["ground_m"] + heads["height_m"]).to_numpy(), abs=1e-9)


def test_dips_found_are_dips_and_straight_zones_are_clear(plan: Path) -> None:
    """Common practice, no source: 0.075 m of ground below straight is about what a prone person needs to pass."""
    beams = gpd.read_file(plan, layer="beams")
    beams = beams[beams["level"] == "low"].set_index("zone_id")
    spots = gpd.read_file(plan, layer="dead_spots")
    spots = spots[spots["threat"] == "prone"]
    found_dips = 0
    for zone, line in beams.geometry.items():
        chainage, depth = depth_below_straight(np.asarray(line.coords))
        here = spots[(spots["zone_id"] == zone) & (spots["cause"] == "dip")]
        for spot in here.itertuples():
            assert deepest_within(spot.geometry, np.asarray(line.coords)) > 0.075 / 2, f"{spot.spot_id} is no dip"
            found_dips += 1
        inner = (chainage > 5) & (chainage < chainage[-1] - 5)
        if np.abs(depth[inner]).max() < 0.075 / 2:
            assert here.empty, f"zone {zone} is straight, yet has a dip"
    assert found_dips >= 1


def test_survey_too_coarse_for_prone_is_said(plan: Path) -> None:
    steps = json.loads((plan.parent / "summary.json").read_text())["steps"]
    assert any("0.075 m" in text for text in steps["inspect"]["warnings"])
    assert any("1.00 m" in text for text in steps["inspect"]["warnings"])
