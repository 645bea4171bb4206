"""Turning a site about the beam's axis changes nothing: heights count at right angles to the ground."""

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.beam.strip import Strip, detection_floor, modulation, straightness
from geotools.beam.wave import solve_beams

X = np.linspace(0.0, 100.0, 201)
ACROSS = np.linspace(-2.0, 2.0, 17)
LINES = {
    "flat": 0.0 * X,
    "dip": -0.25 * np.exp(-(((X - 40.0) / 5.0) ** 2)),
    "waves": sum(0.02 * np.sin(2 * np.pi * X / wave + i) for i, wave in enumerate(np.geomspace(8, 60, 8))),
}
# heads of different heights, so that a swap would show
HEADS = [("10 GHz", 0.91, 1.15, "crawl"), ("24 GHz", 0.30, 0.38, "prone")]


def tilted(line, grade):
    """The strip whose square cross section is level, turned by a grade; columns are corresponding nodes."""
    angle = np.arctan(grade)
    middle = line[0] + (line[-1] - line[0]) * X / X[-1]
    # a depth d square to the ground is d / cos(angle) plumb
    plumb = middle + (line - middle) / np.cos(angle)
    return Strip(X, ACROSS * np.cos(angle), plumb[:, None] + ACROSS * np.sin(angle))


def answer(strip, head, tx, rx, target):
    (field,) = solve_beams([strip.beam(HEAD_TYPES[head], tx, rx)])
    return field, modulation([field], TARGETS[target], strip)


@pytest.mark.parametrize("grade", [0.10, -0.20, 0.33])
@pytest.mark.parametrize("line", LINES)
@pytest.mark.parametrize(("head", "tx", "rx", "target"), HEADS)
def test_a_strip_turned_about_the_beam_gives_the_same_answer(grade, line, head, tx, rx, target):
    level, turned = (tilted(LINES[line], g) for g in (0.0, grade))
    (field, m), (turned_field, turned_m) = (answer(strip, head, tx, rx, target) for strip in (level, turned))
    assert np.abs(turned_m - m).max() < 0.01
    assert (turned_m < 0.2).all(axis=1).sum() == (m < 0.2).all(axis=1).sum()
    gap, turned_gap = (
        detection_floor([f], 0.5, 0.2, strip) - strip.ground_m for f, strip in ((field, level), (turned_field, turned))
    )
    both = np.isfinite(gap) & np.isfinite(turned_gap)
    assert both[20:-20].mean() > 0.3
    # a floor jumps where the modulation only just reaches the threshold; nearly all of them must agree
    assert np.quantile(np.abs(turned_gap[both] - gap[both]), 0.99) < 0.02
    assert np.abs(straightness(turned) - straightness(level)).max() < 0.01


def test_relief_on_a_cross_slope_counts_square_to_the_slope():
    """A hollow beside the line, turned with its site by 33 %: the person in it is as hard to see as before."""

    def hollow(y):
        return -0.3 * np.exp(-(((X[:, None] - 50.0) / 4.0) ** 2) - ((y - 1.0) / 0.4) ** 2)

    angle = np.arctan(0.33)
    plan = ACROSS * np.cos(angle)
    square = np.broadcast_to(ACROSS, (X.size, ACROSS.size)).copy()
    for _ in range(60):  # the place along the slope whose plan offset this is
        square += 0.5 * (plan + hollow(square) * np.sin(angle) - square * np.cos(angle))
    turned = Strip(X, plan, square * np.sin(angle) + hollow(square) * np.cos(angle))
    level = Strip(X, ACROSS, hollow(ACROSS[None, :]))
    _, m = answer(level, "24 GHz", 0.30, 0.38, "prone")
    _, turned_m = answer(turned, "24 GHz", 0.30, 0.38, "prone")
    expected = np.array([np.interp(square[row], ACROSS, m[row]) for row in range(X.size)])
    inner = np.abs(ACROSS) < 1.8
    # the nodes lie elsewhere in the hollow than those they are held against: 0.03 is what linear interpolation leaves
    assert np.abs(turned_m - expected)[:, inner].max() < 0.03
