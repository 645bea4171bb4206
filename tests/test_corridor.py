"""Chainage and offset against plain geometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import LineString, Point

from geotools.corridor import BeamLine, StripGrid
from geotools.errors import NumericInputError, place_words

coordinate = st.floats(-1e6, 1e6)


@given(coordinate, coordinate, st.floats(0, 2 * np.pi), st.floats(1, 500), st.floats(-50, 600), st.floats(-20, 20))
def test_map_and_back(x: float, y: float, angle: float, length: float, chainage: float, offset: float) -> None:
    line = BeamLine(x, y, x + length * np.cos(angle), y + length * np.sin(angle))
    back = line.from_map(*line.to_map(chainage, offset))
    assert back == pytest.approx((chainage, offset), abs=1e-6)


def test_offset_is_positive_to_the_left() -> None:
    # walking east, left is north
    x, y = BeamLine(0, 0, 10, 0).to_map(4.0, 2.0)
    assert (float(x), float(y)) == (4.0, 2.0)


def test_azimuth_is_clockwise_from_north() -> None:
    assert BeamLine(0, 0, 1, 0).azimuth_deg == pytest.approx(90)
    assert BeamLine(0, 0, 0, -1).azimuth_deg == pytest.approx(180)
    assert BeamLine(0, 0, -1, 0).azimuth_deg == pytest.approx(270)


def test_rectangle_is_the_strip() -> None:
    line = BeamLine(3, 4, 33, 44)
    area = line.rectangle(10, 20, 2.0)
    assert area.area == pytest.approx(40.0)
    assert area.exterior.is_ccw
    assert area.centroid.distance(LineString([(3, 4), (33, 44)])) == pytest.approx(0, abs=1e-9)
    assert area.contains(Point(*map(float, line.to_map(15, 1.9))))
    assert not area.contains(Point(*map(float, line.to_map(15, 2.1))))


def test_grid_ends_at_posts_and_edges() -> None:
    grid = StripGrid.over(BeamLine(0, 0, 10.3, 0), 2.0, 0.5)
    assert grid.chainage_m[[0, -1]].tolist() == [0.0, 10.3]
    assert grid.offset_m[[0, -1]].tolist() == [-2.0, 2.0]
    assert np.diff(grid.chainage_m).max() <= 0.5 + 1e-12
    assert 0.0 in grid.offset_m


@pytest.mark.parametrize("bad", [(0, 0, 0, 0), (0, 0, np.nan, 1), (0, 0, np.inf, 1)])
def test_line_without_length_is_refused(bad: tuple[float, ...]) -> None:
    with pytest.raises(NumericInputError):
        BeamLine(*bad)


def test_a_place_is_worded_once_for_all():
    assert place_words(12.46, -1.04, zone="F01-Z003") == "zone F01-Z003, chainage 12.5 m, offset -1.0 m"
    assert place_words(0.0, 2.0) == "chainage 0.0 m, offset +2.0 m"
    assert place_words(7.0) == "chainage 7.0 m"
