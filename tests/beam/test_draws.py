"""Changes solved coarsely against every drawn ground solved anew."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS, grid, solve_beams
from geotools.beam.draws import coarse_beam, coarse_spacing, coarse_strip, with_change
from geotools.beam.grid import choose_grid
from geotools.beam.profile import checked_profile
from geotools.beam.strip import Strip, modulation
from geotools.detection.accuracy import Accuracy, error_field
from tests.one_strip import crossed_over

X = np.linspace(0.0, 100.0, 201)
ACROSS = np.linspace(-2.0, 2.0, 17)
THRESHOLD, DRAWS = 0.2, 40


def waves(x):
    return sum(0.02 * np.sin(2 * np.pi * x / wave + i) for i, wave in enumerate(np.geomspace(8, 60, 8)))


GROUNDS = {
    "rough": waves,
    "dip": lambda x: waves(x) - 0.12 * np.exp(-(((x - 40) / 5) ** 2)),
    "grade": lambda x: 0.03 * x - 0.10 * np.exp(-(((x - 60) / 8) ** 2)),
}
HEADS = [("24 GHz", 0.30, 0.38, "prone"), ("10 GHz", 0.91, 1.15, "crawl")]


def solved(beams, strips, target):
    fields = solve_beams(beams)
    return np.array([modulation([field], target, strip) for field, strip in zip(fields, strips, strict=True)])


@pytest.mark.parametrize(("sigma", "correlation"), [(0.03, 10.0), (0.10, 10.0), (0.10, 5.0)])
@pytest.mark.parametrize("ground", GROUNDS)
@pytest.mark.parametrize(("head", "tx", "rx", "target"), HEADS)
def test_coarse_changes_are_those_of_every_ground_solved_anew(head, tx, rx, target, ground, sigma, correlation):
    strip = Strip(X, ACROSS, np.repeat(GROUNDS[ground](X)[:, None], ACROSS.size, axis=1))
    rng = np.random.default_rng(3)
    errors = error_field(X, ACROSS, Accuracy(sigma, 0.0, sigma, correlation, 0), rng, DRAWS)
    strips = [strip, *(replace(strip, ground_m=strip.ground_m + error) for error in errors)]
    beams = [one.beam(HEAD_TYPES[head], tx, rx) for one in strips]
    fine = solved(beams, strips, TARGETS[target])
    rough = [coarse_strip(one, coarse_spacing(correlation)) for one in strips]
    coarse = solved([coarse_beam(beam, one) for beam, one in zip(beams, rough, strict=True)], rough, TARGETS[target])
    drawn = with_change(fine[0], coarse[0], coarse[1:], rough[0].chainage_m, X)

    change, off = fine[1:] - fine[0], drawn - fine[1:]
    inner, near = (X > 5) & (X < 95), np.abs(ACROSS) <= 0.5
    assert off[:, inner][:, :, near].std() < 0.15 * change[:, inner][:, :, near].std()
    # and what comes of it: how likely each station lets somebody through
    chance, estimate = (
        np.mean([crossed_over(m < THRESHOLD) for m in many], axis=0)[inner] for many in (fine[1:], drawn)
    )
    assert np.abs(chance - estimate).max() <= 0.15
    assert np.abs(chance - estimate).mean() < 0.015


def test_a_coarse_beam_costs_a_quarter():
    strip = Strip(X, ACROSS, np.repeat(waves(X)[:, None], ACROSS.size, axis=1))
    for head, tx, rx, _ in HEADS:
        beam = strip.beam(HEAD_TYPES[head], tx, rx)
        cells = []
        for one in (beam, coarse_beam(beam, coarse_strip(strip))):
            grid = choose_grid(one, *checked_profile(one), None, None)
            cells.append(grid.size * grid.ground_m.size)
        assert cells[1] < 0.25 * cells[0]


def test_no_change_is_no_change():
    strip = Strip(X, ACROSS, np.repeat(waves(X)[:, None], ACROSS.size, axis=1))
    fine = np.random.default_rng(0).random((2, X.size, ACROSS.size))
    coarse = np.random.default_rng(1).random((2, 51, ACROSS.size))
    same = with_change(fine, coarse, coarse, coarse_strip(strip).chainage_m, X)
    assert np.array_equal(same, fine)
    more = with_change(fine, coarse, coarse + 0.1, coarse_strip(strip).chainage_m, X)
    assert more == pytest.approx(fine + 0.1)
    assert with_change(fine, coarse, coarse - 9.0, coarse_strip(strip).chainage_m, X).max() == 0.0


def test_a_strip_with_few_nodes_is_left_as_it_is():
    x = np.linspace(0.0, 30.0, 11)
    strip = Strip(x, ACROSS, np.zeros((11, ACROSS.size)), drop_m=np.full((11, ACROSS.size), 0.1))
    coarse = coarse_strip(strip)
    assert np.array_equal(coarse.chainage_m, x)
    assert np.array_equal(coarse.drop_m, strip.drop_m)


def test_a_coarse_beam_is_solved_on_its_nodes_whatever_its_ground_and_nobody_asks_how_it_bends(monkeypatch):
    strip = Strip(X, np.array([-0.25, 0.0, 0.25]), np.tile(0.3 * np.sin(X / 1.5)[:, None], (1, 3)))
    rough = coarse_strip(strip)
    beam = coarse_beam(strip.beam(HEAD_TYPES["24 GHz"], 0.3, 0.3), rough)
    monkeypatch.setattr(grid, "_step", lambda *_: pytest.fail("the bend of the ground was asked for"))
    made = choose_grid(beam, *checked_profile(beam), None, None)
    assert made.ground_m.size == rough.chainage_m.size and made.dx == pytest.approx(rough.chainage_m[1])
