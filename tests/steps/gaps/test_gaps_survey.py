"""What the survey resolves enters the verdict, by whatever way the terrain came to the site."""

from __future__ import annotations

import csv

import geopandas as gpd
import numpy as np
import pytest
from click.testing import CliRunner
from scipy.interpolate import RegularGridInterpolator

from geotools.cli import cli
from geotools.engine.runner import run_site
from geotools.errors import InputError
from geotools.io.tables import read_csv
from geotools.site import open_site
from tests.making import line, write_fence, write_raster

LEFT, BOTTOM = 500_000.0, 5_400_000.0
WAVES = np.geomspace(2.0, 80.0, 40)
TURNS = np.random.default_rng(5).uniform(0.0, 2.0 * np.pi, (40, 2))


def field(x, y):
    """A rough field with three ditches across the strip."""
    z = 250.0 + 0.0 * x
    for wave, (phase, turn) in zip(WAVES, TURNS, strict=True):
        z = z + 0.0025 * wave**0.6 * np.sin(2.0 * np.pi * (x * np.cos(turn) + y * np.sin(turn)) / wave + phase)
    for at in (33.0, 64.0, 118.0):
        z = z - 0.45 * np.exp(-(((x - at) / 1.2) ** 2))
    return z


def raster(path, height, cell, wide=160.0, deep=60.0):
    x, y = (np.arange(int(wide / cell)) + 0.5) * cell, deep - (np.arange(int(deep / cell)) + 0.5) * cell
    write_raster(path, height(*np.meshgrid(x, y)).astype(np.float32), cell=cell, top=BOTTOM + deep)


def verdicts(folder, inputs="vertical_accuracy_m = 0.05", detection=""):
    """Metres of fence by verdict and cause, prone."""
    write_fence(folder / "fence.geojson", [line([(15.0, 30.0), (145.0, 30.0)])])
    site = folder / "site.toml"
    site.write_text(
        f'name = "Field"\nthreats = ["prone"]\n\n[input]\nfence = "fence.geojson"\nterrain = "terrain.tif"\n{inputs}\n'
        f'\n[layout]\nside = "left"\n\n[detection]\n{detection}\n'
    )
    run_site(open_site(site), folder / "out", steps=["inspect", "layout", "gaps"], overwrite=True)
    rows = gpd.read_file(folder / "out" / "plan.gpkg", layer="verdicts")
    return rows[rows.threat == "prone"].assign(metres=lambda t: t.to_m - t.from_m)


@pytest.fixture
def points(tmp_path):
    """Points 10 m apart, made a terrain of 0.25 m by the command."""
    x, y = (axis.ravel() for axis in np.meshgrid(np.arange(1.0, 160.0, 10.0), np.arange(1.0, 60.0, 10.0)))
    rows = [f"{LEFT + a:.3f},{BOTTOM + b:.3f},{c:.3f}" for a, b, c in zip(x, y, field(x, y), strict=True)]
    (tmp_path / "points.csv").write_text("\n".join(["x,y,z", *rows]))
    words = f"terrain {tmp_path}/points.csv -o {tmp_path}/terrain.tif --crs EPSG:32632 --reach 20 --accuracy 0.05"
    made = CliRunner().invoke(cli, words.split())
    assert made.exit_code == 0, made.output
    return tmp_path


def test_points_ten_metres_apart_prove_nothing_of_a_prone_person(points):
    raster(points / "truth.tif", field, 0.25)
    rows = verdicts(points, inputs="")
    by_cause = rows.groupby("cause").metres.sum()
    assert by_cause["survey_spacing"] > 0.9 * rows.metres.sum()
    assert rows[rows.verdict == "detected"].metres.sum() < 0.1 * rows.metres.sum()
    assert rows.settle.str.contains("survey the strip at 0.57 m spacing").any()
    # the ground as it is: the ditches that those points missed let somebody through
    (points / "truth.tif").rename(points / "terrain.tif")
    truth = verdicts(points)
    assert truth[truth.verdict == "undetected"].metres.sum() > 10.0
    assert truth[truth.verdict == "detected"].metres.sum() > 0.2 * truth.metres.sum()


def test_a_model_of_twenty_metres_resampled_to_half_a_metre_earns_nothing(tmp_path):
    east, north = np.arange(0.0, 161.0, 20.0), np.arange(0.0, 81.0, 20.0)
    coarse = RegularGridInterpolator((east, north), field(*np.meshgrid(east, north, indexing="ij")))
    raster(tmp_path / "terrain.tif", lambda x, y: coarse(np.stack([x, y], axis=-1)), 0.5)
    rows = verdicts(tmp_path)
    assert rows[rows.verdict == "detected"].metres.sum() < 0.1 * rows.metres.sum()
    assert "survey_spacing" in set(rows.cause)
    fence = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="fence")
    assert fence.resolves_origin[0] == "estimated" and fence.resolves_m[0] > 10.0


def test_what_the_site_file_states_counts_and_can_be_left_out(tmp_path):
    raster(tmp_path / "terrain.tif", field, 0.25)
    known = verdicts(tmp_path, "vertical_accuracy_m = 0.05\nresolution_m = 0.25")
    stated = verdicts(tmp_path, "vertical_accuracy_m = 0.05\nresolution_m = 8.0")
    left_out = verdicts(tmp_path, "vertical_accuracy_m = 0.05\nresolution_m = 8.0", "dip_length_m = 0")
    metres = [r[r.verdict == "detected"].metres.sum() for r in (known, stated, left_out)]
    assert metres[1] < 0.1 * metres[0] and metres[2] == pytest.approx(metres[0])


def test_points_measured_for_the_list_settle_what_it_was_made_for(tmp_path):
    """The list as it is written, filled in from the true ground and named in the site file."""

    def true(x, y):
        return 250.0 - 0.07 * np.exp(-(((x - 80.0) / 6.0) ** 2)) + 0.0 * y

    def surveyed(x, y):
        return true(x, y) + 0.03 * np.sin(x / 7.0)

    raster(tmp_path / "terrain.tif", surveyed, 0.25)
    among = 'uncertain = ["survey", "law"]'
    before = verdicts(tmp_path, "vertical_accuracy_m = 0.15", among)
    asked = read_csv(tmp_path / "out" / "resurvey.csv", ["x", "y", "z"])
    points = gpd.read_file(tmp_path / "out" / "plan.gpkg", layer="resurvey")
    said = next(csv.DictReader((tmp_path / "out" / "resurvey.csv").open(encoding="utf-8")))
    assert (said["map_unit"], said["level_unit"], said["vertical_datum"]) == ("metre", "metre", "not stated")
    assert "EPSG:32632" in said["coordinate_system"]
    assert 0 < len(asked) == len(points)
    assert [float(row["x"]) for row in asked] == pytest.approx(points.geometry.x.tolist(), abs=1e-3)
    levels = [(float(row["x"]), float(row["y"])) for row in asked]
    rows = [f"{x},{y},{float(true(np.array(x - LEFT), np.array(y - BOTTOM))):.3f}" for x, y in levels]
    (tmp_path / "levels.csv").write_text("\n".join(["x,y,z", *rows]))
    after = verdicts(tmp_path, 'vertical_accuracy_m = 0.15\nlevels = "levels.csv"', among)
    unproven = [one[one.verdict == "unproven"].metres.sum() for one in (before, after)]
    assert unproven[0] > 20.0 and unproven[1] < 0.3 * unproven[0]


def test_a_list_that_nobody_filled_in_is_refused_with_its_line(tmp_path):
    raster(tmp_path / "terrain.tif", field, 0.25)
    (tmp_path / "levels.csv").write_text(f"point_id,x,y,model_m,z\nS1,{LEFT + 50},{BOTTOM + 30},250.0,\n")
    with pytest.raises(InputError, match=r"line 2, column z"):
        verdicts(tmp_path, 'vertical_accuracy_m = 0.10\nlevels = "levels.csv"')
    (tmp_path / "levels.csv").write_text("x,y,z\n1.0,2.0,3.0\n")
    with pytest.raises(InputError, match="outside the terrain model"):
        verdicts(tmp_path, 'vertical_accuracy_m = 0.10\nlevels = "levels.csv"')
