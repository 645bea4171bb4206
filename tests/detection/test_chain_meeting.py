"""Where one beam line takes over from another."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.corridor import BeamLine
from geotools.detection.chain import chain_vertices


@pytest.mark.parametrize("turn_deg", [0.0, 1.0, 37.0, 90.0, 211.3])
def test_a_line_that_begins_on_the_other_takes_over_there_however_both_are_turned(turn_deg):
    """Rounding decided: turned by a degree, the place moved by 4 m."""
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    ends = np.array([[(0.0, 1.5), (40.0, 1.5)], [(32.0, 1.5), (62.0, 3.0)]]) @ turn.T + 30.0
    vertices = chain_vertices([BeamLine(*a, *b) for a, b in ends], closed=False)
    assert vertices[1] == pytest.approx(np.array([32.0, 1.5]) @ turn.T + 30.0, abs=1e-6)


def test_lines_that_would_cross_only_if_one_were_longer_meet_halfway():
    first = BeamLine(0.0, 0.0, 10.0, 0.0)
    for second in (BeamLine(5.0, 6.0, 5.0, 2.0), BeamLine(5.0, -2.0, 5.0, -6.0), BeamLine(12.0, 4.0, 12.0, -4.0)):
        vertices = chain_vertices([first, second], closed=False)
        assert vertices[1] == pytest.approx([(10.0 + second.x0) / 2, second.y0 / 2])
