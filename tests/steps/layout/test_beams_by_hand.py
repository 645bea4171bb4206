"""Possible zones, their measures and prices, and the exact room past a junction: small cases worked by hand.

Red when a beam is let through blocked ground, a price is added with the wrong sign or size, a dip or a crest is taken
for the other, or a beam is cut shorter or longer than the ground allows.
"""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import shapely
from shapely import LineString, box
from shapely.affinity import rotate

from geotools.errors import InfeasibleError
from geotools.steps.layout.candidate_nodes import Candidates, HeldNodes, HeldPost
from geotools.steps.layout.edgelist import Edges
from geotools.steps.layout.edges import LayoutWeights, ZoneRules, _followers, _Judge, _pairs, possible_zones, runs_past
from geotools.steps.layout.off_line import off_line
from geotools.steps.layout.width import beam_half_width
from geotools.steps.layout.zoning import _broken, _exact_room, _exact_zone

BAND = 10.525e9
RULES = ZoneRules(100.0, 10.0, 6.0, BAND, wanted_m=50.0, stagger_m=0.4, margin_m=0.3)
PRICES = LayoutWeights(
    zone=1000.0, short_zone=300.0, earthwork_m3=7.0, dead_ground_m=11.0, short_m=13.0, off_line_m=0.25, uneven=0.0
)


def far(x, y):
    return np.full(np.shape(x), 50.0)


def nodes_on(stations, chainage, *, forced=(), offset=0.0):
    s = np.asarray(chainage, float)
    station = np.asarray(stations, np.intp)
    return Candidates(np.c_[s, np.full(s.size, offset)], s, np.full(s.size, offset), station, np.isin(station, forced))


def measured(judge, p, q, past=(6.0, 6.0), stretch=None):
    p, q = np.array([p], float), np.array([q], float)
    length = np.hypot(*(q - p).T)
    both = np.array([past[0]]), np.array([past[1]])
    found = judge.measure(p, q, both, length if stretch is None else np.array([stretch]), judge.spots(length))
    return [part[0] for part in found]


def test_places_looked_at_are_close_and_hold_both_ends_and_junctions():
    judge = _Judge(RULES, PRICES, far, None)
    length = np.array([31.0, 44.0])
    past = np.array([6.0, 0.0]), np.array([2.0, 6.0])
    spots = judge.spots(length)
    along = judge.positions(length, past, spots)
    assert along.shape == (2, sum(spots))
    for row in range(2):
        a, b = past[0][row], past[0][row] + length[row]
        total = b + past[1][row]
        at, gap = along[row], np.diff(along[row])
        assert at[0] == pytest.approx(0.0) and at[-1] == pytest.approx(total) and gap.min() >= -1e-12
        assert np.abs(at - a).min() < 1e-9 and np.abs(at - b).min() < 1e-9
        outside = (at[1:] <= a + 1e-9) | (at[:-1] >= b - 1e-9)
        assert gap[outside].max() <= 0.75 + 1e-9 and gap.max() <= 2.2


def test_an_open_zone_costs_its_stacks_and_what_it_lies_off_the_line():
    judge = _Judge(RULES, PRICES, far, None)
    possible, cost, short, earth, dead = measured(judge, (0, 0), (40, 0))
    assert possible and cost == pytest.approx(1000.0) and (short, earth, dead) == (0.0, 0.0, 0.0)
    # 30 + 6 + 6 is shorter than wanted; 38 + 12 is not
    assert measured(judge, (0, 0), (30, 0))[1] == pytest.approx(1300.0)
    assert measured(judge, (0, 0), (38, 0))[1] == pytest.approx(1000.0)
    # 2 m beside the line all the way; from 0 to 6 m off it: the mean of the squares is 12
    judge.off_line = off_line(LineString([(2, -50), (2, 90)]), 30.0)
    assert measured(judge, (0, 0), (0, 40))[1] == pytest.approx(1000.0 + 0.25 * 4.0 * 40.0)
    leaning = measured(judge, (2, 0), (8, np.sqrt(40**2 - 6**2)))[1]
    assert leaning == pytest.approx(1000.0 + 0.25 * 12.0 * 40.0, rel=2e-3)


def test_a_beam_nearer_to_the_fence_than_asked_counts_as_one_three_times_as_far_off():
    judge = _Judge(RULES, PRICES, far, None)
    judge.off_line = off_line(LineString([(0, 0), (80, 0)]), 30.0, 1.0)
    within, outside = (measured(judge, (10, y), (50, y))[1] for y in (-1.0, 1.0))
    assert within == pytest.approx(1000.0 + 0.25 * 40.0) and outside == pytest.approx(1000.0 + 0.25 * 9.0 * 40.0)


def test_a_beam_within_a_corner_lies_off_the_line_though_both_its_junctions_stand_on_it():
    """From a junction 5 m before one corner to one 5 m past the next: 5 m off the side between them."""
    corner = LineString([(0, 0), (50, 0), (50, 50), (0, 50)])
    off = off_line(corner, 30.0)
    y = np.linspace(10, 40, 7)
    assert off(np.full(7, 45.0), y) == pytest.approx(np.full(7, 5.0))
    rng = np.random.default_rng(3)
    x, y = rng.uniform(25, 70, 400), rng.uniform(-20, 70, 400)
    true = shapely.distance(corner, shapely.points(x, y))
    # beside corners the look-up goes straight across a cell
    assert np.abs(off(x, y) - true).max() < 0.5 and np.median(np.abs(off(x, y) - true)) < 1e-6


def test_like_stretches_of_the_line_weigh_least_however_long_the_beams_are():
    judge = _Judge(RULES, replace(PRICES, uneven=100.0), far, None)
    assert measured(judge, (0, 0), (40, 0), stretch=50.0)[1] == pytest.approx(1000.0 + 100.0 * 0.5**2)
    assert measured(judge, (0, 0), (60, 0), stretch=50.0)[1] == pytest.approx(1000.0 + 100.0 * 0.5**2)


@pytest.mark.parametrize("towards", [(1.0, 0.0), (0.6, -0.8)])
def test_a_beam_needs_its_half_width_at_every_place(towards):
    """Clearance that is just enough, and just not, at one place: half a Fresnel width, a margin, half the stagger."""
    u = np.array(towards)

    def judged(at, spare):
        def clear(x, y):
            along = x * u[0] + y * u[1] + 6.0
            need = float(beam_half_width(at, 52.0 - at, BAND, margin_m=0.3)) + abs(2 * at / 52.0 - 1) * 0.2
            return np.where(np.abs(along - at) < 1e-6, need + spare, 50.0)

        return measured(_Judge(RULES, PRICES, clear, None), (0, 0), tuple(40.0 * u))

    judge = _Judge(RULES, PRICES, far, None)
    places = judge.positions(np.array([40.0]), (np.array([6.0]), np.array([6.0])), judge.spots(np.array([40.0])))[0]
    for at in places:
        assert judged(at, 1e-6)[0] and judged(at, 1e-6)[2] == 0.0
        possible, cost, short, *_ = judged(at, -1e-6)
        if 6.0 - 1e-9 <= at <= 46.0 + 1e-9:
            assert not possible
        else:
            # the run ends a step before what is in its way
            room = max((6.0 - at if at < 6.0 else at - 46.0) - 0.75, 0.0)
            assert possible and short == pytest.approx(6.0 - room)
            assert cost == pytest.approx(1000.0 + 13.0 * (6.0 - room))


def test_posts_stand_clear_of_fences_and_off_ground_that_bars_them():
    rules = replace(RULES, post_clear_m=2.0)
    judge = _Judge(rules, PRICES, lambda x, y: np.where((x < 0.5) & (x > -0.5), 1.9, 50.0), None)
    assert not measured(judge, (0, 0), (40, 0))[0] and measured(judge, (1, 0), (40, 0))[0]
    assert measured(_Judge(rules, PRICES, lambda x, y: np.where(np.abs(x - 20) < 1, 1.9, 50.0), None), (0, 0), (40, 0))[
        0
    ]
    judge = _Judge(rules, PRICES, far, None)
    # 2.2 m is what a post keeps from ground where none may stand; the beam itself may cross it
    judge.barred = lambda x, y: np.where(np.abs(x - 20) < 5, 9.0, -2.3)
    assert measured(judge, (0, 0), (40, 0))[0]
    judge.barred = lambda x, y: np.where(np.abs(x - 40) < 0.1, -2.1, -2.3)
    assert not measured(judge, (0, 0), (40, 0))[0]
    judge.barred = lambda x, y: np.where(x > 44.0, 1.0, -9.0)
    possible, _, short, *_ = measured(judge, (0, 0), (40, 0))
    first = np.linspace(0, 6, judge.spots(np.array([40.0]))[0])
    assert possible and short == pytest.approx(6.0 - (first[first > 4.0][0] - 0.75))


def ground_of(shape):
    return lambda x, y: 100.0 + 0.02 * x + shape(np.asarray(x))


def test_earthwork_and_ground_left_blind_by_hand():
    """A box-shaped dip or crest of 10 m under a beam of 52 m over a slope of 2 %."""
    width = RULES.graded_width_m

    def found(rise, *, dear=1.0, **changes):
        ground = ground_of(lambda x: np.where((x > 10) & (x < 20), rise, 0.0))
        return measured(
            _Judge(replace(RULES, **changes), replace(PRICES, earthwork_m3=dear), far, ground), (0, 0), (40, 0)
        )

    flat = found(0.149)
    assert (flat[3], flat[4]) == (0.0, 0.0) and flat[1] == pytest.approx(1000.0)
    # within a step of 2 m of its ends the box is seen or not
    for rise in (0.55, -0.55):
        _, cost, _, earth, dead = found(rise)
        assert earth == pytest.approx(0.4 * width * 10.0, rel=0.11) and dead == 0.0
        assert cost == pytest.approx(1000.0 + earth)
    # dearer than blind ground: the dip stays, the crest goes all the same
    _, cost, _, earth, dead = found(-0.55, dear=10.0)
    assert earth == 0.0 and dead == pytest.approx(10.0, rel=0.11) and cost == pytest.approx(1000.0 + 11.0 * dead)
    _, cost, _, earth, dead = found(0.55, dear=10.0)
    assert earth == pytest.approx(0.4 * width * 10.0, rel=0.11) and dead == 0.0
    # no room for the slopes beside it, or not to be dug: a dip is blind, a crest hides half of the zone
    for refused in ({"most_lift_m": 0.39}, {"held": lambda x, y: np.where((x > 9) & (x < 21), 1.0, 0.0)}):
        assert found(-0.55, **refused)[3:] == [0.0, pytest.approx(10.0, rel=0.11)]
        assert found(0.55, **refused)[3:] == [0.0, pytest.approx(26.0)]
    assert found(0.55, most_lift_m=0.41)[4] == 0.0
    assert found(0.1, held=lambda x, y: np.ones(np.shape(x)))[3:] == [0.0, 0.0]
    assert found(0.55, held=lambda x, y: np.full(np.shape(x), np.nan))[4] == 0.0


def test_no_post_where_the_level_is_not_known():
    for hole, fine in ((-6.0, False), (46.0, False), (20.0, True)):
        ground = ground_of(lambda x, hole=hole: np.where(np.abs(x - hole) < 0.5, np.nan, 0.0))
        assert measured(_Judge(RULES, PRICES, far, ground), (0, 0), (40, 0))[0] == fine


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize("forced", [(), (3,), (0, 4)])
def test_a_zone_ends_within_reach_over_no_forced_junction(closed, forced):
    chainage = np.array([0.0, 0.0, 12.0, 25.0, 25.0, 31.0, 50.0, 66.0])
    nodes = nodes_on([0, 0, 1, 2, 2, 3, 4, 5], chainage, forced=forced)
    length, reach = (80.0 if closed else 66.0), 40.0
    first, count = _followers(nodes, length, closed=closed, reach=reach)
    made = {(int(a), int(b)) for tails, heads in _pairs(first, count) for a, b in zip(tails, heads, strict=True)}
    wanted = set()
    for a, b in itertools.product(range(8), range(8)):
        sa, sb = nodes.station[a], nodes.station[b]
        span = chainage[b] - chainage[a]
        if closed and sb <= sa:
            span, sb = span + length, sb + 6
        over = [f for f in [*forced, *(f + 6 for f in forced)] if sa < f < sb]
        if sb > sa and span <= reach and not over and sb - sa < 6:
            wanted.add((a, b))
    assert made == wanted
    assert runs_past(nodes, np.arange(8), 6.0, last=False, closed=closed).tolist() == [
        *([6.0 if closed else 0.0] * 2),
        *[6.0] * 6,
    ]
    assert runs_past(nodes, np.arange(8), 6.0, last=True, closed=closed).tolist() == [
        *[6.0] * 7,
        6.0 if closed else 0.0,
    ]


def test_possible_zones_are_those_of_an_allowed_length():
    chainage = np.arange(0.0, 200.0, 9.0)
    nodes, line = nodes_on(range(chainage.size), chainage), LineString([(0, 0), (198, 0)])
    assert chainage[-1] == 198.0
    edges = possible_zones(nodes, line, RULES, PRICES, clear=far)
    found = set(zip(edges.tail.tolist(), edges.head.tolist(), strict=True))
    wanted = set()
    for a, b in itertools.combinations(range(chainage.size), 2):
        total = chainage[b] - chainage[a] + 6.0 * ((a > 0) + (b < chainage.size - 1))
        if 10.0 <= total <= 100.0:
            wanted.add((a, b))
    assert found == wanted and len(found) == edges.cost.size
    total = {pair: 9.0 * (pair[1] - pair[0]) + 6.0 * ((pair[0] > 0) + (pair[1] < 22)) for pair in wanted}
    short = np.array([total[a, b] < 50.0 for a, b in zip(edges.tail, edges.head, strict=True)])
    assert edges.cost == pytest.approx(np.where(short, 1300.0, 1000.0))
    thin = possible_zones(nodes, line, RULES, PRICES, clear=lambda x, y: np.full(np.shape(x), 0.8))
    longest = max(9.0 * (b - a) for a, b in zip(thin.tail, thin.head, strict=True))
    assert float(beam_half_width(longest / 2, longest / 2, BAND)) + 0.3 <= 0.8 < longest


def corridor(start, end, half=2.0):
    return box(start, -half, end, half)


def test_a_beam_runs_past_its_junctions_as_far_as_the_ground_goes():
    p, q, wanted = np.array([0.0, 0.0]), np.array([40.0, 0.0]), np.array([6.0, 5.0])
    rules = replace(RULES, stagger_m=0.0)

    def room(region, **changes):
        found = _exact_room(region, p, q, wanted, replace(rules, **changes))
        return None if found is None else found.tolist()

    assert room(corridor(-9, 49)) == [6.0, 5.0]
    # the margin runs along the sides, not past the ends: a beam's tip may touch the end of the ground
    assert room(corridor(-9, 43)) == [6.0, pytest.approx(3.0, abs=0.06)]
    assert room(corridor(-4, 49)) == [pytest.approx(4.0, abs=0.06), 5.0]
    assert room(corridor(-4, 43)) == [pytest.approx(4.0, abs=0.06), pytest.approx(3.0, abs=0.06)]
    assert room(corridor(1, 49)) is None and room(corridor(-9, 39)) is None
    # hardly any, at either end and at both
    assert room(corridor(-9, 40.5)) == [6.0, pytest.approx(0.5, abs=0.06)]
    assert room(corridor(-0.5, 49)) == [pytest.approx(0.5, abs=0.06), 5.0]
    assert room(corridor(-0.5, 40.5)) == [pytest.approx(0.5, abs=0.06), pytest.approx(0.5, abs=0.06)]
    # between the run that is wanted at the one end and that at the other
    assert room(corridor(-5.5, 49)) == [pytest.approx(5.5, abs=0.06), 5.0]
    half = float(beam_half_width(25.5, 25.5, BAND)) + 0.3
    assert room(corridor(-9, 49, half - 0.02)) != [6.0, 5.0] and room(corridor(-9, 49, half + 0.02)) == [6.0, 5.0]
    # posts keep 1.5 m from the edge, within 0.03 m
    assert room(corridor(-9, 49), post_clear_m=1.5) == [6.0, 5.0]
    assert room(corridor(-9, 45), post_clear_m=1.5) == [6.0, pytest.approx(3.53, abs=0.06)]
    # none may stand within 1.5 m and half the stagger of the barred ground; the beam may cross it
    barred = box(44, -5, 60, 5)
    assert room(corridor(-9, 49), no_posts=barred, post_clear_m=1.5) == [6.0, pytest.approx(2.53, abs=0.06)]
    assert room(corridor(-9, 49), no_posts=box(10, -1, 20, 1), post_clear_m=1.5) == [6.0, 5.0]
    # staggered posts move aside, one to the right and one to the left: ground cut away on either side forbids it
    left = corridor(-9, 49) - box(-9, 0.45, 49, 9)
    thin = {"fresnel_zones": 0.0, "margin_m": 0.3}
    assert room(left, **thin) == [6.0, 5.0] and room(left, stagger_m=0.4, **thin) is None
    right = corridor(-9, 49) - box(-9, -9, 49, -0.45)
    assert room(right, stagger_m=0.4, **thin) is None
    # posts move aside square to the beam, whichever way it runs
    for angle in (30.0, 120.0, 210.0):
        turned = [rotate(shape, angle, origin=(0, 0)) for shape in (left, corridor(-9, 49, 0.9), LineString([p, q]))]
        ends = np.array(turned[2].coords)
        found = [_exact_room(s, *ends, wanted, replace(rules, stagger_m=0.4, **thin)) for s in turned[:2]]
        assert found[0] is None and found[1].tolist() == [6.0, 5.0]


def test_what_is_locked_stands_as_it_stood():
    nodes = nodes_on([0, 1, 2], [0.0, 40.0, 80.0])
    edges = Edges(2)
    edges.add(*(np.array(v) for v in ([0, 1], [1, 2], [1.0, 1.0], [0.0, 0.0], [7.0, 8.0], [0.0, 3.0])))
    region, rules = corridor(-9, 89), replace(RULES, stagger_m=0.0)
    plain = _exact_zone(nodes, edges, 1, region, rules, closed=False)
    assert plain.ends.tolist() == [[34.0, 0.0], [80.0, 0.0]] and plain.junctions.tolist() == [[40, 0], [80, 0]]
    assert plain.room.tolist() == plain.wanted.tolist() == [6.0, 0.0] and plain.chainage.tolist() == [40.0, 80.0]
    assert (plain.earthwork_m3, plain.dead_m, plain.held, plain.starts_with_tx) == (8.0, 3.0, (False, False), None)
    post = HeldPost(np.array([35.0, 1.0]), True)
    starts = replace(nodes, held=HeldNodes(starts={1: post}))
    held = _exact_zone(starts, edges, 1, region, rules, closed=False)
    assert (
        held.ends.tolist() == [[35.0, 1.0], [80.0, 0.0]] and held.held == (True, False) and held.starts_with_tx is True
    )
    ends = _exact_zone(replace(nodes, held=HeldNodes(ends={2: post})), edges, 1, region, rules, closed=False)
    assert (
        ends.ends.tolist() == [[34.0, 0.0], [35.0, 1.0]] and ends.held == (False, True) and ends.starts_with_tx is False
    )
    tight = corridor(-9, 70)
    assert _exact_zone(nodes, edges, 1, tight, rules, closed=False) is None
    kept = replace(nodes, held=HeldNodes(starts={1: post}, ends={2: post}, spans=frozenset({(1, 2)})))
    assert _exact_zone(kept, edges, 1, tight, rules, closed=False).room.tolist() == [6.0, 0.0]


@pytest.mark.parametrize("closed", [False, True])
def test_where_the_chain_breaks_off_is_named(closed):
    nodes = nodes_on([0, 1, 1, 2, 3], [0.0, 20.0, 20.0, 45.0, 70.0])
    edges = Edges(4)
    pairs = [(0, 2), (1, 3)] + ([(4, 0)] if closed else [])
    tail, head = (np.array(v) for v in zip(*pairs, strict=True))
    none = np.zeros(len(pairs))
    edges.add(tail, head, np.ones(len(pairs)), none, none, none)
    ring = LineString([(0, 0), (70, 0), (70, 9), (0, 0)]) if closed else LineString([(0, 0), (70, 0)])
    problem = _broken(nodes, edges, ring, RULES)
    assert isinstance(problem, InfeasibleError) and problem.where == "chainage 45.0 to 70.0 m (x 45.0, y 0.0)"
    edges.cost[1] = np.inf
    assert _broken(nodes, edges, ring, RULES).where.startswith("chainage 20.0 to 45.0 m")
    edges.cost[:] = np.inf
    assert _broken(nodes, edges, ring, RULES).where == "chainage 0.0 to 20.0 m (x 0.0, y 0.0)"
    width = 2 * (float(beam_half_width(50.0, 50.0, BAND)) + 0.3)
    assert problem.expected.startswith(f"a strip {width:.2f} m wide") and "10 to 100 m" in problem.expected
