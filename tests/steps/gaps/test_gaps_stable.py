"""The answer does not hang on how the fence was drawn: a millionth of a metre, another first vertex, backwards."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest

import geotools
from geotools.corridor import BeamLine
from geotools.detection.cases import length_of
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import Zone
from tests.detection.test_verdicts import LOW, MAIN, RULES
from tests.invented_ground import Formula
from tests.making import line, write_fence, write_raster

YARD = [(30.0, 20.0), (150.0, 15.0), (190.0, 80.0), (120.0, 130.0), (25.0, 100.0)]


def rolling(x, y):
    return 0.3 * np.sin(x / 7.3 + 0.3) * np.cos(y / 9.1) + 0.01 * x


def dead_length(folder, points):
    """Dead length of the prone person over a whole yard, m."""
    folder.mkdir()
    x, y = (np.arange(440) + 0.5) * 0.5, 150.0 - (np.arange(300) + 0.5) * 0.5
    heights = 250.0 + rolling(*np.meshgrid(x, y))
    write_raster(folder / "terrain.tif", heights.astype(np.float32), cell=0.5, top=5_400_150.0)
    write_fence(folder / "fence.geojson", [line([*points, points[0]])])
    site = folder / "site.toml"
    site.write_text(
        'name = "Yard"\nthreats = ["prone"]\n\n[input]\nfence = "fence.geojson"\nterrain = "terrain.tif"\n'
        "vertical_accuracy_m = 0.05\n"
    )
    for step, given in (("inspect", {}), ("layout", {}), ("gaps", {"uncertainty": False})):
        geotools.run_step(step, geotools.open_site(site), folder / "out", **given)
    return gpd.read_file(folder / "out" / "plan.gpkg", layer="dead_spots").length_m.sum()


def test_noise_of_a_millionth_of_a_metre_and_another_first_vertex_change_nothing_that_counts(tmp_path):
    as_drawn = dead_length(tmp_path / "as_drawn", YARD)
    assert as_drawn > 50.0
    off = np.random.default_rng(1).normal(0.0, 1e-6, (5, 2))
    noisy = dead_length(tmp_path / "noisy", [tuple(p) for p in np.array(YARD) + off])
    assert noisy == pytest.approx(as_drawn, rel=0.02)
    elsewhere = dead_length(tmp_path / "elsewhere", YARD[2:] + YARD[:2])
    assert elsewhere == pytest.approx(as_drawn, rel=0.02)
    backwards = dead_length(tmp_path / "backwards", YARD[::-1])
    assert backwards == pytest.approx(as_drawn, rel=0.02)


def round_the_yard(points, *, backwards=False, noise=0.0):
    """Dead length by threat of beams round a yard, the same heads whichever way round the fence is told."""
    corners = np.array(points) + np.random.default_rng(4).normal(0.0, noise, (len(points), 2))
    zones = []
    for number, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True), start=1):
        along = (b - a) / np.hypot(*(b - a))
        (x0, y0), (x1, y1) = a - 3.0 * along, b + 3.0 * along
        zones.append(Zone(f"Z{number}", BeamLine(x0, y0, x1, y1), (LOW, MAIN), "F01", number, not backwards))
    if backwards:
        zones = [replace(zone, number=n) for n, zone in enumerate(reversed(zones), start=1)]
    perimeter = Perimeter(zones, Formula(rolling, cell_m=0.25), RULES, ["F01"])
    return {
        threat: sum(length_of(perimeter.dead(z)[threat], perimeter.grids[z].chainage_m) for z in perimeter.zones)
        for threat in RULES.targets
    }


def test_the_same_beams_give_the_same_answer_whichever_way_round_they_are_told():
    as_drawn = round_the_yard(YARD)
    assert as_drawn["prone"] > 50.0
    for told in (
        round_the_yard(YARD, backwards=True),
        round_the_yard(YARD[2:] + YARD[:2]),
        round_the_yard(YARD, noise=1e-6),
    ):
        assert told == pytest.approx(as_drawn, rel=0.02, abs=0.25)
