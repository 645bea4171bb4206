"""The hand-over of programmes to the solver: small ones that are solved by hand."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import sparse

from geotools.earthwork.highs import Linear, UnfinishedError, cheapest


def programme(cost, rows, low, high, upper, whole=()):
    n = len(cost)
    flags = np.zeros(n, bool)
    flags[list(whole)] = True
    matrix = sparse.csc_array(np.array(rows, float))
    return Linear(
        np.array(cost, float),
        np.zeros(n),
        np.array(upper, float),
        flags,
        matrix,
        np.array(low, float),
        np.array(high, float),
    )


def test_the_corner_that_costs_least_is_found():
    # by hand: the corners of x + 2y >= 3, 3x + y >= 4, x and y to 5, are (1, 1), (0, 4), (3, 0); 1 + 1 is least
    found = cheapest(programme([1, 1], [[1, 2], [3, 1]], [3, 4], [np.inf, np.inf], [5, 5]))
    assert found == pytest.approx([1.0, 1.0])
    # with y dearer than 3 times x it is (3, 0)
    assert cheapest(programme([1, 3.5], [[1, 2], [3, 1]], [3, 4], [np.inf] * 2, [5, 5])) == pytest.approx([3.0, 0.0])


def test_whole_numbers_are_whole():
    # by hand: 2.5 of the cheap one alone would do; 3 cost 3.0, 2 of it and one half of the dear one 2.95
    of = programme([1.0, 1.9], [[1, 1]], [2.5], [np.inf], [9, 9])
    assert cheapest(of) == pytest.approx([2.5, 0.0])
    assert cheapest(programme([1.0, 1.9], [[1, 1]], [2.5], [np.inf], [9, 9], whole=[0])) == pytest.approx([2.0, 0.5])
    assert cheapest(programme([1.0, 1.9], [[1, 1]], [2.5], [np.inf], [9, 9], whole=[0, 1])) == pytest.approx([3.0, 0.0])


def test_limits_that_contradict_each_other_have_no_answer():
    assert cheapest(programme([1, 1], [[1, 1]], [4], [9], [1, 1])) is None
    assert cheapest(programme([1, 1], [[1, 1]], [4], [9], [1, 1], whole=[0])) is None


def test_what_has_no_least_is_said():
    with pytest.raises(UnfinishedError, match="nbounded"):
        cheapest(programme([-1.0], [[1.0]], [0.0], [np.inf], [np.inf]))


def test_standard_output_is_left_to_results():
    # in a process of its own, for the solver writes past Python's own streams, when the process ends at the latest
    code = "from tests.earthwork.test_highs import programme, cheapest as c; c(programme([1], [[1]], [1], [2], [3]))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "" and done.stderr == ""
