"""Zones that stand over each other are named; neighbours that overlap at a junction are not."""

import numpy as np
import pytest

from geotools.corridor import BeamLine
from geotools.plan.model import Zone
from geotools.steps.gaps.overlapping import overlapping_words


def test_zones_over_each_other_are_named():
    first = Zone("F01-Z001", BeamLine(0, 0, 100, 0), ())
    again = Zone("F02-Z001", BeamLine(95, 0.2, 5, 0.2), ())
    after = Zone("F01-Z002", BeamLine(92, 0.3, 190, 0.3), ())
    (said,) = overlapping_words([first, after, again], 2.0)
    assert "F01-Z001 and F02-Z001" in said
    assert overlapping_words([first, after], 2.0) == [] == overlapping_words([], 2.0)


@pytest.mark.parametrize("turn_deg", [120.0, 150.0])
def test_short_zones_in_a_tight_corner_are_no_fence_in_the_file_twice(turn_deg):
    # two zones of 8 m that cross 1.5 m before their ends, with strips 4 m wide: more than half of each is common
    turn = np.radians(turn_deg)
    way = np.array([np.cos(turn), np.sin(turn)])
    (x0, y0), (x1, y1) = np.array([6.5, 0.0]) - 1.5 * way, np.array([6.5, 0.0]) + 6.5 * way
    first, second = Zone("F01-Z001", BeamLine(0, 0, 8, 0), ()), Zone("F01-Z002", BeamLine(x0, y0, x1, y1), ())
    assert overlapping_words([first, second], 4.0) == []
