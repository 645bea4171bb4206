"""Zones that stand over each other are named; neighbours that overlap at a junction are not."""

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
