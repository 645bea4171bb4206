"""Usable ground by hand areas, sides by hand orientation."""

from __future__ import annotations

import pytest
from shapely import LineString, Point, box

from geotools.errors import InfeasibleError
from geotools.steps.layout.usable import courses

CCW = LineString([(0, 0), (100, 0), (100, 80), (0, 80), (0, 0)])


def one(fences, **given):
    settings = {"side": "inside", "setback_m": 3, "clear_m": 9} | given
    (course,) = courses(fences, **settings)
    return course


@pytest.mark.parametrize("fence", [CCW, CCW.reverse()])
@pytest.mark.parametrize("side", ["inside", "outside"])
def test_ground_beside_a_closed_fence(fence, side):
    course = one({"F": fence}, side=side)
    # mitred frames: 100 x 80 less 82 x 62, and 118 x 98 less 100 x 80
    assert course.ground.area == pytest.approx(100 * 80 - 82 * 62 if side == "inside" else 118 * 98 - 100 * 80)
    # a point of the line moved to the inward side by 1 m is farther inside (or nearer the fence, from outside)
    start, end = course.line.coords[:2]
    d = (end[0] - start[0]) / course.line.length, (end[1] - start[1]) / course.line.length
    middle = Point((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    moved = Point(middle.x - course.inward * d[1] * 10, middle.y + course.inward * d[0] * 10)
    towards_middle = moved.distance(Point(50, 40)) < middle.distance(Point(50, 40))
    assert towards_middle == (side == "inside")


def test_left_of_an_open_fence():
    course = one({"F": LineString([(0, 0), (100, 0)])}, side="left")
    assert course.line.coords[0] == pytest.approx((0, 3))
    # 9 m deep, 2 m on past both ends
    assert course.ground.area == pytest.approx(9 * 104)
    assert course.inward == 1.0


def test_keep_outs_are_taken_out_lines_and_points_too():
    course = one({"F": CCW}, keep_outs=[box(40, 5, 50, 20), LineString([(90, 0), (90, 20)]), Point(20, 4)])
    assert not course.ground.intersects(box(41, 5.5, 49, 8.5))
    assert not course.ground.contains(Point(90, 4))
    assert not course.ground.contains(Point(20, 4))
    # building 10 x 4 m in the strip, a line 0.1 m thick and 9 m long, a point 0.1 m across (a circle in 64 corners)
    assert 100 * 80 - 82 * 62 - course.ground.area == pytest.approx(10 * 4 + 0.1 * 9 + 3.1416 * 0.05**2, rel=2e-3)


def test_two_fences_make_one_course_whatever_their_order():
    inner = LineString([(8, 8), (92, 8), (92, 72), (8, 72), (8, 8)])
    for fences in ({"F01": CCW, "F02": inner}, {"F01": inner, "F02": CCW}):
        course = one(fences, side="between")
        assert fences[course.fence_id] is CCW
        assert course.ground.area == pytest.approx(100 * 80 - 84 * 64)
        assert course.line.distance(Point(50, 4)) < 0.01


def test_islands_pair_with_their_own_fence():
    def shifted(line, dx):
        return LineString([(x + dx, y) for x, y in line.coords])

    inner = LineString([(8, 8), (92, 8), (92, 72), (8, 72), (8, 8)])
    found = courses(
        {"A": CCW, "B": shifted(inner, 300), "C": inner, "D": shifted(CCW, 300)},
        side="between",
        setback_m=3,
        clear_m=9,
    )
    assert [course.fence_id for course in found] == ["A", "D"]


def test_another_fence_is_an_obstacle():
    found = courses({"A": CCW, "B": LineString([(50, 2), (50, 20)])}, side="left", setback_m=3, clear_m=9)
    assert not found[0].ground.contains(Point(50, 5))


def test_refusals():
    with pytest.raises(InfeasibleError, match="no inside"):
        one({"F": LineString([(0, 0), (10, 0)])})
    with pytest.raises(InfeasibleError, match="no partner"):
        one({"F": CCW}, side="between")
