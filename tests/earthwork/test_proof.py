"""The grade-prove-tighten loop, with detection models simple enough to know the answer."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.earthwork.limits import SightLine
from geotools.earthwork.programme import GradingRules, grade
from geotools.earthwork.proof import Proof, Search, grade_until_clear, spread
from geotools.errors import InfeasibleError
from geotools.terrain.cells import strip_cells

STATIONS = np.arange(0.25, 40, 0.5)


def setup(depth=0.3):
    ground = 100 + np.zeros((80, 9)) - depth * np.exp(-(((STATIONS - 20) / 3) ** 2))[:, None]
    cells = strip_cells(ground, 0.5)
    under = np.flatnonzero(np.abs(cells.place[:, 1]) <= 1.1)
    k = len(under)
    level = (100.0, 100.0)
    line = SightLine(
        "zone 1",
        under,
        cells.place[under, 0] / 40,
        np.full(k, np.inf),
        np.full(k, np.inf),
        level,
        ((100, 100), (100, 100)),
    )
    return cells, line


def grade_until_proven(cells, lines, lengths, rules, prove, *, tolerance, first):
    return grade_until_clear(
        lines,
        lengths,
        lambda told: grade(cells, told, rules),
        lambda made: prove(made.design, made.ends),
        first,
        Search(tolerance),
    )


def model(limit, hopeless=()):
    """Dead where the lowest ground of a station lies more than `limit` below 100 m."""

    def prove(design, ends):
        dip = 100 - design.reshape(80, 9)[:, 2:7].min(axis=1)
        bad = np.isin(np.arange(80), hopeless)
        return [Proof(STATIONS, (dip > limit + 1e-9) | bad, bad)]

    return prove


def test_tightens_until_the_model_agrees():
    cells, line = setup()
    prove = model(0.03)
    made = grade_until_proven(
        cells, [line], [40.0], GradingRules(max_slope=0.5), prove, tolerance=0.1, first=prove(cells.ground, None)
    )
    assert made.clear and made.rounds == 3  # 0.1, 0.05, 0.025 m
    assert made.grading.fill_m3 > 0 and made.grading.cut_m3 < 1e-6


def test_leaves_alone_what_the_model_does_not_complain_of():
    cells, line = setup()
    prove = model(0.5)
    made = grade_until_proven(
        cells, [line], [40.0], GradingRules(), prove, tolerance=0.1, first=prove(cells.ground, None)
    )
    assert made.clear and made.grading.cost < 1e-6


def test_what_no_grading_mends_is_declared():
    cells, line = setup()

    def never(design, ends):
        return [Proof(STATIONS, (STATIONS > 18) & (STATIONS < 22), np.zeros(80, bool))]

    made = grade_until_proven(
        cells, [line], [40.0], GradingRules(max_slope=0.5), never, tolerance=0.1, first=never(None, None)
    )
    assert not made.clear and "chainage 18.2 m" in made.reason


def test_hopeless_stations_do_not_keep_a_zone_from_being_proven():
    cells, line = setup()
    prove = model(0.03, hopeless=[0, 1, 2])
    made = grade_until_proven(
        cells, [line], [40.0], GradingRules(max_slope=0.5), prove, tolerance=0.1, first=prove(cells.ground, None)
    )
    assert made.clear


def test_spread_widens_flags():
    flags = np.zeros(80, bool)
    flags[[10, 60]] = True
    wide = spread(STATIONS, flags, 1.0)
    assert np.flatnonzero(wide).tolist() == [8, 9, 10, 11, 12, 58, 59, 60, 61, 62]
    assert not spread(STATIONS, np.zeros(80, bool), 1.0).any()


def test_a_tolerance_that_leaves_no_surface_is_loosened_as_far_as_the_model_is_content():
    cells, line = setup(depth=0.15)
    stuck = np.abs(cells.place[:, 0] - 20) < 2
    cells = replace(cells, movable=cells.movable & ~stuck)  # no-dig ground, 0.15 m too low
    prove = model(0.15)

    def first(design, ends):
        return [Proof(STATIONS, np.abs(STATIONS - 20) < 3, np.zeros(80, bool))]

    made = grade_until_proven(
        cells, [line], [40.0], GradingRules(max_slope=0.5), prove, tolerance=0.1, first=first(None, None)
    )
    assert made.clear
    with pytest.raises(InfeasibleError) as caught:
        grade_until_proven(
            cells, [line], [40.0], GradingRules(max_slope=0.5), prove, tolerance=0.03, first=first(None, None)
        )
    assert "0.1" in caught.value.found  # told for the tolerance that was asked, not for the loosest tried


def test_a_head_that_blinds_its_own_ground_is_brought_back():
    cells, line = setup(depth=0.3)
    line = replace(line, reach=((99.7, 100.0), (99.7, 100.0)))

    def prove(design, ends):
        dip = np.abs(np.interp(STATIONS, (0, 40), ends[0]) - design.reshape(80, 9)[:, 4]) > 0.06
        beside = (STATIONS < 3) & (ends[0][0] < 99.95)
        return [Proof(STATIONS, (dip & (np.abs(STATIONS - 20) < 6)) | beside, np.zeros(80, bool))]

    made = grade_until_proven(
        cells,
        [line],
        [40.0],
        GradingRules(max_slope=0.5),
        prove,
        tolerance=0.1,
        first=prove(cells.ground, np.array([[100.0, 100.0]])),
    )
    assert made.clear and made.grading.ends[0, 0] >= 99.95
