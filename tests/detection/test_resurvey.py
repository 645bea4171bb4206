"""The points of the layer resurvey, surveyed exactly, turn what is unproven into an answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from geotools.corridor import BeamLine
from geotools.detection.accuracy import Accuracy, Measured, error_field
from geotools.detection.certainty import judge_zone
from geotools.detection.perimeter import Perimeter
from geotools.detection.spots import runs
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import judge_stations
from geotools.plan.model import Zone
from geotools.terrain.known import KnownLevels
from tests.detection.test_verdicts import LOW, MAIN, RULES

LENGTH, CORRELATION = 90.0, 10.0
#: Ten yards: accuracy of the survey (m, 95 %), and shallow shapes of the ground that leave the answer open.
SITES = [(0.06 + 0.012 * n, n) for n in range(10)]


def ground_of(number):
    rng = np.random.default_rng(100 + number)
    at, deep, wide = rng.uniform(15.0, 75.0, 3), rng.uniform(0.0, 0.09, 3), rng.uniform(3.0, 9.0, 3)
    waves, phase = rng.uniform(25.0, 60.0, 2), rng.uniform(0.0, 6.28, 2)

    def true(x, y):
        z = sum(0.03 * np.sin(2.0 * np.pi * x / w + p) for w, p in zip(waves, phase, strict=True)) + 0.0 * y
        return z - sum(d * np.exp(-(((x - a) / w) ** 2)) for a, d, w in zip(at, deep, wide, strict=True))

    return true


class Survey:
    """A ground as one survey of it shows it, off by a correlated error; and corrected by levels measured again."""

    cell_m = 0.25

    def __init__(self, true, accuracy, seed):
        self.true, self.known = true, None
        self.x, self.y = np.arange(-12.0, LENGTH + 13.0, 1.0), np.arange(-6.0, 6.5, 1.0)
        rng = np.random.default_rng(seed)
        self.error = error_field(self.x, self.y, accuracy, rng, 1)[0]

    def shown(self, x, y):
        from scipy.interpolate import RegularGridInterpolator

        at = RegularGridInterpolator((self.x, self.y), self.error, method="cubic")
        x, y = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        return self.true(x, y) + at(np.stack([x, y], axis=-1))

    def sample(self, x, y):
        shown = self.shown(x, y)
        return shown if self.known is None else shown + self.known.correction(x, y)


def asked(survey, unknowns):
    """Unproven stations of the prone person, and the points that are to settle them."""
    zone = Zone("Z1", BeamLine(0.0, 0.0, LENGTH, 0.0), (LOW, MAIN), "F01", 1)
    perimeter = Perimeter([zone], survey, RULES)
    judged = judge_stations(perimeter, "Z1", unknowns)
    stations = judged.stations["prone"]
    said = np.array([stations.verdict(row)[0] for row in range(stations.dead.size)])
    spots = {threat: runs(one.dead & perimeter.counted("Z1")) for threat, one in judged.stations.items()}
    points = judge_zone(perimeter, "Z1", spots, unknowns, judged).resurvey
    return said, [point.chainage_m for point in points]


def settled(accuracy_m, number):
    """Stations unproven before, how many of them have an answer after, and how many points that took."""
    accuracy = Accuracy(accuracy_m / 1.96, correlation_m=CORRELATION)
    unknowns = Unknowns(accuracy, draws=40, head_m=0.0, aim_deg=0.0, body=0.0)
    survey = Survey(ground_of(number), accuracy, 500 + number)
    before, points = asked(survey, unknowns)
    at = np.array(points)
    xy = np.column_stack([at, 0.0 * at])
    off = survey.true(at, 0.0 * at) - survey.shown(at, 0.0 * at)
    survey.known = KnownLevels(xy, off, accuracy.sigma_m, CORRELATION, 0.02 / 1.96)
    after, _ = asked(survey, replace(unknowns, levels=survey.known))
    unproven = before == "unproven"
    return int(unproven.sum()), int((unproven & (after != "unproven")).sum()), len(points)


def test_exactly_those_points_settle_four_fifths_of_what_was_unproven_on_ten_sites():
    found = np.array([settled(*site) for site in SITES])
    unproven, answered, points = found.sum(axis=0)
    assert (found[:, 0] > 10).sum() >= 8, "the sites leave too little unproven to show anything"
    assert answered >= 0.8 * unproven, found
    # a list, not a survey of everything: a level every half of the errors' length would be 18 a site
    assert points < 12 * len(SITES), found


def test_levels_measured_again_leave_their_own_error_there_and_all_of_it_far_away():
    accuracy = Accuracy(0.05, correlation_m=8.0)
    x, y = np.arange(0.0, 60.0, 0.5), np.linspace(-2.0, 2.0, 5)
    measured = Measured(np.array([20.0]), np.array([0.0]), (0.01 / 0.05) ** 2)
    drawn = error_field(x, y, accuracy, np.random.default_rng(1), 400, measured)
    spread = drawn.std(axis=0)
    assert spread[40, 2] == pytest.approx(0.01, rel=0.25)
    assert spread[100:, 2].mean() == pytest.approx(0.05, rel=0.1)


def test_a_corrected_ground_goes_through_the_levels_and_is_as_it_was_far_away():
    known = KnownLevels(np.array([[20.0, 0.0], [26.0, 1.0]]), np.array([0.08, -0.04]), 0.05, 8.0, 0.001)
    assert known.correction([20.0, 26.0], [0.0, 1.0]) == pytest.approx([0.08, -0.04], abs=0.002)
    assert known.correction(80.0, 0.0) == 0.0
