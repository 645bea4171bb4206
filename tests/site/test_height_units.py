"""Heights in feet that nobody states: named where other levels of the site show it, said to be open where none do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString

import geotools
from tests.making import SQUARE, line, write_fence, write_raster

MakeSite = Callable[..., Path]
#: A foot of 1959 is 0.3048 m exactly.
FOOT = 0.3048
#: A raster that does not say in what unit its heights are.
UNSTATED = {"unit": None}


def slope(level: float = 250.0, fall: float = 0.05) -> np.ndarray:
    """Heights in metres, (100, 100) cells of 1 m, falling to the east."""
    return np.tile(level - fall * np.arange(100.0), (100, 1)).astype(np.float32)


def inspected(site: Path, out: Path) -> tuple[str, str]:
    outcome = geotools.run_step("inspect", geotools.open_site(site), out)
    return "\n".join(outcome.warnings), "\n".join(outcome.notes)


def fence_with_heights(path: Path, heights: np.ndarray, *, above: float = 0.0) -> None:
    shape = line(SQUARE)
    shape["coordinates"] = [
        [x, y, float(heights[0, min(int(x - 500_000), 99)]) + above] for x, y in shape["coordinates"]
    ]
    write_fence(path, [shape])


def points(path: Path, heights: np.ndarray) -> None:
    rows = [f"{500_000 + x + 0.5},{5_400_050.5},{heights[0, x]:.3f}" for x in (20, 35, 50, 65, 80)]
    path.write_text("x,y,z\n" + "\n".join(rows) + "\n")


def test_feet_are_named_by_the_heights_of_the_fence(make_site: MakeSite, tmp_path: Path) -> None:
    metres = slope()
    site = make_site(heights=metres / FOOT, raster=UNSTATED)
    fence_with_heights(tmp_path / "fence.geojson", metres, above=2.4)
    warnings, notes = inspected(site, tmp_path / "out")
    assert "confirm" not in notes
    for part in ("feet", "terrain.tif", "fence.geojson", "3.2", "expected", 'input.vertical_unit = "foot"'):
        assert part in warnings
    # mended as the warning says
    site.write_text(site.read_text().replace("[input]", '[input]\nvertical_unit = "foot"'))
    assert "feet" not in inspected(site, tmp_path / "mended")[0]


@pytest.mark.parametrize("setting", ["[survey]\ncheck_points", "levels"])
def test_feet_are_named_by_levels_measured(make_site: MakeSite, tmp_path: Path, setting: str) -> None:
    # two metres above the datum and flat ground apart, the fall alone decides
    metres = slope(9.0, 0.06)
    points(tmp_path / "points.csv", metres)
    text = f'{setting} = "points.csv"\n'
    placed = {"toml": text} if "survey" in setting else {"inputs": f"vertical_accuracy_m = 0.05\n{text}"}
    site = make_site(heights=metres / FOOT, raster=UNSTATED, **placed)
    warnings, _ = inspected(site, tmp_path / "out")
    assert "feet" in warnings and "points.csv" in warnings and 'input.vertical_unit = "foot"' in warnings


def test_levels_in_feet_beside_terrain_in_metres_are_named(make_site: MakeSite, tmp_path: Path) -> None:
    metres = slope()
    points(tmp_path / "points.csv", metres / FOOT)
    site = make_site(heights=metres, toml='[survey]\ncheck_points = "points.csv"\n')
    warnings, _ = inspected(site, tmp_path / "out")
    assert "points.csv" in warnings and "look like feet" in warnings and "give them in metres" in warnings


def test_where_nothing_decides_it_is_said_to_be_open(make_site: MakeSite, tmp_path: Path) -> None:
    warnings, notes = inspected(make_site(heights=slope(), raster=UNSTATED), tmp_path / "out")
    assert "feet" not in warnings
    assert "nothing in the site's files can confirm" in notes and "input.vertical_unit" in notes
    # stated, it is not open
    write_raster(tmp_path / "terrain.tif", slope(), unit="metre")
    warnings, notes = inspected(tmp_path / "site.toml", tmp_path / "stated")
    assert "feet" not in warnings and "confirm" not in notes


def test_levels_that_agree_confirm_metres(make_site: MakeSite, tmp_path: Path) -> None:
    site = make_site(heights=slope(), raster=UNSTATED)
    fence_with_heights(tmp_path / "fence.geojson", slope(), above=2.4)
    warnings, notes = inspected(site, tmp_path / "out")
    assert "feet" not in warnings and "confirm" in notes and "fence.geojson" in notes
    assert "nothing in the site's files" not in notes


@pytest.mark.parametrize("level", [0.0, 100.0, 250.0 - 47.0])
def test_heights_of_another_datum_or_none_accuse_nobody(make_site: MakeSite, tmp_path: Path, level: float) -> None:
    # a drawing at level 0, one at a level of its own, and ellipsoidal heights: 47 m is the geoid of Central Europe
    site = make_site(heights=slope(), raster=UNSTATED)
    text = line(SQUARE)
    text["coordinates"] = [[x, y, level] for x, y in text["coordinates"]]
    write_fence(tmp_path / "fence.geojson", [text])
    warnings, notes = inspected(site, tmp_path / "out")
    assert "feet" not in warnings and "confirm" in notes


def test_a_fence_in_a_system_that_counts_heights_in_feet(make_site: MakeSite, tmp_path: Path) -> None:
    # NAD83 / UTM zone 14N with heights of NAVD88 in US survey feet
    site = make_site(inputs='vertical_accuracy_m = 0.05\nfence_crs = "EPSG:26914+6360"\n')
    write_raster(tmp_path / "terrain.tif", slope(), crs="EPSG:26914", left=500_000, top=3_300_100, unit=None)
    ring = LineString(line(SQUARE, 500_000, 3_300_000)["coordinates"])
    gpd.GeoDataFrame(geometry=[ring]).to_file(tmp_path / "fence.shp", engine="fiona")
    site.write_text(site.read_text().replace("fence.geojson", "fence.shp"))
    warnings, _ = inspected(site, tmp_path / "out")
    assert "US survey foot" in warnings and "input.vertical_unit" in warnings
