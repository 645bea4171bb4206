"""Zones in a corridor: against brute force over all chains with the exact outline, and hand geometry at corners."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, Polygon, box

from geotools.errors import InfeasibleError
from geotools.steps.layout import zoning
from geotools.steps.layout.edges import LayoutWeights, ZoneRules, possible_zones
from geotools.steps.layout.lines import PostOffsets, candidates, crests, midway_line, setback_line
from geotools.steps.layout.width import beam_outline
from geotools.steps.layout.zoning import choose_zones
from geotools.terrain.band_grid import clearance_grid

X_BAND = 10.525e9
RULES = ZoneRules(longest_m=60, shortest_m=8, extension_m=5, frequency_hz=X_BAND, stagger_m=0.0)
PRICES = LayoutWeights(uneven=1_000.0)


def square(side: float, depth: float = 14.0):
    fence = LineString([(0, 0), (side, 0), (side, side), (0, side), (0, 0)])
    region = Polygon(fence).buffer(-0.3, join_style="mitre") - box(depth, depth, side - depth, side - depth)
    return fence, region


def fits(region, p, q, rules, *past, slack=0.0):
    start, end = past
    u = (q - p) / np.hypot(*(q - p))
    outline = beam_outline(p - start * u, q + end * u, rules.frequency_hz, margin_m=rules.margin_m)
    return region.buffer(slack).covers(outline)


def test_possible_zones_are_those_that_the_exact_outline_allows():
    fence, region = square(60)
    line = setback_line(fence, 3)
    nodes = candidates(line, region, step_m=9, beside=PostOffsets((0, 3, 6)))
    clear = clearance_grid(region, shapely.get_coordinates(shapely.segmentize(line, 4)), 40)
    edges = possible_zones(nodes, line, RULES, PRICES, clear=clear)
    found = set(zip(edges.tail.tolist(), edges.head.tolist(), strict=True))
    surely, perhaps = set(), set()
    for a, b in itertools.permutations(range(nodes.station.size), 2):
        span = (nodes.chainage[b] - nodes.chainage[a]) % line.length
        p, q = nodes.xy[a], nodes.xy[b]
        total = np.hypot(*(q - p)) + 10
        if not (0 < span <= 1.3 * RULES.longest_m and 8 <= total <= 60):
            continue
        if fits(region, p, q, RULES, 0, 0, slack=0.15):
            perhaps.add((a, b))
        # the whole run past both junctions, stagger too, well inside
        if fits(region, p, q, RULES, 5, 5, slack=-0.6):
            surely.add((a, b))
    assert len(surely) > 50
    assert surely <= found <= perhaps


def square_off(line, p, q):
    """Square of the distance from the line, added up from junction to junction."""
    places = p + (np.arange(400) + 0.5)[:, None] / 400 * (q - p)
    return np.hypot(*(q - p)) * np.mean(shapely.distance(line, shapely.points(places)) ** 2)


def brute_force(nodes, line, region, rules, prices):
    """Least cost over all chains of exactly fitting beams, costs from the definition, ground flat."""
    closed = line.is_closed
    n = nodes.station.size
    price = {}
    for a, b in itertools.permutations(range(n), 2):
        span = nodes.chainage[b] - nodes.chainage[a]
        span = span % line.length if closed else span
        if not 0 < span <= 1.3 * rules.longest_m:
            continue
        p, q = nodes.xy[a], nodes.xy[b]
        total = np.hypot(*(q - p)) + 2 * rules.extension_m
        if rules.shortest_m <= total <= rules.longest_m and fits(region, p, q, rules, 5, 5):
            price[a, b] = (
                prices.zone + prices.off_line_m * square_off(line, p, q) + prices.uneven * (span / rules.longest_m) ** 2
            )
    best = np.inf

    def go(node, start, gone, spent):
        nonlocal best
        if spent >= best:
            return
        if gone >= line.length - 1e-6:
            if gone < line.length + 1e-6 and node == start:
                best = spent
            return
        for following in range(n):
            if (node, following) in price:
                span = (nodes.chainage[following] - nodes.chainage[node]) % line.length
                go(following, start, gone + span, spent + price[node, following])

    for start in range(n):
        go(start, start, 0.0, 0.0)
    return best


def cost_of(zones, line):
    """What chosen zones cost by the definition, ground flat."""
    return sum(
        PRICES.zone
        + PRICES.off_line_m * square_off(line, *zone.junctions)
        + PRICES.uneven * ((zone.chainage[1] - zone.chainage[0]) % line.length / RULES.longest_m) ** 2
        for zone in zones
    )


@pytest.mark.parametrize("side", [52.0, 57.0])
def test_the_choice_is_the_cheapest_of_all_chains(side):
    fence, region = square(side)
    line = setback_line(fence, 3)
    nodes = candidates(line, region, step_m=17, beside=PostOffsets((0, 3, 6)))
    expected = brute_force(nodes, line, region, RULES, PRICES)
    zones = choose_zones(nodes, line, region, RULES, PRICES, cell_m=0.5)
    cost = cost_of(zones, line)
    # distances from the line are taken at every third place of a beam: one per mille at most here
    assert expected < np.inf
    assert all(np.all(zone.room == zone.wanted) for zone in zones)
    assert cost == pytest.approx(expected, rel=1e-3)


def test_no_post_comes_to_stand_where_the_ground_has_no_level():
    """Holes narrower than the look-up sees, where posts stood or were moved aside to."""
    fence, region = square(60)
    line = setback_line(fence, 3)
    nodes = candidates(line, region, step_m=4, beside=PostOffsets((0, 1, 2)))
    rules = replace(RULES, stagger_m=1.0)

    def standing(zones):
        """Places that posts of zones may come to stand at."""
        found = []
        for zone in zones:
            u, v = np.diff(zone.ends, axis=0)[0] / np.hypot(*np.diff(zone.ends, axis=0)[0])
            found += [shapely.Point(end + side * np.array([-v, u])) for end in zone.ends for side in (-0.5, 0.0, 0.5)]
        return found

    free = standing(choose_zones(nodes, line, region, rules, PRICES))
    unknown = shapely.union_all([place.buffer(0.2) for place in free[::2]])
    known = replace(rules, known=lambda x, y: np.where(shapely.contains_xy(unknown, x, y), np.nan, 0.0))
    assert not any(place.within(unknown) for place in standing(choose_zones(nodes, line, region, known, PRICES)))


@pytest.mark.parametrize("side", [40.0, 45.0, 60.0])
def test_a_small_yard_is_gone_round_not_crossed(side):
    """Allowed zones are longer than a side, and the clear ground is deep: a beam there and back passes for no ring."""
    fence = LineString([(0, 0), (side, 0), (side, side), (0, side), (0, 0)])
    region = Polygon(fence).buffer(-0.3, join_style="mitre") - box(14, 14, side - 14, side - 14)
    line = setback_line(fence, 3)
    nodes = candidates(line, region, step_m=5, beside=PostOffsets((0, 2)))
    rules = replace(RULES, longest_m=100.0, extension_m=2.5)
    zones = choose_zones(nodes, line, region, rules, PRICES)
    # what the beams enclose is a good part of what the line does; there and back it is nothing
    corners = Polygon([zone.junctions[0] for zone in zones])
    assert len(zones) > 2 and corners.area > 0.3 * Polygon(line).area


def test_corner_heads_stand_past_the_crossing():
    fence, region = square(60)
    line = setback_line(fence, 3)
    nodes = candidates(line, region, step_m=10, beside=PostOffsets((0, 3)))
    zones = choose_zones(nodes, line, region, RULES, PRICES)
    for zone, following in itertools.pairwise([*zones, zones[0]]):
        assert np.allclose(zone.junctions[1], following.junctions[0])
        beam, other = LineString(zone.ends), LineString(following.ends)
        # in line they overlap by both runs, at a corner they cross
        assert beam.distance(other) < 1e-6
        assert np.hypot(*(zone.ends[1] - zone.junctions[1])) == pytest.approx(5, abs=0.06)
        assert np.hypot(*(following.ends[0] - zone.junctions[1])) == pytest.approx(5, abs=0.06)


def test_no_room_past_a_corner_is_measured_not_hidden():
    fence, region = square(60, depth=5)
    line = setback_line(fence, 2.5)
    nodes = candidates(line, region, step_m=10)
    zones = choose_zones(nodes, line, region, RULES, PRICES)
    corner = [k for zone in zones for k in range(2) if zone.room[k] < zone.wanted[k] - 0.1]
    assert len(corner) == 8
    # the corner of the line is 2.5 m from the fence, the ground ends 0.3 m before it and the margin takes 0.3 m
    assert min(zone.room.min() for zone in zones) == pytest.approx(2.5 - 0.3, abs=0.1)


def test_gate_has_its_own_zone():
    line = LineString([(0, 0), (150, 0)])
    region = box(-10, -4, 160, 4)
    nodes = candidates(line, region, step_m=7, forced=[60, 75])
    zones = choose_zones(nodes, line, region, RULES, PRICES)
    assert any(np.allclose(zone.chainage, [60, 75]) for zone in zones)


def test_split_at_a_crest_when_that_is_cheaper():
    line = LineString([(0, 0), (80, 0)])
    region = box(-10, -4, 90, 4)
    rules = ZoneRules(longest_m=100, shortest_m=8, extension_m=5, frequency_hz=X_BAND)

    def ridge(height):
        return lambda x, y: height * np.clip(1 - np.abs(x - 46) / 46, 0, None)

    profile = np.arange(0.0, 81.0)
    top = crests(profile, ridge(3.0)(profile, 0 * profile))
    assert top == pytest.approx([46])
    nodes = candidates(line, region, step_m=8, wanted=top)
    flat = choose_zones(nodes, line, region, rules, PRICES, ground=ridge(0.1))
    steep = choose_zones(nodes, line, region, rules, PRICES, ground=ridge(3.0))
    assert len(flat) == 1
    assert len(steep) == 2
    # the triangle between its chord and itself, less 0.15 m, at 3 m width: dearer than a zone at 60 a cubic metre
    assert steep[0].chainage[1] == pytest.approx(46, abs=5)


def test_cutting_a_low_crest_is_cheaper_than_a_zone():
    line = LineString([(0, 0), (80, 0)])
    rules = ZoneRules(longest_m=100, shortest_m=8, extension_m=5, frequency_hz=X_BAND)
    nodes = candidates(line, box(-10, -4, 90, 4), step_m=8)
    zones = choose_zones(
        nodes, line, box(-10, -4, 90, 4), rules, PRICES, ground=lambda x, y: np.where(np.abs(x - 40) < 5, 0.45, 0.0)
    )
    assert len(zones) == 1
    # 10 m x (0.45 - 0.15) m x 3 m by hand; the samples stand 2 m apart, so the ends of the step are blurred by as much
    assert zones[0].earthwork_m3 == pytest.approx(9.0, abs=1.9)


def test_ground_left_blind_costs_what_a_metre_of_it_is_priced_at():
    """A dip too deep to fill, 10 m long by hand; the samples stand 2 m apart, so its ends are blurred by as much."""
    line = LineString([(0, 0), (40, 0)])
    region = box(-10, -4, 50, 4)
    nodes = candidates(line, region, step_m=40)
    rules = ZoneRules(longest_m=60, shortest_m=8, extension_m=5, frequency_hz=X_BAND, stagger_m=0.0, most_lift_m=0.3)
    spine = shapely.get_coordinates(shapely.segmentize(line, 4.0))
    clear = clearance_grid(region, spine, 30.0, cell_m=0.5)

    def cost(depth):
        def ground(x, y):
            return np.where(np.abs(x - 20) < 5, -depth, 0.0)

        edges = possible_zones(nodes, line, rules, PRICES, clear=clear, ground=ground)
        straight = np.flatnonzero(np.abs(nodes.xy[edges.tail] - nodes.xy[edges.head])[:, 1] < 1e-6)
        return float(edges.cost[straight[0]]), edges.lack_and_dead_m(int(straight[0]))[1]

    (level, none), (blind, dead_m) = cost(0.0), cost(1.0)
    assert none == 0.0 and dead_m == pytest.approx(10.0, abs=2.0)
    assert blind - level == pytest.approx(PRICES.dead_ground_m * 10.0, abs=PRICES.dead_ground_m * 2.0)


def test_nowhere_to_go_names_the_place():
    line = LineString([(0, 0), (150, 0)])
    region = box(-10, -4, 160, 4) - box(70, -5, 75, 0.2)
    nodes = candidates(line, region, step_m=7)
    with pytest.raises(InfeasibleError, match=r"chainage (6|7)"):
        choose_zones(nodes, line, region, RULES, PRICES)


def thin(a, b):
    """What a keep-out drawn as a line takes away: far narrower than the cells of the look-up."""
    return LineString([a, b]).buffer(0.05, cap_style="flat")


@pytest.fixture
def searches(monkeypatch):
    """Grows by one with every search for the cheapest chain."""
    made, solve = [], zoning._solve
    monkeypatch.setattr(zoning, "_solve", lambda *a, **k: made.append(1) or solve(*a, **k))
    return made


@pytest.mark.parametrize("share", [1.0, 0.0])
def test_a_cut_that_the_look_up_does_not_see_is_refused_after_few_searches(searches, share):
    """Beams are proven one by one; what stops one stops all others across it, so that they need not be chosen first.

    Where no beam of full width fits, one without width is tried.
    """
    fence, region = square(100, depth=12.0)
    # two cuts across the strip: between them it is cut off from the rest
    region = region - thin((30, -1), (30, 13)) - thin((70, -1), (70, 13))
    line = setback_line(fence, 3)
    nodes = candidates(line, region, step_m=4, beside=PostOffsets((-2, -1, 0, 1, 2, 3, 4, 5, 6)))
    rules = replace(RULES, fresnel_zones=share * RULES.fresnel_zones, margin_m=share * RULES.margin_m)
    with pytest.raises(InfeasibleError, match="no straight beam"):
        choose_zones(nodes, line, region, rules, PRICES)
    assert len(searches) <= 25


def test_a_wall_that_beams_end_before_is_priced_after_few_searches(searches):
    """What it takes of one beam's run past its junction, it takes of all that end there; beams without width."""
    fence, region = square(60, depth=9.0)
    # it leaves a way of 4 m beside the fence, but no room to run on past the corner
    region = region - thin((25.7, -4), (4.6, 10.5))
    line = setback_line(fence, 4)
    nodes = candidates(line, region, step_m=4, beside=PostOffsets((-3, -2, -1, 0, 1, 2, 3)))
    rules = replace(RULES, fresnel_zones=0.0, margin_m=0.0)
    zones = choose_zones(nodes, line, region, rules, PRICES)
    assert len(searches) <= 25
    # no post of these is held or moved aside: the beams run from end to end
    assert all(region.buffer(0.001).covers(LineString(zone.ends)) for zone in zones)


def test_beams_go_past_a_cut_that_leaves_them_room():
    """The choice beside a thin wall is still the cheapest of all chains."""
    fence, region = square(52.0)
    region = region - thin((17, -1), (17, 5.5))
    line = setback_line(fence, 3)
    nodes = candidates(line, region, step_m=17, beside=PostOffsets((0, 3, 6)))
    expected = brute_force(nodes, line, region, RULES, PRICES)
    zones = choose_zones(nodes, line, region, RULES, PRICES, cell_m=0.5)
    cost = cost_of(zones, line)
    free = brute_force(nodes, line, square(52.0)[1], RULES, PRICES)
    # the wall is in the way of what would be chosen without it
    assert free < expected < np.inf
    assert all(fits(region, *zone.junctions, RULES, *zone.room, slack=0.001) for zone in zones)
    assert cost == pytest.approx(expected, rel=1e-3)


def test_a_locked_zone_across_a_cut_stays():
    """What is locked stands as it does; the checks say what is wrong with it."""
    region = box(-10, -4, 160, 4) - thin((40, -5), (40, 5))
    line = LineString([(0, 0), (100, 0)])
    nodes = candidates(line, region, step_m=10, beside=PostOffsets((0,)))
    at = {round(float(x)): k for k, x in enumerate(nodes.chainage)}
    span = at[max(x for x in at if x < 35)], at[min(x for x in at if x > 45)]
    held = replace(nodes.held, spans=frozenset({span}))
    free = replace(PRICES, zone=1.0)
    zones = choose_zones(replace(nodes, held=held), line, region, RULES, free)
    assert any(tuple(zone.chainage) == tuple(nodes.chainage[list(span)]) for zone in zones)


def test_midway_between_fences_that_open():
    line = midway_line(LineString([(0, 0), (100, 0)]), LineString([(0, 4), (100, 8)]))
    assert len(line.coords) == 2
    assert line.coords[0] == pytest.approx((0, 2), abs=0.2)
    assert line.coords[-1][1] == pytest.approx(4, abs=0.2)


def test_midway_of_an_l_shape_is_mitred():
    outer = LineString([(0, 0), (80, 0), (80, 40), (40, 40), (40, 80), (0, 80), (0, 0)])
    inner = LineString(Polygon(outer).buffer(-6, join_style="mitre").exterior)
    line = midway_line(outer, inner)
    half = Polygon(outer).buffer(-3, join_style="mitre")
    assert line.hausdorff_distance(LineString(half.exterior)) < 1.3
    assert abs(Polygon(line).area - half.area) / half.area < 0.01


def test_set_back_that_splits_the_ground_is_refused():
    hourglass = LineString(
        [
            (0, 0),
            (40, 0),
            (40, 20),
            (22, 20),
            (22, 30),
            (40, 30),
            (40, 50),
            (0, 50),
            (0, 30),
            (18, 30),
            (18, 20),
            (0, 20),
            (0, 0),
        ]
    )
    with pytest.raises(InfeasibleError, match="pieces"):
        setback_line(hourglass, 3)


def test_no_post_where_the_ground_is_not_known():
    line = LineString([(0, 0), (150, 0)])
    nodes = candidates(line, box(-10, -4, 160, 4), step_m=5)

    def ground(x, y):
        return np.where((x > 45) & (x < 62), np.nan, 0.0)

    zones = choose_zones(nodes, line, box(-10, -4, 160, 4), RULES, PRICES, ground=ground)
    posts = np.array([zone.ends[:, 0] for zone in zones]).ravel()
    assert not np.any((posts > 45) & (posts < 62))
