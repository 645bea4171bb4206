"""The field in three dimensions, asked where the ground beside the beam line may decide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.beam.field3d import solve_3d
from geotools.corridor import BeamLine
from geotools.detection.accuracy import Accuracy
from geotools.detection.cases import Rules
from geotools.detection.perimeter import Perimeter
from geotools.detection.second_opinion import CROSS_RELIEF_M, cross_relief, open_in_3d, rows_in_question
from geotools.detection.stretches import stretches
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import judge_stations
from geotools.plan.model import BeamPair, FenceChain, Zone
from geotools.steps.gaps.spoken import verdict_rows
from tests.invented_ground import Formula

LENGTH = 36.0
PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.305, 0.33)
ZONE = Zone("Z1", BeamLine(0.0, 0.0, LENGTH, 0.0), (PAIR,), "F01", 1)
KNOWN = Unknowns(Accuracy(0.0), head_m=0.0, aim_deg=0.0, body=0.0, draws=8)
INNER = slice(20, 53)


def bund(x, y):
    """A bund 0.5 m high along the beam, 0.7 m beside it: it mirrors, and the profile knows nothing of it."""
    return 0.5 * np.exp(-(((y - 0.7) / 0.3) ** 2)) + 0.0 * x


def perimeter_on(ground, threshold=0.2):
    rules = Rules(threshold, 2.0, 0.5, {"prone": TARGETS["prone"]})
    return Perimeter([ZONE], Formula(ground, cell_m=0.5), rules)


def test_only_ground_that_differs_across_is_asked_about_and_only_where_the_answer_hangs_on_it():
    level = perimeter_on(lambda x, y: -0.3 * np.exp(-(((x - 18.0) / 3.0) ** 2)) + 0.2 * y)
    assert cross_relief(level.strip("Z1")).max() < CROSS_RELIEF_M / 2
    assert not rows_in_question(level, "Z1", "auto").any()
    beside = perimeter_on(bund)
    assert cross_relief(beside.strip("Z1")).min() > 0.2
    weakest = beside.straight_over("Z1")["prone"][INNER].min()
    assert not rows_in_question(perimeter_on(bund, weakest / 3.0), "Z1", "auto")[INNER].any()
    assert rows_in_question(perimeter_on(bund, weakest / 1.2), "Z1", "auto")[INNER].any()
    assert rows_in_question(level, "Z1", "3d").all() and not rows_in_question(beside, "Z1", "2d").any()


def ridge(x, y):
    """The beam runs along a ridge with sides of 25 %: they mirror less than the level ground that the profile takes."""
    return -0.25 * np.abs(y) + 0.0 * x


@pytest.fixture(scope="module")
def told_apart():
    """The ridge, and a threshold between what the two fields give in its middle."""
    perimeter = perimeter_on(ridge)
    strip = perimeter.strip("Z1")
    field = solve_3d(strip.beam(PAIR.head_type, PAIR.tx_height_m, PAIR.rx_height_m), strip)
    across = np.broadcast_to(strip.across_m, strip.ground_m.shape)[36]
    middle = np.abs(field.cut(TARGETS["prone"], int(np.rint(18.0 / field.chainage_m[1])), across))
    profile = perimeter.own("Z1")["prone"][36].max()
    assert middle.max() < profile - 0.01
    return perimeter_on(ridge, float(middle.max() + profile) / 2.0)


def test_what_only_the_profile_detects_is_unproven_and_says_so(told_apart):
    perimeter = told_apart
    profile = judge_stations(perimeter, "Z1", KNOWN).stations["prone"]
    assert profile.beside is None and profile.detected()[36]
    both = judge_stations(perimeter, "Z1", KNOWN, "auto").stations["prone"]
    assert both.beside is not None and both.beside[36]
    fence = perimeter.zones["Z1"].line
    line = LineString([(fence.x0, fence.y0), (fence.x1, fence.y1)])
    said = stretches(FenceChain("F01", (ZONE,)), line, ["prone"], {"Z1": {"prone": both}})
    apart = [row for row in verdict_rows(said) if row["cause"] == "field_3d"]
    assert apart and {row["verdict"] for row in apart} == {"unproven"}
    assert {row["field"] for row in apart} == {"profile_and_3d"} and "three dimensions" in apart[0]["settle"]


def test_where_the_ground_is_the_same_right_across_both_fields_agree():
    perimeter = perimeter_on(lambda x, y: -0.1 * np.exp(-(((x - 18.0) / 4.0) ** 2)) + 0.0 * y)
    rows = np.zeros(73, dtype=bool)
    rows[INNER] = True
    assert np.array_equal(open_in_3d(perimeter, "Z1", rows)["prone"], perimeter.dead("Z1")["prone"])


def test_a_second_opinion_never_makes_a_better_verdict(told_apart):
    harder = Perimeter(
        [ZONE], told_apart.ground, replace(told_apart.rules, threshold=told_apart.rules.threshold * 1.05)
    )
    profile = judge_stations(harder, "Z1", KNOWN).stations["prone"]
    both = judge_stations(harder, "Z1", KNOWN, "auto").stations["prone"]
    assert np.array_equal(both.dead, profile.dead) and not (both.detected() & ~profile.detected()).any()
