"""Words at the ends of a beam on a long section stand clear of its line, whichever way that falls."""

from __future__ import annotations

import pytest
from shapely import LineString, box

from geotools.earthwork.sheet_profile import label_level


@pytest.mark.parametrize("fall_mm", [-30.0, -4.0, 0.0, 4.0, 30.0])
def test_the_words_stand_clear_of_the_line_at_both_ends(fall_mm):
    y0, y1 = 100.0, 100.0 + fall_mm
    line = LineString([(0.0, y0), (200.0, y1)])
    # letters of 7 points are 1.8 mm tall (0.73 of the size), the words 15 mm long
    for level, left in ((label_level(y0, y1), 1.0), (label_level(y1, y0), 184.0)):
        assert not box(left, level - 1.8, left + 15.0, level).intersects(line)
