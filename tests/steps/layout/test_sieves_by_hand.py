"""Which pairs of places a zone may join, where posts are offered inside bends, and how a look-up is refined. By hand.

No beam is solved. Red when a beam that fits is sifted out, one is kept that stands for too much of the line, or a
layout that does not settle is given up before the look-up is as fine as it gets.
"""

from types import SimpleNamespace

import numpy as np
import pytest
import shapely
from shapely import LineString, box

from geotools.errors import InfeasibleError, NumericInputError
from geotools.site.obstacles import KINDS, Obstacle
from geotools.steps.layout import zoning
from geotools.steps.layout.candidate_nodes import Candidates
from geotools.steps.layout.checks import EndDetection, ExaminedStrip, LayoutLimits, check_zone
from geotools.steps.layout.edges import LayoutWeights, ZoneRules, _lengths, possible_zones
from geotools.steps.layout.lines import PostOffsets, _mitred_normals, _start_near, _to_nearest, candidates
from geotools.steps.layout.width import beam_half_width, beam_outline, narrow_stretches

BAND = 10.525e9
RULES = ZoneRules(60.0, 5.0, 0.0, BAND, stagger_m=0.0)
FREE = LayoutWeights(zone=0.0, short_zone=0.0, off_line_m=1.0, uneven=0.0)
EVERYWHERE = box(-900, -900, 900, 900)


def far(x, y):
    return np.full(np.broadcast(x, y).shape, 900.0)


def nodes_of(xy, chainage, offset=None):
    n = len(chainage)
    aside = np.zeros(n) if offset is None else np.array(offset, float)
    return Candidates(np.array(xy, float), np.array(chainage, float), aside, np.arange(n), np.zeros(n, dtype=bool))


def joined(nodes, line, rules=RULES, clear=far, prices=FREE):
    edges = possible_zones(nodes, line, rules, prices, clear=clear)
    pairs = zip(edges.tail.tolist(), edges.head.tolist(), strict=True)
    return dict(zip(pairs, edges.cost.tolist(), strict=True))


@pytest.mark.parametrize(
    ("inner_deg", "leg", "cut_off"),
    # the line is 2 legs long, the beam 2 legs sin(half the angle): at a right angle 1.41 times, at 80 degrees 1.56
    [
        (180, 25, True),
        (90, 25, True),
        (85, 25, True),
        (80, 25, False),
        (60, 25, False),
        (60, 14.9, True),
        (60, 15.1, False),
    ],
)
def test_a_right_angle_may_be_cut_off_and_sharper_corners_by_beams_of_half_the_longest_alone(inner_deg, leg, cut_off):
    turn = np.radians(180.0 - inner_deg)
    end = leg * (1 + np.cos(turn)), leg * np.sin(turn)
    line = LineString([(0, 0), (leg, 0), end])
    assert ((0, 1) in joined(nodes_of([(0, 0), end], [0.0, 2.0 * leg]), line)) == cut_off


def test_no_zone_stands_for_half_a_ring_or_more():
    """A ring of 30 m by 3 m: from one end to the other and back two straight beams would enclose nothing."""
    ring = LineString([(0, 0), (30, 0), (30, 3), (0, 3), (0, 0)])
    nodes = nodes_of([(0, 0), (29, 0), (30, 1.5), (30, 3), (1, 3)], [0.0, 29.0, 31.5, 33.0, 62.0])
    spans = {(a, b): (nodes.chainage[b] - nodes.chainage[a]) % 66.0 for a, b in joined(nodes, ring)}
    assert (0, 2) in spans and (0, 3) not in spans and (1, 4) not in spans
    assert max(spans.values()) < 33.0


@pytest.mark.parametrize(("spare", "fits"), [(0.02, True), (-0.02, False)])
def test_ground_a_little_wider_than_a_beam_needs_is_wide_enough(spare, fits):
    """Half width of the first zone at mid-span, half the root of wavelength times length, and the margin."""
    half = 0.5 * np.sqrt(299792458.0 / BAND * 50.0) + 0.3
    line = LineString([(0, 0), (50, 0)])

    def clear(x, y):
        return np.full(np.broadcast(x, y).shape, half + spare)

    assert bool(joined(nodes_of([(0, 0), (50, 0)], [0.0, 50.0]), line, clear=clear)) == fits


def test_a_zone_costs_the_square_of_what_it_lies_off_the_line_on_either_side():
    """From a to b off the line over a length: that length times (a2 + ab + b2) / 3.

    Added up in trapezia of up to 6 m, which give too much by a twelfth of their square times the change of slope.
    """
    line = LineString([(0, 0), (50, 0)])
    for a, b in ((3.0, 3.0), (0.0, 3.0), (-2.0, 3.0), (-3.0, 0.0)):
        nodes = nodes_of([(0, a), (50, b)], [0.0, 50.0], (a, b))
        wanted = np.hypot(50.0, b - a) * (a * a + a * b + b * b) / 3
        more = 6.0**2 / 12 * 2 * abs(b - a) / 50 * (abs(b) + abs(a))
        assert wanted * 0.999 <= joined(nodes, line)[0, 1] <= wanted * 1.001 + more


def test_every_place_stands_for_half_the_way_to_its_neighbours():
    assert _lengths(np.array([[0.0, 1.0, 3.0, 6.0], [0.0, 0.0, 4.0, 4.0]])).tolist() == [
        [0.5, 1.5, 2.5, 1.5],
        [0.0, 2.0, 2.0, 0.0],
    ]


def test_places_inside_a_ring_beyond_its_middle_belong_to_its_other_side():
    """A ring of 10 m radius: 3 m inwards is there, 15 m inwards lies 5 m from the side across."""
    turn = np.arange(71) * 2 * np.pi / 71
    ring = LineString(shapely.LinearRing(np.column_stack([10 * np.cos(turn), 10 * np.sin(turn)])))
    found = candidates(ring, EVERYWHERE, step_m=7.0, beside=PostOffsets((0.0, 3.0, 15.0)))
    away = {offset: int((found.offset == offset).sum()) for offset in (0.0, 3.0, 15.0)}
    assert away[0.0] == away[3.0] == 9
    # but where the line begins there is a corner, however blunt
    assert away[15.0] <= 1


def test_a_place_that_would_run_backwards_round_a_bend_is_left_out():
    """A metre before a right angle 3 m inwards is a metre off the other leg, 3 m after the corner: four metres on."""
    line = LineString([(-40, 0), (0, 0), (0, 40)])
    found = candidates(line, EVERYWHERE, step_m=10.0, beside=PostOffsets((0.0, 3.0)), wanted=(20.0, 36.9, 39.0))
    offered = {round(float(chainage), 3): set() for chainage in found.chainage}
    for chainage, offset in zip(found.chainage, found.offset, strict=True):
        offered[round(float(chainage), 3)].add(float(offset))
    assert offered[39.0] == {0.0} and offered[20.0] == {0.0, 3.0}
    # at the corner itself the parallel's own corner, and 3.1 m before it the leg itself is the nearest
    assert offered[40.0] == {0.0, 3.0} and offered[36.9] == {0.0, 3.0}


def test_a_forced_junction_is_at_the_station_nearest_to_it():
    line = LineString([(0, 0), (30, 0)])
    for at in (0.0, 0.2, 12.0, 30.0):
        found = candidates(line, EVERYWHERE, step_m=0.5, forced=(at,))
        assert found.chainage[found.forced] == pytest.approx([at])


@pytest.mark.parametrize("turn_deg", [0, 30, 90, 120, 141.05, 141.07, 150, 170, 179])
def test_parallels_are_mitred_up_to_three_times_their_distance(turn_deg):
    """A mitre of 1 / cos(half the turn) reaches three at 141.06 degrees, and falls beyond, to none at a hairpin."""
    turn = np.radians(turn_deg)
    line = LineString([(-30, 0), (0, 0), (30 * np.cos(turn), 30 * np.sin(turn))])
    (corner,) = _mitred_normals(line, np.array([30.0]))
    # limited: both normals together, 2 cos(half), nine halves times
    wanted = min(1.0 / np.cos(turn / 2), 9.0 * np.cos(turn / 2))
    assert np.hypot(*corner) == pytest.approx(wanted, rel=1e-5) and wanted <= 3.0
    assert corner / np.hypot(*corner) == pytest.approx([-np.sin(turn / 2), np.cos(turn / 2)], abs=1e-5)


def test_an_outline_touches_the_zone_it_holds_and_takes_points_in_space():
    """Its sides touch the ellipse of the first zone, at even steps round the circle that it is stretched from."""
    outline = beam_outline((0, 0), (60, 0), BAND, points=24)
    turn = np.pi * np.arange(25) / 24
    widest = 0.5 * np.sqrt(299792458.0 / BAND * 60.0)
    curve = shapely.points(30.0 * (1 - np.cos(turn)), widest * np.sin(turn))
    # the ends of the outline are cut square, so that the first and last lie on it within the width of a step
    assert shapely.distance(outline.exterior, curve[1:-1]) == pytest.approx(np.zeros(23), abs=1e-6)
    assert shapely.dwithin(outline, curve, 0.05).all()
    raised = beam_outline((0, 0, 101.0), (60, 0, 99.0), BAND, points=24)
    assert raised.equals(outline)


def test_a_distance_below_zero_from_either_head_is_refused_and_any_frequency_is_taken():
    for given in ((-0.5, 1.0), (1.0, -0.5), ([1.0, 2.0], [1.0, -1e-6])):
        with pytest.raises(NumericInputError, match="below zero"):
            beam_half_width(*given, BAND)
    with pytest.raises(NumericInputError, match="frequency"):
        beam_half_width(1.0, 1.0, 0.0)
    assert float(beam_half_width(1.0, 1.0, 0.5)) == pytest.approx(np.sqrt(299792458.0 / 0.5 / 2.0))


@pytest.mark.parametrize(
    ("first", "cells"),
    [(1.0, [1.0, 0.5, 0.25]), (0.5, [0.5, 0.25]), (0.3, [0.3]), (2.5, [2.5, 1.25, 0.625, 0.3125, 0.15625])],
)
def test_a_layout_that_does_not_settle_is_tried_with_ever_finer_look_ups_to_a_third_of_a_metre(
    monkeypatch, first, cells
):
    line = LineString([(0, 0), (50, 0)])
    nodes = nodes_of([(0, 0), (50, 0)], [0.0, 50.0])
    asked = []

    def grid(region, spine, reach, *, cell_m):
        asked.append(cell_m)
        return far

    monkeypatch.setattr(zoning, "clearance_grid", grid)
    monkeypatch.setattr(zoning, "_exact_zone", lambda *given, **named: None)
    monkeypatch.setattr(zoning, "_solve", lambda nodes, edges, closed: SimpleNamespace(edges=np.array([0])))
    with pytest.raises(InfeasibleError, match="did not settle"):
        zoning.choose_zones(nodes, line, EVERYWHERE, RULES, FREE, cell_m=first)
    assert asked == pytest.approx(cells)


def test_a_ring_breaks_off_where_no_zone_runs_over_it_whatever_else_runs_over_its_seam():
    """Five places round a square of 12.5 m; zones over the first side twice, one of them over the seam."""
    ring = LineString([(0, 0), (12.5, 0), (12.5, 12.5), (0, 12.5), (0, 0)])
    xy = shapely.get_coordinates(shapely.line_interpolate_point(ring, np.arange(0.0, 50.0, 10.0)))
    nodes = nodes_of(xy, np.arange(0.0, 50.0, 10.0))

    def where(*zones):
        tail, head = np.array(zones).T
        edges = SimpleNamespace(cost=np.ones(len(zones)), tail=tail, head=head)
        return zoning._broken(nodes, edges, ring, RULES).where

    assert where((0, 1), (3, 1), (1, 2)).startswith("chainage 20.0 to 30.0 m")
    assert where((0, 1), (1, 3)).startswith("chainage 30.0 to 40.0 m")
    assert where((0, 1), (1, 4)).startswith("chainage 40.0 to 0.0 m")
    assert where((0, 2), (2, 4), (4, 1)).startswith("between stations")


def test_the_worst_place_of_a_narrow_stretch_is_where_most_is_lacking_wherever_it_lies():
    at = np.arange(0.0, 10.0)
    width = np.array([9, 4.0, 3.0, 2.0, 3.5, 9, 9, 4.5, 4.0, 9])
    first, second = narrow_stretches(at, width, 5.0)
    assert (first.worst_at, first.width, first.needed) == (3.0, 2.0, 5.0)
    assert (second.worst_at, second.width) == (8.0, 4.0)
    # where less is needed less is lacking
    needed = np.where(at == 3.0, 2.1, 5.0)
    assert narrow_stretches(at, width, needed)[0].worst_at == 2.0


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_post_is_kept_off_ground_that_beams_may_cross_and_posts_may_not_stand_on(kind):
    """What neither may use is no ground at all, and is found as that."""
    limits = LayoutLimits(
        100.0, 10.0, 5.0, 0.5, 1.0, 0.3, 2.0, BAND, obstacles=(Obstacle("it", box(-1, 1, 1, 9), kind),)
    )
    ends = EndDetection({}, 4.0)
    zone = ExaminedStrip("Z", np.zeros(2), np.array([60.0, 0.0]), ("A",), ("B",), True, (), (ends, ends))
    found = [one.rule for one in check_zone(zone, EVERYWHERE, limits)]
    assert found == (["post where none may stand"] if kind in ("road", "drain", "no posts") else [])


@pytest.mark.parametrize("corner", range(4))
def test_a_ring_is_begun_at_its_corner_nearest_to_a_place(corner):
    xy = np.array([(0.0, 0.0), (30.0, 2.0), (28.0, 17.0), (3.0, 20.0)])
    found = shapely.get_coordinates(_start_near(LineString([*xy, xy[0]]), xy[corner] + 1.0))
    assert found.tolist() == [*np.roll(xy, -corner, axis=0).tolist(), xy[corner].tolist()]


def test_round_a_ring_the_last_place_may_be_nearest_to_its_start_and_the_first_to_its_end():
    """Of more than two places round a ring of 20 m."""
    assert _to_nearest(np.array([1.0, 17.0]), np.array([5.0, 12.0, 19.0]), 20.0).tolist() == [2, 2]
    assert _to_nearest(np.array([1.0, 19.5]), np.array([2.5, 7.0, 12.0]), 20.0).tolist() == [1.5, 3]
