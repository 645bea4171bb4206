"""A row of zones between two corners, and its move as one whichever way each zone sends.

Red where a corner is taken into the row, the seam of a closed fence is not, or a zone goes the other way.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from shapely import box

from geotools.corridor import BeamLine
from geotools.plan.moving import MoveLimits, row_of, row_places, with_row
from tests.invented_ground import zone

#: Round a square of 200 m: two zones a side, every other one sends against the fence's direction.
CORNERS = [(0, 0), (100, 0), (200, 0), (200, 100), (200, 200), (100, 200), (0, 200), (0, 100), (0, 0)]


@pytest.fixture(scope="module")
def square():
    made = []
    for number, ((x0, y0), (x1, y1)) in enumerate(pairwise(CORNERS)):
        line, forward = BeamLine(x0, y0, x1, y1), number % 2 == 0
        one = zone(f"Z{number}")
        made.append(replace(one, line=line if forward else line.reversed(), forward=forward))
    return made


def names(row):
    return [one.zone_id for one in row]


def test_a_row_ends_at_its_corners(square):
    assert names(row_of(square, "Z0", closed=True)) == ["Z0", "Z1"]
    assert names(row_of(square, "Z3", closed=True)) == ["Z2", "Z3"]


def test_a_row_runs_over_the_seam_of_a_closed_fence_alone(square):
    turned = [*square[1:], square[0]]
    assert names(row_of(turned, "Z1", closed=True)) == ["Z0", "Z1"]
    assert names(row_of(turned, "Z1", closed=False)) == ["Z1"]


def test_all_of_it_goes_to_one_side(square):
    moved = with_row(row_of(square, "Z1", closed=True), "Z1", -2.0)
    # Z1 sends back along the fence: its right is inward, to larger y
    assert {one.line.y0 for one in moved.values()} == {one.line.y1 for one in moved.values()} == {2.0}


def test_places_are_those_that_every_zone_has_room_for(square):
    row = row_of(square, "Z0", closed=True)
    ground = box(-10, -3, 100, 6).union(box(100, -3, 210, 4))
    found = row_places(row, "Z0", MoveLimits({"": ground}), 6.0, 1.0)
    alone = row_places(row[:1], "Z0", MoveLimits({"": ground}), 6.0, 1.0)
    assert max(found) < max(alone)
    assert max(found) == 2.0
