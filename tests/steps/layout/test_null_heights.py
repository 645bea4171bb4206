"""Heads and lengths away from ground-reflection nulls. Red where a layout stands a pair of heads in a null that another
height within the stack's limits, or another length, leaves; where what it takes in its place detects less by the
engine; or where a null that nothing leaves, or a beam that grazes its ground, is not listed."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

import geotools
from geotools.beam import HEAD_TYPES, Beam, solve_beams
from geotools.beam.standing import TwoRayPath
from geotools.detection.null_heights import NullRules, find_nulls
from geotools.detection.perimeter import Perimeter
from geotools.steps.layout.null_heights import NullHeights
from tests.invented_ground import LOW, MAIN, Formula, zone
from tests.invented_ground import RULES as WALKED

#: Between the posts, and how deep the ground lies between them: 0.9 m of height stand in a null near -30 dB.
ENDS, DIP_M = (11.0, 89.0), 0.16
THREATS = '["walk", "crawl"]'


def bowl():
    """Level ground with one shallow dip right across the line."""
    x = np.arange(100) + 0.5
    share = np.clip((x - ENDS[0]) / (ENDS[1] - ENDS[0]), 0.0, 1.0)
    return np.tile((250.0 - DIP_M * 4 * share * (1 - share)).astype(np.float32), (100, 1))


def run(site_file, out, *steps, **params):
    site = geotools.open_site(site_file)
    return [geotools.run_step(step, site, out, overwrite=True, **params) for step in steps]


def layer(out, name):
    return gpd.read_file(out / "plan.gpkg", layer=name)


@pytest.fixture
def dipped(make_site, tmp_path):
    def make(toml=""):
        points = ((ENDS[0], 50.0), (ENDS[1], 50.0))
        layout = '[layout]\nside = "left"\nsetback_m = 4.0\n'
        return make_site(heights=bowl(), points=points, threats=THREATS, toml=layout + toml), tmp_path / "out"

    return make


STACK = '[[stack]]\nlevel = "main"\nhead_type = "10 GHz"\nheight_m = 0.9\nmin_height_m = {low}\nmax_height_m = {high}\n'


def test_a_walker_in_a_null_is_answered_with_the_height_of_the_heads(dipped):
    site_file, out = dipped()
    _, laid = run(site_file, out, "inspect", "layout")
    run(site_file, out, "gaps", uncertainty=False)
    heads = layer(out, "heads")
    # within the limits of the stack rule, not at its 0.9 m
    assert set(heads["height_m"]) == {0.8}
    levels, spots = layer(out, "beam_levels"), layer(out, "dead_spots")
    assert levels["standing_level_db"].min() > -7.0
    assert "walk" not in set(spots["threat"])
    assert "beam in a null" not in set(layer(out, "conflicts")["rule"])
    assert any("0.80 m" in text and "F01-Z001-main" in text for text in laid.notes)


def test_where_the_heights_are_fixed_the_null_is_listed_with_what_is_wrong(dipped):
    site_file, out = dipped(STACK.format(low=0.9, high=0.9))
    run(site_file, out, "inspect", "layout")
    (row,) = layer(out, "conflicts").query("rule == 'beam in a null'").itertuples()
    assert set(layer(out, "heads")["height_m"]) == {0.9}
    assert row.head_ids == "F01-Z001-TX-main F01-Z001-RX-main"
    # the model's own level, not the screen's
    run(site_file, out, "gaps", uncertainty=False)
    (level,) = layer(out, "beam_levels")["standing_level_db"]
    assert level < -28.0
    assert "walk" in set(layer(out, "dead_spots")["threat"])
    assert f"{level:.1f} dB" in row.found


def test_where_the_heights_are_fixed_lengths_out_of_the_null_are_taken(make_site, tmp_path):
    """Two zones of like length, 56.5 m, would both stand in the null of a head at 0.9 m."""
    level = np.full((60, 130), 250.0, np.float32)
    site_file = make_site(
        heights=level,
        points=((10.0, 70.0), (118.0, 70.0)),
        threats='["walk"]',
        toml='[layout]\nside = "left"\nsetback_m = 4.0\nmax_zone_m = 80.0\n' + STACK.format(low=0.9, high=0.9),
    )
    run(site_file, tmp_path / "out", "inspect", "layout")
    zones, conflicts = layer(tmp_path / "out", "zones"), layer(tmp_path / "out", "conflicts")
    assert len(zones) == 2
    assert "beam in a null" not in set(conflicts["rule"])


def test_zones_of_a_line_are_alike_in_length(make_site, tmp_path):
    level = np.full((60, 130), 250.0, np.float32)
    toml = '[layout]\nside = "left"\nsetback_m = 4.0\nmax_zone_m = 70.0\n'
    site_file = make_site(heights=level, points=((10.0, 70.0), (118.0, 70.0)), threats='["walk"]', toml=toml)
    run(site_file, tmp_path / "out", "inspect", "layout")
    lengths = layer(tmp_path / "out", "zones")["length_m"]
    # junctions stand 5 m apart
    assert len(lengths) == 2
    assert np.ptp(lengths) <= 5.0
    # at these lengths the stack's 0.9 m would be a null, so heads stand lower
    assert layer(tmp_path / "out", "heads")["height_m"].max() < 0.9


@pytest.mark.parametrize("rough_m", [0.0, 0.06])
def test_the_screen_is_as_near_the_solved_level_as_it_says(rough_m):
    rng, off = np.random.default_rng(5), []
    for length in rng.uniform(25.0, 110.0, 12):
        x = np.linspace(0.0, length, int(length) + 1)
        ground = gaussian_filter1d(rng.normal(size=3 * x.size), 8)[x.size : 2 * x.size]
        ground *= rough_m / ground.std()
        beam = Beam(HEAD_TYPES["10 GHz"], x, ground, 0.8, 0.9)
        screened = TwoRayPath.over(beam.head_type, x, ground).level_db(0.8, 0.9)
        off.append(max(solve_beams([beam])[0].standing_level_db, -15.0) - max(float(screened), -15.0))
    assert np.sqrt(np.mean(np.square(off))) < (4.0 if rough_m else 0.2)


def rough(seed, rough_m):
    """A zone of some length with its main heads, and ground that lies ``rough_m`` (rms) off a plane."""
    rng = np.random.default_rng(seed)
    length, wide = float(rng.uniform(30.0, 105.0)), rng.choice([4, 8, 16])
    off = gaussian_filter1d(rng.normal(size=400), wide)
    off *= rough_m / off.std()
    return zone(length=length, pairs=[MAIN]), Formula(
        lambda x, y: 100 + np.interp(x, np.arange(400) - 100, off) + 0 * y
    )


@pytest.mark.parametrize(
    ("seed", "rough_m"), [(8, 0.03), (39, 0.03), (35, 0.06), (19, 0.06), (47, 0.10), (5, 0.03), (7, 0.06)]
)
def test_over_rough_ground_no_head_that_settles_into_a_low_level_is_left_out(seed, rough_m):
    """What the solver finds at every centimetre of settlement, and what is listed: the same heads."""
    laid, ground = rough(seed, rough_m)
    strip = Perimeter([laid], ground, WALKED).strip(laid.zone_id)
    heights = MAIN.tx_height_m + np.linspace(-0.05, 0.05, 11)
    solved = solve_beams([strip.beam(MAIN.head_type, h, h) for h in heights])
    low = min(field.standing_level_db for field in solved) < -10.0
    _, found = find_nulls(laid, ground, WALKED, NullRules({}, 0.05, 3.0))
    assert [one.level for one in found] == (["main"] if low else [])


def test_a_beam_that_grazes_is_listed_and_its_heads_stay():
    """Nothing that a height of the stack mends: the crest under it is for the remedy."""
    crest = Formula(lambda x, y: 100.0 + 0.5 * np.exp(-(((x - 50) / 15) ** 2)) + 0.0 * y)
    low = zone(pairs=[LOW])
    laid = NullHeights(crest, WALKED, NullRules({"low": (0.2, 0.45)}, 0.05, 3.0), lambda head: True)
    (stays,), moved, (row,) = laid.of_all([low])
    assert stays == low and moved == []
    assert (row.rule, row.zone_id) == ("beam grazes the ground", "Z1")
    assert "cut the crest under the beam" in row.mend
