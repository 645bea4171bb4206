"""The line a layout follows, candidates beside it, where posts come to stand: shapes worked by hand.

Red when a set-back is off, a crest or a corner is missed, or a post stands in an axis.
"""

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString, Point, Polygon, box
from shapely.affinity import translate

from geotools.errors import InfeasibleError, NumericInputError
from geotools.steps.layout.chain import _SpanTable
from geotools.steps.layout.edgelist import Edges
from geotools.steps.layout.edges import LayoutWeights, ZoneRules
from geotools.steps.layout.kernel import Needs, _in_order, _mixed_margins, _off_axis, gate_stretch, offsets_for, posts
from geotools.steps.layout.lines import (
    PostOffsets,
    _corner_chainages,
    _mitred_normals,
    _stations,
    _to_nearest,
    candidates,
    crests,
    midway_line,
    setback_line,
)
from geotools.steps.layout.usable import Course
from geotools.steps.layout.width import free_width, unit_normals
from geotools.steps.layout.zoning import CandidateSpan

BAND = 10.525e9
RULES = ZoneRules(100.0, 10.0, 6.0, BAND, stagger_m=0.5, margin_m=0.3)
SQUARE = LineString([(0, 0), (20, 0), (20, 20), (0, 20), (0, 0)])
BEND = LineString([(0, 0), (30, 0), (30, 40)])


def test_a_set_back_is_mitred_runs_the_fences_way_and_starts_near_its_start():
    inside = setback_line(SQUARE, 3.0)
    assert list(inside.coords) == [(3, 3), (17, 3), (17, 17), (3, 17), (3, 3)]
    assert list(setback_line(SQUARE, 3.0, side="left").coords) == list(inside.coords)
    outside = setback_line(SQUARE, 3.0, side="outside")
    assert list(outside.coords) == [(-3, -3), (23, -3), (23, 23), (-3, 23), (-3, -3)]
    assert list(setback_line(SQUARE, 3.0, side="right").coords) == list(outside.coords)
    back = setback_line(SQUARE.reverse(), 3.0)
    assert list(back.coords) == [(3, 3), (3, 17), (17, 17), (17, 3), (3, 3)]
    assert setback_line(SQUARE.reverse(), 3.0, side="left").coords[0] == (-3, -3)
    assert list(setback_line(BEND, 2.0).coords) == [(0, 2), (28, 2), (28, 40)]
    assert list(setback_line(BEND, 2.0, side="right").coords) == [(0, -2), (32, -2), (32, 40)]
    for wrong in ({"setback_m": 0.0}, {"setback_m": 1.0, "side": "above"}):
        with pytest.raises(NumericInputError):
            setback_line(SQUARE, **wrong)
    with pytest.raises(InfeasibleError, match="no single line"):
        setback_line(SQUARE, 10.5)


def test_midway_between_two_fences():
    line = midway_line(LineString([(0, 0), (40, 0)]), LineString([(0, 6), (40, 10)]))
    # halfway to the nearest point of a line that rises by 1 in 10: its start, then the foot of the perpendicular
    foot = (400 - 6) / 101
    assert line.coords[0] == (0.0, 3.0)
    assert line.coords[-1] == pytest.approx(((40 + 10 * foot) / 2, (6 + foot) / 2))
    outer = LineString([(-4, -4), (24, -4), (24, 24), (-4, 24), (-4, -4)])
    between = midway_line(SQUARE, outer)
    assert between.is_closed and Polygon(between).area == pytest.approx(24.0**2, rel=0.01)
    # a corner is cut by a quarter of the step of 1 m
    assert between.hausdorff_distance(box(-2, -2, 22, 22).exterior) < 0.25 * 2**-0.5
    # round a corner of the inner fence, whose nearest point jumps from one side of the outer to the other
    inner = midway_line(LineString([(0, 6), (24, 6), (24, 40)]), BEND)
    assert inner.hausdorff_distance(LineString([(0, 3), (27, 3), (27, 40)])) < 0.3
    with pytest.raises(InfeasibleError, match="touch"):
        midway_line(BEND, LineString([(10, -5), (10, 5)]))
    with pytest.raises(NumericInputError):
        midway_line(BEND, SQUARE)


def test_crests_by_hand():
    s = np.arange(0.0, 201.0, 1.0)

    def hump(at, high):
        return high * np.maximum(1.0 - np.abs(s - at) / 4.0, 0.0)

    # the higher of two within 10 m, one below 0.1 m, one too near the end, one at the limit
    z = hump(60, 0.5) + hump(68, 0.3) + hump(110, 0.09) + hump(15, 0.9) + hump(150, 0.2) + hump(178, 0.15)
    assert crests(s, 0.02 * s + z).tolist() == [60.0, 150.0, 178.0]
    assert crests(s, 0.02 * s + z, rise_m=0.17).tolist() == [60.0, 150.0]
    assert crests(s, 0.0 * s).tolist() == []
    assert crests(s, hump(60, 0.5), window_m=130.0).tolist() == [] and crests(
        s, hump(66, 0.5), window_m=130.0
    ).tolist() == [66]


def test_corners_stations_and_distances_by_hand():
    line = LineString([(0, 0), (10, 0), (20, 1), (20, 30), (10, 30.1)])
    sides = np.hypot([10, 10, 0, 10], [0, 1, 29, 0.1])
    at = np.cumsum(sides)
    assert _corner_chainages(line, 10.0) == pytest.approx([at[1], at[2]])
    assert _corner_chainages(line, 5.0) == pytest.approx(at[:3])
    assert _corner_chainages(SQUARE, 89.0).tolist() == [0, 20, 40, 60]
    assert (
        _corner_chainages(SQUARE.reverse(), 89.0).tolist() == [0, 20, 40, 60]
        and _corner_chainages(SQUARE, 91.0).size == 0
    )
    assert _stations(30.0, np.array([10.0, 10.004]), 6.0, closed=False) == pytest.approx(
        [0, 5, 10, 15, 20, 25, 30], abs=0.01
    )
    assert _stations(30.0, np.array([10.0]), 6.0, closed=True) == pytest.approx([0, 5, 10, 15, 20, 25])
    assert _stations(12.0, np.zeros(0), 6.0, closed=False) == pytest.approx([0, 6, 12])
    assert _to_nearest(np.array([0.0, 4.0, 9.0, 19.0]), np.array([5.0, 10.0]), None).tolist() == [5, 1, 1, 9]
    # round a line of 20 m the first place is 6 m after the last station
    assert _to_nearest(np.array([0.0, 4.0, 9.0, 19.0]), np.array([5.0, 10.0]), 20.0).tolist() == [5, 1, 1, 6]
    assert _to_nearest(np.array([1.0]), np.array([5.0, 19.0]), 20.0).tolist() == [2]


def test_normals_are_mitred_at_corners():
    found = _mitred_normals(SQUARE, np.array([0.0, 10.0, 20.0, 50.0, 60.0]))
    assert found == pytest.approx(np.array([(1, 1), (0, 1), (-1, 1), (0, -1), (1, -1)]), abs=1e-6)
    # half a metre from a corner it is that of the side
    found = _mitred_normals(SQUARE, np.array([0.5, 19.5, 20.5, 79.5]))
    assert found == pytest.approx(np.array([(0, 1), (0, 1), (-1, 0), (1, 0)]), abs=1e-6)
    found = _mitred_normals(BEND, np.array([0.0, 15.0, 30.0, 70.0]))
    assert found == pytest.approx(np.array([(0, 1), (0, 1), (-1, 1), (-1, 0)]), abs=1e-6)
    assert _mitred_normals(translate(BEND, 13.0, -7.0), np.array([0.0, 15.0, 30.0, 70.0])) == pytest.approx(found)
    hairpin = LineString([(0, 0), (10, 0), (0, 0.001)])
    assert np.hypot(*_mitred_normals(hairpin, np.array([10.0]))[0]) < 3.01
    at, left = unit_normals(SQUARE, np.array([0.0, 10.0, 20.0]))
    assert at.tolist() == [[0, 0], [10, 0], [20, 0]]
    assert left == pytest.approx(np.array([(2**-0.5, 2**-0.5), (0, 1), (-(2**-0.5), 2**-0.5)]), abs=1e-6)
    free = free_width(
        BEND, [box(4, 3, 6, 5), LineString([(14, -2), (16, -2)]), Point(25, 1)], [5.0, 15.0, 25.0, 50.0], reach_m=20.0
    )
    assert free.left == pytest.approx([3, 20, 1, 20]) and free.right == pytest.approx([20, 2, 20, 20])
    assert free.total == pytest.approx([23, 22, 21, 40])
    # a short piece is met where it crosses, not at its nearer end
    aslant = free_width(BEND, [LineString([(4.8, 3.2), (5.2, 3.0)])], [5.0], reach_m=20.0)
    assert aslant.left == pytest.approx([3.1]) and aslant.right == pytest.approx([20.0])


def test_candidates_stand_beside_the_line_inside_the_ground():
    line = LineString([(0, 0), (60, 0)])
    region = box(-1, -3, 61, 2.5) - box(29, 0.5, 31, 9)
    made = candidates(
        line, region, step_m=10.0, beside=PostOffsets((0.0, 2.0, -2.0, 4.0)), forced=[25.0], wanted=[42.0]
    )
    stations = [0, 25 / 3, 50 / 3, 25, 25 + 17 / 2, 42, 51, 60]
    assert sorted(set(np.round(made.chainage, 3))) == pytest.approx(stations, abs=1e-3)
    assert made.n_stations == 8 and (np.diff(made.station) >= 0).all()
    assert sorted(set(made.chainage[made.forced].tolist())) == [25.0]
    # round a ring the seam is as near to its end as to its start
    ring = candidates(SQUARE, box(-1, -1, 21, 21), step_m=10.0, forced=[79.995])
    assert set(ring.chainage[ring.forced].tolist()) == {0.0}
    assert ring.chainage.max() == pytest.approx(70.0, abs=0.01)
    assert (made.xy[:, 0] == pytest.approx(made.chainage)) and (made.xy[:, 1] == pytest.approx(made.offset))
    assert set(made.offset.tolist()) == {0.0, 2.0, -2.0}
    assert [made.offset[made.station == 1].tolist()] == [[0.0, -2.0, 2.0]]
    shut = candidates(line, region, step_m=10.0, beside=PostOffsets((0.0, 2.0)), wanted=[30.0])
    assert shut.offset[np.abs(shut.chainage - 30.0) < 1e-6].tolist() == [0.0]
    with pytest.raises(InfeasibleError, match="no clear ground"):
        candidates(line, box(5, -3, 61, 3), step_m=10.0)
    with pytest.raises(InfeasibleError, match="chainage 25"):
        candidates(line, region - box(24, -9, 26, 9) - box(44, -9, 46, 9), step_m=10.0, forced=[25.0, 45.0])
    assert candidates(line, region - box(19, -9, 21, 9), step_m=10.0).n_stations == 6


def test_deep_places_are_offered_near_corners_alone():
    line = LineString([(3, 3), (57, 3), (57, 57), (3, 57), (3, 3)])
    made = candidates(line, box(0, 0, 60, 60), step_m=6.0, beside=PostOffsets((0.0,), (0.0, 5.0), 7.0))
    deep = made.offset == 5.0
    corner = np.min([np.abs(made.chainage - c) for c in (0, 54, 108, 162, 216)], axis=0)
    assert deep.any() and corner[deep].max() <= 7.0 and not deep[corner > 7.0].any()
    at_corner = made.xy[deep & (np.abs(made.chainage - 54.0) < 1e-6)]
    assert at_corner == pytest.approx(np.array([[52.0, 8.0]]))
    # within a bend the parallel is shorter: a place whose own chainage is another one is left out
    assert not (deep & (np.abs(corner - 6.0) < 1e-6)).any() or (made.xy[deep] >= 7.9).all()


def course(line, ground, inward=1.0):
    made = object.__new__(Course)
    for name, value in {"line": line, "ground": ground, "inward": inward}.items():
        object.__setattr__(made, name, value)
    return made


def test_offsets_reach_from_the_fence_to_the_far_edge():
    needs = Needs(RULES, LayoutWeights(), 4.0, 14.0, 6.0, 6.0)
    usual, bends = offsets_for(course(BEND, None), needs)
    # 4 - 0.6 m towards the fence, 14 - 4 - 0.6 m away from it, in steps of (9.4 + 3.4) / 6; 6 + 0.55 + 0.1 - 4 deep
    step = 12.8 / 6
    assert usual == pytest.approx([-step, 0.0, step])
    assert bends == pytest.approx(sorted([-step, 0, step, 2 * step, 3 * step, 4 * step, 2.65, 3.65]))
    turned = offsets_for(course(BEND, None, -1.0), needs)
    assert sorted(turned[0]) == pytest.approx([-o for o in usual[::-1]])
    assert sorted(turned[1]) == pytest.approx([-o for o in bends[::-1]])
    # 6 + 0.55 + 0.1 m deep is 0.65 m beyond a line that runs 6 m off the fence; and a metre more
    assert {0.65, 1.65} <= {round(o, 9) for o in offsets_for(course(BEND, None), replace(needs, setback_m=6.0))[1]}
    tight = offsets_for(course(BEND, None), replace(needs, setback_m=0.5, clear_m=1.0))
    assert tight == ([0.0], [0.0])


def test_a_gate_takes_its_stretch_with_a_margin_over_the_seam_too():
    gate = LineString([(12, -3), (16, -3)])
    assert gate_stretch(course(BEND, None), gate, 2.0) == (10.0, 18.0)
    assert gate_stretch(course(BEND, None), LineString([(1, -3), (4, -3)]), 2.0) == (0.0, 6.0)
    assert gate_stretch(course(BEND, None), LineString([(30, 35), (30, 39)]), 2.0) == (63.0, 70.0)
    assert gate_stretch(course(SQUARE, None), gate, 2.0) == (10.0, 18.0)
    assert gate_stretch(course(SQUARE, None), LineString([(2, -1), (0, -1), (0, 3)]), 1.0) == pytest.approx((76, 3))


def span(start, end, *, held=(False, False)):
    both = np.array([start, end], float)
    return CandidateSpan(both, both.copy(), both[:, 0], np.zeros(2), np.zeros(2), 0.0, 0.0, held)


def test_a_post_that_is_held_leaves_the_whole_move_to_the_other():
    """Which post of a zone is held counts: the one beside the neighbour, not that at its far end."""
    before = span((0, 0), (50, 0))
    for held, shares in (((True, False), (1.0, 0.0)), ((False, True), (0.5, 0.5)), ((False, False), (0.5, 0.5))):
        (_, end), (start, _) = posts([before, span((40, 0), (100, 0), held=held)], RULES, closed=False)
        assert (abs(end[1]), abs(start[1])) == pytest.approx([RULES.stagger_m * share for share in shares])
    for held, shares in (((False, True), (0.0, 1.0)), ((True, False), (0.5, 0.5))):
        (_, end), (start, _) = posts([span((0, 0), (50, 0), held=held), span((40, 0), (100, 0))], RULES, closed=False)
        assert (abs(end[1]), abs(start[1])) == pytest.approx([RULES.stagger_m * share for share in shares])


def test_posts_in_line_stand_half_the_stagger_aside_each():
    zones = [span((0, 0), (50, 0)), span((40, 0), (100, 0))]
    (a, b), (c, d) = posts(zones, RULES, closed=False)
    assert (a.tolist(), d.tolist()) == ([0, 0], [100, 0])
    assert abs(b[1] - c[1]) == pytest.approx(0.5) and b[1] == pytest.approx(-c[1]) and abs(b[1]) == pytest.approx(0.25)
    # neither is nearer to the other's axis than 0.4 of the stagger
    assert min(_off_axis(c, a, b), _off_axis(b, c, d)) >= 0.2
    held = posts([span((0, 0), (50, 0), held=(False, True)), zones[1]], RULES, closed=False)
    assert held[0][1].tolist() == [50, 0] and abs(held[1][0][1]) == pytest.approx(0.5)
    square = [span((0, 0), (50, 0)), span((44, -6), (44, 60))]
    kept = posts(square, RULES, closed=False)
    assert kept[0][1].tolist() == [50, 0] and kept[1][0].tolist() == [44, -6]
    # at a small angle one way of moving apart brings a post into the other's axis: the way that does not is taken
    for turn in (4.0, -4.0):
        far = (45 + 60 * np.cos(np.radians(turn)), 60 * np.sin(np.radians(turn)))
        (a, b), (c, d) = posts([span((0, 0), (50, 0)), span((45, 0), far)], RULES, closed=False)
        assert min(_off_axis(c, a, b), _off_axis(b, c, d)) >= 0.2
        assert np.sign(b[1] - c[1]) == -np.sign(turn)
    ring = posts([span((0, 0), (50, 0)), span((45, 0), (-5, 0))], RULES, closed=True)
    assert not np.allclose(ring[0][0], (0, 0)) and not np.allclose(ring[1][1], (-5, 0))
    assert _off_axis(np.array([7.0, 3.0]), np.array([0.0, 0.0]), np.array([10.0, 0.0])) == 3.0
    assert _off_axis(np.array([0.0, 5.0]), np.array([0.0, 0.0]), np.array([3.0, 4.0])) == pytest.approx(3.0)


def test_a_loop_is_numbered_from_where_its_line_starts():
    zones = [span((70, 0), (110, 0)), span((5, 0), (40, 0)), span((38, 0), (72, 0))]
    assert [z.chainage[0] for z in _in_order(zones, 100.0, closed=True)] == [5, 38, 70]
    assert _in_order(zones, 100.0, closed=False) == zones
    assert [z.chainage[0] for z in _in_order([span((101, 0), (140, 0)), *zones], 100.0, closed=True)] == [
        101,
        70,
        5,
        38,
    ]


def test_unlike_heads_do_least_harm_where_beams_cross_square():
    """A ring of three, two of its corners blunt: margins by distance and pattern, worked out pair by pair."""
    needs = Needs(RULES, LayoutWeights(), 4.0, 14.0, 6.0, 6.0)
    placed = [
        (np.array(a, float), np.array(b, float))
        for a, b in (((0, 0), (60, 0)), ((58, -2), (58, 50)), ((60, 49), (-2, -1)))
    ]
    found = _mixed_margins(placed, needs)
    k = 4 * np.pi * BAND / 299792458.0

    def loss(a, b, a_to, b_to):
        # free space and both Gaussian patterns, 30 dB at most each
        away = np.hypot(*(b - a))
        total = 20 * np.log10(k * max(away, 0.5))
        for at, to, other in ((a, a_to, b), (b, b_to, a)):
            cosine = np.dot(to - at, other - at) / np.hypot(*(to - at)) / max(np.hypot(*(other - at)), 1e-9)
            total += min(12.0412 * (np.degrees(np.arccos(np.clip(cosine, -1, 1))) / 6.0) ** 2, 30.0)
        return total

    for j in range(3):
        (a0, a1), (b0, b1) = placed[j - 1], placed[j]
        assert found[j, 0] == pytest.approx(loss(b0, a1, b1, a0) - loss(b0, b1, b1, b0), abs=0.01)
        assert found[j, 1] == pytest.approx(loss(a1, b0, a0, b1) - loss(a1, a0, a0, a1), abs=0.01)


def test_of_zones_between_the_same_two_nodes_the_cheapest_stands_in_for_all():
    tail, head, cost = np.array([0, 0, 0, 1, 0]), np.array([2, 1, 2, 2, 1]), np.array([5.0, 2.0, 4.0, 1.0, 9.0])
    table = _SpanTable(3, tail, head, cost)
    assert table.tail.tolist() == [0, 0, 1] and table.head.tolist() == [1, 2, 2] and table.cost.tolist() == [2, 4, 1]
    assert table.chosen([0, 1, 2]).tolist() == [1, 2, 3] and table.first.tolist() == [0, 2, 3, 3]


def test_the_list_of_zones_keeps_what_it_is_given():
    edges = Edges(9)
    edges.add(
        *(
            np.array(v)
            for v in ([1, 0, 0], [2, 3, 1], [5.0, 6.0, 7.0], [0.0, 0.5, 0.0], [1.0, 2.0, 3.0], [0.0, 0.0, 4.0])
        )
    )
    edges.add(*(np.array(v) for v in ([2, 2], [4, 3], [8.0, 9.0], [0.0, 0.25], [4.0, 5.0], [0.0, 0.0])))
    assert list(zip(edges.tail.tolist(), edges.head.tolist(), strict=True)) == [(0, 1), (0, 3), (1, 2), (2, 3), (2, 4)]
    assert edges.cost.tolist() == [7.0, 6.0, 5.0, 9.0, 8.0]
    assert [edges.earthwork_m3(k) for k in range(5)] == [3.0, 2.0, 1.0, 5.0, 4.0]
    assert [edges.lack_and_dead_m(k) for k in range(5)] == [(0, 4.0), (0.5, 0), (0, 0), (0.25, 0), (0, 0)]
    edges.hold(2, 3, 1.0)
    assert edges.cost.tolist() == [7.0, np.inf, 5.0, 1.0, np.inf]
    edges.hold(5, 1, 2.0)
    assert edges.cost.tolist() == [np.inf, np.inf, 5.0, 1.0, np.inf, 2.0]
    assert (edges.tail[-1], edges.head[-1], edges.earthwork_m3(5), edges.lack_and_dead_m(5)) == (5, 1, 0.0, (0.0, 0.0))
