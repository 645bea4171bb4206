"""Where posts and beams may stand, worked out on paper: clear ground at their ends, aside of each other, midway lines.

Red when a beam is looked at shorter or straighter than it is built, a post moves farther than it need, or a line begins
elsewhere than its fence.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LinearRing, LineString, box
from shapely.ops import substring

from geotools.steps.layout.kernel import _off_axis, posts
from geotools.steps.layout.lines import PostOffsets, candidates, midway_line, setback_line
from geotools.steps.layout.width import beam_half_width, narrow_stretches
from geotools.steps.layout.zoning import _exact_room
from tests.steps.layout.test_lines_by_hand import RULES, span

P, Q = np.array([0.0, 0.0]), np.array([60.0, 0.0])
NONE = np.zeros(2)
#: 0.4 m beside the axis everywhere and posts 0.5 m aside of each other; the Fresnel zone is left out.
STRICT = replace(RULES, fresnel_zones=0.0, margin_m=0.4, stagger_m=0.5, post_clear_m=0.0, no_posts=None)
GROUND = box(-10, -20, 70, 20)


def with_post(x, y):
    """The ground less a small obstacle."""
    return GROUND - box(x - 0.01, y - 0.01, x + 0.01, y + 0.01)


@pytest.mark.parametrize(
    ("x", "y", "fits"),
    [
        # as it is, 0.4 m: at the start on the left, where the posts that move aside make room
        (0.3, 0.3, False),
        (0.3, 0.45, True),
        (59.7, -0.3, False),
        (59.7, -0.45, True),
        # moved aside by a quarter of a metre, to the right at the start and to the left at the end
        (0.3, -0.60, False),
        (0.3, -0.70, True),
        (59.7, 0.60, False),
        (59.7, 0.70, True),
        # the moved beam crosses the axis halfway
        (30.0, 0.38, False),
        (30.0, 0.45, True),
        # before and behind the posts
        (-0.5, 0.1, True),
        (60.5, 0.1, True),
    ],
)
def test_a_beam_needs_its_ground_as_drawn_and_with_its_posts_half_the_stagger_aside(x, y, fits):
    room = _exact_room(with_post(x, y), P, Q, NONE, STRICT)
    assert (room is not None) == fits
    if fits:
        assert room.tolist() == [0.0, 0.0]


def test_without_a_stagger_only_the_beam_as_drawn_counts():
    straight = replace(STRICT, stagger_m=0.0)
    for y, fits in ((0.3, False), (-0.3, False), (0.45, True), (-0.45, True)):
        assert (_exact_room(with_post(0.3, y), P, Q, NONE, straight) is not None) == fits


def test_a_beam_runs_past_its_junctions_as_far_as_the_ground_goes():
    """The ground ends 2 m before and 3 m behind; 5 m are wanted. The search stops within 0.05 m."""
    room = _exact_room(box(-2, -9, 63, 9), P, Q, np.array([5.0, 5.0]), replace(STRICT, stagger_m=0.0))
    assert room == pytest.approx([2.0, 3.0], abs=0.06) and (room <= [2.0, 3.0]).all()
    assert _exact_room(GROUND, P, Q, np.array([5.0, 4.0]), STRICT).tolist() == [5.0, 4.0]
    # room at one end alone
    room = _exact_room(box(-2, -9, 90, 9), P, Q, np.array([5.0, 5.0]), replace(STRICT, stagger_m=0.0))
    assert room == pytest.approx([2.0, 5.0], abs=0.06)
    # posts a metre from the edge
    room = _exact_room(box(-2, -9, 63, 9), P, Q, np.array([5.0, 5.0]), replace(STRICT, stagger_m=0.0, post_clear_m=1.0))
    assert room == pytest.approx([1.0, 2.0], abs=0.1)


def test_posts_far_enough_off_the_other_axis_stay_and_others_move_by_half_the_stagger_each():
    stagger = RULES.stagger_m
    # the second beam's post stands 0.3 m off the first axis, and the other way round as much
    near = [span((0, 0), (50, 0)), span((45, 0.3), (105, 0.3))]
    kept = posts(near, RULES, closed=False)
    assert kept[0][1].tolist() == [50, 0] and kept[1][0].tolist() == [45, 0.3]
    for turn in (4.0, -4.0, 1.0, -1.0):
        way = np.radians(turn)
        far = (45 + 60 * np.cos(way), 60 * np.sin(way))
        (_, b), (c, d) = posts([span((0, 0), (50, 0)), span((45, 0), far)], RULES, closed=False)
        assert np.hypot(*(b - (50, 0))) == pytest.approx(stagger / 2)
        assert np.hypot(*(c - (45, 0))) == pytest.approx(stagger / 2)
        assert b[0] == pytest.approx(50.0) and _off_axis(c, np.array([45.0, 0.0]), d) > 0.2
    # square to each other nothing has to move
    square = posts([span((0, 0), (50, 0)), span((47, -3), (47, 60))], RULES, closed=False)
    assert square[0][1].tolist() == [50, 0] and square[1][0].tolist() == [47, -3]


def test_a_set_back_of_half_a_metre_is_one():
    ring = LineString([(0, 0), (20, 0), (20, 20), (0, 20), (0, 0)])
    assert list(setback_line(ring, 0.5).coords)[1] == (19.5, 0.5)
    assert list(setback_line(LineString([(0, 0), (9, 0)]), 0.25, side="left").coords) == [(0, 0.25), (9, 0.25)]


@pytest.mark.parametrize("part", np.arange(0.0, 3.0, 0.31))
def test_a_midway_ring_begins_beside_the_start_of_its_fence(part):
    """Two circles of 40 corners, the inner one begun anywhere: of all corners the one nearest to halfway from there."""

    def ring(radius):
        turn = 2 * np.pi * np.arange(41) / 40
        return LineString(LinearRing(np.c_[radius * np.cos(turn), radius * np.sin(turn)]))

    begun = substring(ring(20.0), part * 3.138, ring(20.0).length).coords[:]
    inner = LineString(LinearRing([*begun, *substring(ring(20.0), 0.0, part * 3.138).coords[1:-1]]))
    line = midway_line(inner, ring(26.0))
    corners = shapely.get_coordinates(line)[:-1]
    start = np.array(begun[0])
    halfway = start * (1 + ring(26.0).distance(shapely.Point(start)) / np.hypot(*start) / 2)
    apart = np.hypot(*(corners - halfway).T)
    assert apart[0] == pytest.approx(apart.min()) and apart.min() < 1.6
    assert np.hypot(*corners.T) == pytest.approx(23.0, abs=0.2)


def test_a_midway_line_goes_through_what_lies_just_before_a_jump():
    """The fence turns off the axis 2 m before its nearest point jumps from one side of the other fence to the next."""
    fence = LineString([(0, 6), (22, 6), (24, 8), (24, 40)])
    line = midway_line(fence, LineString([(0, 0), (30, 0), (30, 40)]), tolerance_m=0.001)
    # (22 + t, 6 + t) is nearest to (22 + t, 0) while 6 + t < 8 - t
    for t in (0.0, 0.3, 0.6):
        assert line.distance(shapely.Point(22 + t, 3 + t / 2)) < 0.02
    # beyond the jump, nearest to (30, y)
    for y in (9.0, 20.0, 39.0):
        assert line.distance(shapely.Point(27, y)) < 0.02


def test_deep_places_are_offered_where_the_line_itself_has_no_ground_and_nowhere_else():
    line = LineString([(0, 0), (60, 0)])
    region = box(-1, -4, 61, 4) - box(27, -1, 33, 1)
    made = candidates(line, region, step_m=10.0, beside=PostOffsets((0.0,), (0.0, 2.0), 0.0))
    deep = made.offset == 2.0
    assert made.chainage[deep].tolist() == [30.0] and made.xy[deep].tolist() == [[30.0, 2.0]]
    assert sorted(made.chainage[~deep].tolist()) == [0, 10, 20, 40, 50, 60]


def test_the_half_width_is_that_of_the_first_zone_at_any_carrier():
    """Radius of the first Fresnel zone halfway: sqrt(wavelength d) / 2."""
    for hertz in (0.5, 1e6, 10.525e9):
        found = beam_half_width(30.0, 30.0, hertz, zones=0.6, margin_m=0.3)
        assert found == pytest.approx(0.6 * np.sqrt(299792458.0 / hertz * 60.0) / 2 + 0.3)
    assert beam_half_width(0.0, 0.0, 10.525e9, margin_m=0.3) == pytest.approx(0.3)
    assert beam_half_width(10.0, 30.0, 10.525e9) == pytest.approx(np.sqrt(299792458.0 / 10.525e9 * 10 * 30 / 40))


def test_a_narrow_stretch_has_its_worst_place_within_it_and_its_ends_between_chainages():
    at = np.arange(0.0, 90.0, 10.0)
    width = np.array([5.0, 5.0, 3.5, 3.0, 1.0, 3.0, 5.0, 5.0, 3.0])
    first, last = narrow_stretches(at, width, 4.0)
    # 5 to 3.5 m: two thirds of the way; 3 to 5 m: halfway
    assert (first.start, first.end) == pytest.approx((10 + 10 / 1.5, 55.0))
    assert (first.worst_at, first.width, first.needed) == (40.0, 1.0, 4.0)
    assert (last.start, last.end, last.worst_at, last.width) == pytest.approx((75.0, 80.0, 80.0, 3.0))
    ((only,)) = narrow_stretches(at, width, np.where(at == 50.0, 9.0, 0.5))
    assert (only.worst_at, only.width, only.needed) == (50.0, 3.0, 9.0)
    # from 0.5 m to spare at 40 m to 6 m short at 50 m, to 4.5 m to spare at 60 m
    assert (only.start, only.end) == pytest.approx((40 + 10 * 0.5 / 6.5, 50 + 10 * 6 / 10.5))
    assert narrow_stretches(at, width, 0.9) == []
