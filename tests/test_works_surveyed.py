"""The works of a real ground measured as a surveyor measures them, and judged by command.

Points 0.5 to 0.9 m apart and lines walked along the edges of the works, each level with 0.01 m of noise (standard
deviation; common practice for a total station on soil, no source). The ground is real (`tests/data/README.md`), the
fence and the works are invented: built exactly as designed but for one place.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from scipy.ndimage import map_coordinates

from geotools.cli import cli

TERRAIN = Path(__file__).parent / "data" / "floodplain_1m.tif"
#: Over a dip that hides the prone from low heads, in EPSG:32139; 73 m.
LINE = [[1068126.6, 3111231.7], [1068195.6, 3111208.5]]
#: Heads and posts so dear that earth is the cheaper remedy; coarse places, one source of uncertainty and no ways for
#: water, for speed.
SITE = """
name = "North line"
threats = ["prone"]
[input]
fence = "fence.geojson"
terrain = "floodplain_1m.tif"
vertical_accuracy_m = 0.10
[layout]
side = "right"
setback_m = 4.0
max_zone_m = 100.0
[detection]
spacing_m = 1.0
uncertain = ["survey"]
[grading]
keep_fall = false
[prices]
set_head = 9000.0
post = 90000.0
"""


def play(*words: object, ends: tuple[int, ...] = (0,)) -> str:
    """One command as it is typed; its output."""
    result = CliRunner().invoke(cli, [str(word) for word in words])
    assert result.exit_code in ends, result.output
    return result.output


@pytest.fixture(scope="module")
def works(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a plan whose zone is graded."""
    home = tmp_path_factory.mktemp("works")
    shutil.copy(TERRAIN, home)
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32139"}}
    fence = {"type": "Feature", "properties": {}, "geometry": {"type": "LineString", "coordinates": LINE}}
    (home / "fence.geojson").write_text(json.dumps({"type": "FeatureCollection", "crs": crs, "features": [fence]}))
    (home / "site.toml").write_text(SITE)
    for step in ("inspect", "layout", "gaps", "remedy", "grade"):
        play(step, home / "site.toml", "--out", home / "out")
    return home


def designed(home: Path, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Levels of the ground with the remedy's change, read from the two rasters alone."""
    level = np.zeros(x.shape)
    for name in ("floodplain_1m.tif", "out/cut_fill.tif"):
        with rasterio.open(home / name) as file:
            t = file.transform
            at = [(y - t.f) / t.e - 0.5, (x - t.c) / t.a - 0.5]
            level += map_coordinates(np.nan_to_num(file.read(1).astype(float)), at, order=1)
    return level


def deepest(home: Path) -> tuple[float, float]:
    """Where most earth is moved, by the file that the machine operator gets."""
    with (home / "out" / "grading_points.csv").open(encoding="utf-8", newline="") as stream:
        row = max(csv.DictReader(stream), key=lambda row: abs(float(row["cut_fill_m"])))
    return float(row["easting"]), float(row["northing"])


def survey(home: Path, name: str, spacing: float, wrong_m: float) -> list[object]:
    """Two files, points and edges, gridded by command; their names, as ``asbuilt`` takes them."""
    draw = np.random.default_rng(16)
    area = gpd.read_file(home / "out" / "plan.gpkg", layer="zones").union_all().buffer(6.0)
    x0, y0, x1, y1 = area.bounds
    x, y = (v.ravel() for v in np.meshgrid(np.arange(x0, x1, spacing), np.arange(y0, y1, spacing)))
    x, y = (v + draw.uniform(-0.2, 0.2, v.size) * spacing for v in (x, y))
    x, y = (v[shapely.contains_xy(area, x, y)] for v in (x, y))

    def levels(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        near = np.hypot(x - deepest(home)[0], y - deepest(home)[1]) < 1.2
        return designed(home, x, y) + np.where(near, wrong_m, 0.0) + draw.normal(0.0, 0.01, x.size)

    rows = [f"{a:.3f},{b:.3f},{c:.3f}" for a, b, c in zip(x, y, levels(x, y), strict=True)]
    (home / f"{name}.csv").write_text("\n".join(["x,y,z", *rows]))
    walked = gpd.read_file(home / "out" / "plan.gpkg", layer="earthworks").union_all().boundary
    lines = []
    for part in getattr(walked, "geoms", [walked]):
        xy = shapely.get_coordinates(shapely.segmentize(shapely.force_2d(part), spacing))
        lines.append(shapely.linestrings(np.c_[xy, levels(*xy.T)]))
    gpd.GeoDataFrame(geometry=lines, crs="EPSG:32139").to_file(home / f"{name}.gpkg", layer="edges")
    sources = home / f"{name}.csv", home / f"{name}.gpkg"
    play("terrain", *sources, "-o", home / f"{name}.tif", "--crs", "EPSG:32139", "--accuracy", 0.02)
    return ["--survey", home / f"{name}.tif", "--points", sources[0], "--edges", sources[1]]


def judged(home: Path, words: list[object], ends: int) -> dict[str, str]:
    """The row of acceptance.csv for the graded zone; the command says how to be answered where it is left open."""
    said = play("asbuilt", home / "site.toml", "--out", home / "out", "--overwrite", *words, ends=(ends,))
    with (home / "out" / "acceptance.csv").open(encoding="utf-8", newline="") as stream:
        (row,) = csv.DictReader(stream)
    assert ("with --points the measured points" in said) == (row["result"] == "not measured")
    return row


@pytest.mark.parametrize("spacing", [0.5, 0.9])
def test_works_built_as_designed_pass_at_their_points_and_are_never_failed(works: Path, spacing: float) -> None:
    words = survey(works, f"good{spacing:g}", spacing, 0.0)
    row = judged(works, words, 0)
    assert (row["result"], row["levels_ok"], row["detection_ok"]) == ("pass", "yes", "yes")
    assert int(row["cells"]) > 500 and 0.008 < float(row["rms_m"]) < 0.012
    if spacing > 0.8:
        # the surface alone does not show the edges: neither passed nor failed, with where to measure them
        row = judged(works, words[:2], 9)
        assert (row["result"], row["levels_ok"], row["detection_ok"]) == ("not measured", "", "yes")
        assert re.search(r"measure the edge at chainage \d+\.\d m, offset [+-]\d\.\d m \(x 10\d+\.\d\d", row["reason"])
        kinds = gpd.read_file(works / "out" / "plan.gpkg", layer="as_built").kind
        assert len(kinds) and set(kinds) == {"not measured"}


def test_works_with_one_place_too_high_fail_there_by_the_points_and_by_the_surface(works: Path) -> None:
    words = survey(works, "wrong", 0.7, 0.15)
    for given in (words, words[:2]):
        row = judged(works, given, 9)
        assert (row["result"], row["levels_ok"]) == ("fail", "no"), row["reason"]
        place = re.search(r"worst by \+0\.(\d\d) m over .* \(x ([\d.]+)\s+y ([\d.]+)\)", row["reason"])
        assert place is not None and 13 <= int(place[1]) <= 25
        assert np.hypot(*np.subtract((float(place[2]), float(place[3])), deepest(works))) < 1.0


def test_works_of_which_a_part_was_not_measured_are_left_open_and_not_refused(works: Path) -> None:
    survey(works, "part", 0.7, 0.0)
    with rasterio.open(works / "part.tif", "r+") as file:
        level = file.read(1)
        row, column = file.index(*deepest(works))
        level[row - 8 : row + 8, column - 8 : column + 8] = file.nodata
        file.write(level, 1)
    said = judged(works, ["--survey", works / "part.tif"], 9)
    assert said["result"] == "not measured" and "measure the ground without a level about chainage" in said["reason"]
    summary = json.loads((works / "out" / "summary.json").read_text())["steps"]["asbuilt"]
    assert (summary["passed"], summary["not_measured"]) == (0, 1)
