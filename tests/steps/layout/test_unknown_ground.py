"""A hole in the terrain that no zone spans leaves that stretch without a zone, and lays out all the rest."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString

import geotools
from geotools.steps.layout.unknown_ground import unknown_stretches
from geotools.steps.layout.zones_apart import in_chains
from tests.making import SQUARE

YARD = ((15.0, 15.0), (85.0, 15.0), (85.0, 85.0), (15.0, 85.0), (15.0, 15.0))
SETTINGS = "[layout]\nmax_zone_m = 30\nsetback_m = 4.0\nclear_m = 9.0\n{}"


def with_hole(first: float, last: float) -> np.ndarray:
    """Flat ground without data in x from ``first`` to ``last``, below y = 40: beside the south side of the yard."""
    ground = np.full((100, 100), 250.0, np.float32)
    ground[60:, int(first) : int(last)] = -9999.0
    return ground


def laid_out(site_file, out, *further):
    """The outcome of layout; ``further`` : steps that run after it."""
    site = geotools.open_site(site_file)
    done = {step: geotools.run_step(step, site, out) for step in ("inspect", "layout", *further)}
    return done["layout"]


def layer(out, name):
    return gpd.read_file(out / "plan.gpkg", layer=name)


def test_a_hole_longer_than_a_zone_leaves_its_own_stretch_and_no_other(make_site, tmp_path):
    # drawn from the corner opposite: the hole lies in the middle of the line
    ring = [*YARD[2:-1], *YARD[:3]]
    out = tmp_path / "out"
    site = make_site(heights=with_hole(35, 68), points=ring, threats='["walk"]', toml=SETTINGS.format(""))
    done = laid_out(site, out)
    posts = layer(out, "heads").geometry
    # local coordinates; the hole is 33 m, the longest zone 30 m
    x, y = posts.x - 500_000.0, posts.y - 5_400_000.0
    assert not ((x > 34.9) & (x < 68.1) & (y < 40)).any()
    zones = layer(out, "zones").sort_values("number")
    lines = shapely.union_all(shapely.force_2d(layer(out, "beams").geometry.array))
    # along the other sides a beam runs, 4 m from the fence
    for east, north in ((50, 85), (85, 50), (15, 50)):
        assert lines.distance(shapely.Point(500_000 + east, 5_400_000 + north)) < 6.0
    assert lines.distance(shapely.Point(500_050, 5_400_015)) > 10.0
    rules = layer(out, "conflicts")
    (row,) = rules[rules.rule == "no data for a zone"].itertuples()
    assert "survey that stretch" in row.mend
    assert abs(row.geometry.x - 500_051.5) < 2.0 and row.geometry.y == pytest.approx(5_400_015.0, abs=0.01)
    assert not (rules.rule == "junction open").any(), rules[rules.rule == "junction open"].found.tolist()
    # the two zones beside the hole have no junction there
    junctions = layer(out, "heads").groupby("post_id").junction_id.first()
    assert junctions.isna().sum() == 2
    assert list(zones.number) == list(range(1, len(zones) + 1))
    assert any("no data for a zone" in text for text in done.warnings)
    # heads kept as they stand are judged as two ends beside the hole, too
    geotools.run_step("layout", geotools.open_site(site), out, overwrite=True, keep=True)
    assert layer(out, "conflicts").conflict_id.tolist() == rules.conflict_id.tolist()


def test_the_verdicts_say_that_the_stretch_has_no_beam_and_answer_the_rest(make_site, tmp_path):
    out = tmp_path / "out"
    site = make_site(heights=with_hole(35, 68), points=YARD, threats='["walk"]', toml=SETTINGS.format(""))
    laid_out(site, out, "gaps")
    said = layer(out, "verdicts")
    walk = said[said.threat == "walk"]
    none = walk[walk.verdict == "no_beam"]
    # posts stand a few metres off the hole, whose edges lie at x 35 and 68
    assert 33.0 <= none.geometry.length.sum() <= 33.0 + 4 * 4.0
    assert none.geometry.union_all().distance(shapely.Point(500_051.5, 5_400_015.0)) < 0.1
    assert (walk.to_m - walk.from_m).sum() == pytest.approx(280.0, abs=0.1)
    assert walk[walk.verdict == "detected"].geometry.length.sum() > 200.0


def test_an_open_line_that_runs_out_of_the_survey_is_laid_out_as_far_as_that_goes(make_site, tmp_path):
    ground = np.full((100, 100), 250.0, np.float32)
    ground[:, 80:] = -9999.0
    out = tmp_path / "out"
    text = SETTINGS.format('side = "left"\n')
    laid_out(make_site(heights=ground, points=((10, 50), (95, 50)), threats='["walk"]', toml=text), out)
    x = layer(out, "heads").geometry.x - 500_000.0
    assert 10.0 <= x.min() < 12.0 and 74.0 < x.max() < 80.0


def test_stretches_of_a_ring_run_over_its_seam():
    ring = LineString(SQUARE)
    known = lambda x, y: np.where((y < 25) & (x < 60), np.nan, 0.0)  # noqa: E731
    ((start, end),) = unknown_stretches(ring, known, [0.0])
    # the ring starts at (20, 20): the hole begins 5 m before that, on the west side, and ends 40 m after it
    assert start == pytest.approx(235.0, abs=1.01) and end == pytest.approx(280.0, abs=1.01)


@pytest.mark.parametrize(
    ("met", "chains"),
    [
        ([True] * 4, [("abcd", True)]),
        ([True, False, True, True], [("cdab", False)]),
        ([True, False, True, False], [("cd", False), ("ab", False)]),
        ([False, True, True, False], [("bcd", False), ("a", False)]),
    ],
)
def test_chains_end_where_zones_do_not_meet(met, chains):
    assert [("".join(zones), closes) for zones, closes in in_chains(list("abcd"), met)] == chains
