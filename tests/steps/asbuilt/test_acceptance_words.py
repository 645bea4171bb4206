"""What is said of a zone after the works: no more than was measured, and where to go."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.corridor import BeamLine
from geotools.plan.model import Zone
from geotools.steps.asbuilt.acceptance import acceptance_row, worst_words
from geotools.steps.asbuilt.kernel import Comparison, OutArea, compare

ZONE = Zone("F01-Z001", BeamLine(0.0, 0.0, 60.0, 0.0), ())
NOTHING = compare(np.zeros((2, 2)), np.full((2, 2), np.nan), 1.0, tolerance=0.03, least_area=1.0)


def row(found, graded, dead=0.0, place="chainage 12.0 m"):
    return acceptance_row(ZONE, found, (0.0, dead), 2.0, graded, [place])


def test_a_zone_of_which_nothing_was_surveyed_is_not_said_to_be_within_tolerance():
    said = row(NOTHING, graded=False)
    assert said["result"] == "pass" and said["levels_ok"] is None
    assert "within tolerance" not in said["reason"] and "nothing of it was surveyed" in said["reason"]
    assert worst_words(said) == "-"


def test_ground_that_was_not_worked_is_held_to_no_design():
    found = compare(np.zeros((2, 2)), np.full((2, 2), 0.4), 1.0, tolerance=0.03, least_area=1.0)
    said = row(found, graded=False)
    assert said["result"] == "pass" and said["levels_ok"] is None and "No earthworks here" in said["reason"]
    assert row(found, graded=True)["result"] == "fail"


def test_the_worst_place_is_the_one_farthest_off_not_the_largest():
    areas = [OutArea(np.array([0]), 0.06, 7.0, 0.4), OutArea(np.array([1]), -0.18, 1.5, 0.2)]
    found = Comparison(100, 9, 0.0, 0.02, -0.18, areas, [])
    said = row(found, graded=True)
    assert said["levels_ok"] is False and said["result"] == "fail"
    assert "2 places out of tolerance, the worst by -0.18 m over 2 m2 at chainage 12.0 m" in said["reason"]
    assert worst_words(said) == "-0.18"


@pytest.mark.parametrize("graded", [True, False])
def test_a_dead_stretch_fails_a_zone_graded_or_not(graded):
    found = compare(np.zeros((2, 2)), np.full((2, 2), 0.01), 1.0, tolerance=0.03, least_area=1.0)
    said = row(found, graded, dead=3.5)
    assert said["result"] == "fail" and "3.5 m dead" in said["reason"]
