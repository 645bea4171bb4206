"""Corridor width: hand geometry, and ITU-R P.530's formula in its own units."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

from geotools.errors import NumericInputError
from geotools.steps.layout.width import beam_half_width, beam_outline, free_width, narrow_stretches, unit_normals


@pytest.mark.parametrize("ghz", [10.525, 24.125])
@pytest.mark.parametrize(("d1", "d2"), [(0.05, 0.05), (0.01, 0.09), (0.1, 0.35)])
def test_half_width_is_the_fresnel_radius(ghz, d1, d2):
    # ITU-R P.530-17, 2.2.1: F1 = 17.3 sqrt(d1 d2 / (f d)), km and GHz, m; the factor is rounded to three digits
    expected = 17.3 * np.sqrt(d1 * d2 / (ghz * (d1 + d2)))
    assert beam_half_width(d1 * 1e3, d2 * 1e3, ghz * 1e9) == pytest.approx(expected, rel=2e-3)


def test_outline_holds_the_beam_and_little_more():
    outline = beam_outline((0, 0), (100, 0), 10.525e9, margin_m=0.3)
    x = np.linspace(0.0, 100.0, 501)
    half = beam_half_width(x, 100 - x, 10.525e9, margin_m=0.3)
    inside = shapely.covers(outline, shapely.points(x[1:-1], (half - 1e-6)[1:-1]))
    assert inside.all()
    assert not shapely.covers(outline, shapely.points(x, half + 0.05)).any()


def test_two_fences_that_open_like_a_wedge():
    # fences y = 0 and y = 4 + x/50; the line between them y = 2: widths by hand, all square to the line
    line = LineString([(0, 2), (100, 2)])
    width = free_width(line, [LineString([(-5, 0), (105, 0)]), LineString([(-50, 3), (150, 7)])], [0, 25, 100])
    assert width.right == pytest.approx([2.0, 2.0, 2.0])
    assert width.left == pytest.approx([2.0, 2.5, 4.0])


def test_buildings_points_and_open_ground():
    line = LineString([(0, 0), (60, 0)])
    width = free_width(line, [box(20, 1.5, 30, 9), Point(40, -0.75)], [10, 25, 40], reach_m=12)
    assert width.left == pytest.approx([12, 1.5, 12])
    assert width.right == pytest.approx([12, 12, 0.75])


def test_narrow_stretch_ends_between_the_stations():
    found = narrow_stretches([0, 10, 20, 30, 40], [4, 4, 2, 4, 4], 3.0)
    assert len(found) == 1
    assert (found[0].start, found[0].end, found[0].worst_at) == pytest.approx((15, 25, 20))
    assert (found[0].width, found[0].needed) == (2, 3)


def test_narrow_from_the_very_start():
    found = narrow_stretches([0, 10, 20], [1, 1, 5], 3.0)
    assert (found[0].start, found[0].end) == pytest.approx((0, 15))


def test_refusals():
    with pytest.raises(NumericInputError, match="frequency"):
        beam_half_width(1, 1, 0)
    with pytest.raises(NumericInputError, match="one point"):
        beam_outline((1, 1), (1, 1), 1e10)


def test_each_leg_of_the_shortest_line_has_a_normal_of_its_own():
    _, left = unit_normals(LineString([(0, 0), (0.01, 0), (0.01, 0.01)]), np.array([0.005, 0.015]))
    assert left == pytest.approx(np.array([(0, 1), (-1, 0)]), abs=1e-6)
