"""A perimeter whose heads' answers are given, so that who gets through can be worked out by hand and by search.

No beam is solved. Red when a neighbour's answer is lost, a level is taken at the wrong place, or a
crossing is called harder or easier than it is.
"""

import pickle
from bisect import bisect_left
from dataclasses import replace
from types import SimpleNamespace

import networkx as nx
import numpy as np
import pytest
from shapely import LineString

from geotools.beam import HEAD_TYPES, TARGETS, Beam
from geotools.beam.strip import HIGHEST_TOP_M
from geotools.corridor import BeamLine, StripGrid
from geotools.detection.cases import (
    Case,
    Rules,
    length_of,
    moved_heads,
    over_mirror,
    reaches,
    straight_ground,
    strip_nodes,
)
from geotools.detection.chains import _meets, _sides
from geotools.detection.findings import joined_floor
from geotools.detection.height_search import opened_m
from geotools.detection.level_ground import LEVEL, dead_in_chain
from geotools.detection.perimeter import Perimeter
from geotools.detection.topology import Topology
from geotools.plan.model import BeamPair, FenceChain, Zone

RULES = Rules(0.2, 1.0, 0.5, {"crawl": TARGETS["crawl"], "prone": TARGETS["prone"]})
PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)
LINES = [BeamLine(0, 0, 10, 0), BeamLine(8.3, 0.2, 20, 0.2), BeamLine(19, -0.9, 19, 9)]
ZONES = [Zone(f"Z{n}", line, (PAIR,), "F", n) for n, line in enumerate(LINES, 1)]


def perimeter(seed=0, low=0.0):
    """Random answers of every zone's own heads."""
    made, rng = Perimeter(ZONES, LEVEL, RULES), np.random.default_rng(seed)
    for zone in ZONES:
        shape = made.levels(zone.zone_id).shape
        made.hold(zone.zone_id, {name: rng.uniform(low, 0.4, shape) for name in RULES.targets})
    return made


def bilinear(values, row, column):
    r, c = min(int(row), values.shape[0] - 2), min(int(column), values.shape[1] - 2)
    s, t = row - r, column - c
    return (values[r, c] * (1 - t) + values[r, c + 1] * t) * (1 - s) + (
        values[r + 1, c] * (1 - t) + values[r + 1, c + 1] * t
    ) * s


def test_the_best_of_a_place_is_its_own_or_its_neighbours():
    made = perimeter()
    for place, zone in enumerate(ZONES):
        grid, own = made.grids[zone.zone_id], made.own(zone.zone_id)["prone"]
        x, y = grid.map_xy()
        wanted = own.copy()
        cover = np.zeros(own.shape)
        for other in ZONES:
            if other is zone:
                continue
            theirs, there = made.grids[other.zone_id], made.own(other.zone_id)["prone"]
            along, aside = other.line.from_map(x, y)
            step, across = theirs.spacing_m
            inside = (along >= -1e-9) & (along <= other.line.length + 1e-9) & (np.abs(aside) <= 1.0 + 1e-9)
            for node in np.argwhere(inside):
                value = bilinear(there, along[tuple(node)] / step, (aside[tuple(node)] + 1.0) / across)
                cover[tuple(node)] = max(cover[tuple(node)], value)
        wanted = np.maximum(own, cover)
        assert made.seen(zone.zone_id)["prone"] == pytest.approx(wanted, abs=1e-9)
        assert (cover > 0).any() and made.cover(zone.zone_id)["prone"] == pytest.approx(cover, abs=1e-9)
        assert made.neighbours(zone.zone_id) == [ZONES[p].zone_id for p in (place - 1, place + 1) if 0 <= p < 3]


def bottleneck(made, zone_id, threat):
    """Smallest largest value on a way over one zone's piece of the chain, level by level."""
    ids = [z.zone_id for z in ZONES]
    topology, place = made.topology(zone_id)
    values = [made.seen(one)[threat] for one in ids]
    starts = np.concatenate([[0], np.cumsum([v.size for v in values])])
    cost = np.concatenate([v.ravel() for v in values])
    right = np.concatenate([topology.right(p).ravel() for p in range(3)])
    edges = [np.concatenate([topology.edges(p)[side].ravel() for p in range(3)]) for side in (0, 1)]
    graph = nx.Graph()
    for p, v in enumerate(values):
        n, k = v.shape
        for r in range(n):
            for c in range(k):
                for dr, dc in ((1, 0), (0, 1), (1, 1), (1, -1)):
                    if r + dr < n and 0 <= c + dc < k:
                        graph.add_edge(starts[p] + r * k + c, starts[p] + (r + dr) * k + c + dc)
        for link in topology.links(p):
            graph.add_edges_from(zip(starts[p] + link.nodes, starts[link.other] + link.near, strict=True))
    steps = topology.steps(place)
    over = list(zip(steps.right + starts[place], steps.left + starts[place], strict=True))

    def across(level):
        reached = {}
        for side, ends in ((True, edges[0]), (False, edges[1])):
            part = graph.subgraph(np.flatnonzero((cost <= level) & (right == side)).tolist())
            begin = [e for e in np.flatnonzero(ends) if e in part]
            reached[side] = set(begin).union(*(nx.node_connected_component(part, e) for e in begin))
        return any(a in reached[True] and b in reached[False] for a, b in over)

    levels = np.unique(cost)
    return float(levels[bisect_left(levels, True, key=across)])


@pytest.mark.parametrize("seed", [1, 2])
def test_the_weakest_crossing_is_the_smallest_level_that_leads_across(seed):
    made = perimeter(seed)
    if seed == 2:
        # few values of its own: what decides is met on a neighbour's nodes
        made.hold("Z2", {t: np.where(m > 0.3, 0.39, 0.001) for t, m in made.own("Z2").items()})
    for zone in ZONES:
        each = {t: bottleneck(made, zone.zone_id, t) for t in RULES.targets}
        own = made.own(zone.zone_id)
        for threat, weakest in each.items():
            for most in (np.inf, weakest + 0.01, weakest - 0.01):
                found = {threat: made.weakest_of(zone.zone_id, threat, own, most)}
                assert found == {threat: pytest.approx(min(weakest, most))}
        assert made.weakest(zone.zone_id) == pytest.approx(min(each.values()))
        dead = made.dead(zone.zone_id)
        assert {t: bool(d.any()) for t, d in dead.items()} == {t: w < 0.2 for t, w in each.items()}
        assert made.dead_length(zone.zone_id, dead) == pytest.approx(
            length_of(dead["crawl"] | dead["prone"], made.grids[zone.zone_id].chainage_m)
        )
        # a tenth above the weakest is where headroom begins to let nobody through
        share = each["prone"] / 0.2 - 1.0
        assert made.dead(zone.zone_id, headroom=share + 1e-6)["prone"].any()
        assert not made.dead(zone.zone_id, headroom=share - 1e-6)["prone"].any()


def test_a_case_tried_is_the_perimeter_with_it_held():
    made, held = perimeter(3), perimeter(3)
    rng = np.random.default_rng(9)
    own = {t: rng.uniform(0.0, 0.4, m.shape) for t, m in made.own("Z2").items()}
    held.hold("Z2", own)
    around = made.dead_around({"Z2": own})
    assert set(around) == {"Z1", "Z2", "Z3"}
    for zone_id, dead in around.items():
        for threat, flags in dead.items():
            assert np.array_equal(flags, held.dead(zone_id)[threat])
    assert made.weakest("Z2", own) == pytest.approx(held.weakest("Z2"))
    assert made.seen("Z2", own)["crawl"] == pytest.approx(held.seen("Z2")["crawl"])
    new = sum(
        length_of(
            np.any(list(d.values()), axis=0) & ~np.any(list(made.dead(z).values()), axis=0), made.grids[z].chainage_m
        )
        for z, d in around.items()
    )
    assert opened_m(made, around) == pytest.approx(new)
    again = pickle.loads(pickle.dumps(made))
    for zone in ZONES:
        assert again.weakest(zone.zone_id) == made.weakest(zone.zone_id)
        assert np.array_equal(again.dead(zone.zone_id)["prone"], made.dead(zone.zone_id)["prone"])


def test_a_detection_floor_is_the_lower_of_two_and_of_none_where_no_height_alarms():
    made = perimeter()
    floors = {}
    for zone in ZONES:
        x, y = made.grids[zone.zone_id].map_xy()
        floors[zone.zone_id] = {"Z1": 0.9 + 0.0 * x, "Z2": 0.5 + 0.02 * x + 0.1 * y, "Z3": np.full(x.shape, np.inf)}[
            zone.zone_id
        ]
    found = joined_floor(made, "Z1", floors)
    x, y = made.grids["Z1"].map_xy()
    inside = (x >= 8.3 - 1e-9) & (np.abs(y - 0.2) <= 1.0 + 1e-9)
    assert inside.any() and not inside.all()
    assert found == pytest.approx(np.where(inside, np.minimum(0.9, 0.5 + 0.02 * x + 0.1 * y), 0.9))
    # what no height alarms adds nothing, and what alarms from 2.9 m up does
    second = joined_floor(made, "Z2", floors)
    x2, _ = made.grids["Z2"].map_xy()
    alone = (x2 > 10.0 + 1e-9) & (x2 < 18.0 - 1e-9)
    assert second[alone] == pytest.approx(floors["Z2"][alone])
    assert joined_floor(made, "Z3", {**floors, "Z2": np.full(x2.shape, 0.97 * HIGHEST_TOP_M)}).min() == pytest.approx(
        0.97 * HIGHEST_TOP_M
    )
    assert np.isinf(joined_floor(made, "Z3", {**floors, "Z2": np.full(x2.shape, HIGHEST_TOP_M)})).all()


def test_ground_lengths_and_nodes_by_hand():
    grid = StripGrid.over(BeamLine(0, 0, 4, 0), 1.0, 1.0)
    level = np.array([[9.0, 1.0, 9.0], [0, 0, 0], [7, 7, 7], [0, 0, 0], [9.0, 3.0, 9.0]])
    assert straight_ground(grid, level).tolist() == [[v] * 3 for v in (1.0, 1.5, 2.0, 2.5, 3.0)]
    # the line runs along the middle, whatever the ground beside it does
    wide = StripGrid.over(BeamLine(0, 0, 4, 0), 3.0, 1.0)
    slope = 0.3 * wide.chainage_m[:, None] + 2.0 * wide.offset_m[None, :] + (np.arange(5) == 2)[:, None]
    assert straight_ground(wide, slope) == pytest.approx(np.repeat(0.3 * np.arange(5.0)[:, None], 7, axis=1))
    at = np.array([0.0, 1.0, 3.0, 4.0])
    flags = [length_of(np.isin(np.arange(4), rows), at) for rows in ([], [0], [1], [2], [3], [0, 1, 2, 3])]
    assert flags == [0.0, 0.5, 1.5, 1.5, 0.5, 4.0]
    along, across = strip_nodes(BeamLine(0, 0, 4.2, 0), 1.0, 0.5)
    assert along.size == 10 and across == pytest.approx(np.linspace(-1, 1, 9)) and along[-1] == 4.2
    assert strip_nodes(BeamLine(0, 0, 0.4, 0), 1.0, 0.5)[0].size == 3
    assert strip_nodes(BeamLine(0, 0, 4.0, 0), 1.0, 0.1)[1].size == 21
    moved = moved_heads(ZONES[0], np.array([[0.1, -0.5]]))
    assert (moved.pairs[0].tx_height_m, moved.pairs[0].rx_height_m) == (pytest.approx(0.4), 0.06)
    assert reaches([0.19, 0.2, 0.21], 0.2).tolist() == [False, True, True] and RULES.alarms(0.2)
    beam = Case(ZONES[0], level, aim_deg=np.array([[1.0, 2.0, 3.0, 4.0]])).aimed(
        Beam(HEAD_TYPES["24 GHz"], [0, 4], [0, 0], 0.3, 0.3), 0
    )
    assert (beam.tx_tilt_deg, beam.rx_tilt_deg, beam.tx_pan_deg, beam.rx_pan_deg) == (1.0, 2.0, 3.0, 4.0)
    wide, narrow = replace(TARGETS["prone"], width_m=0.9), replace(TARGETS["prone"], width_m=0.3, base_m=0.5)
    assert replace(RULES, targets={"a": wide, "b": narrow}).floor_width_m == 0.9
    assert replace(RULES, targets={"b": narrow}).floor_width_m == 0.3


def test_a_ring_meets_where_its_last_zone_comes_near_its_first():
    def ring(gap, *, length=10.0):
        lines = [BeamLine(0, 0, length, 0), BeamLine(10, 0, 10, 10), BeamLine(10, 10, 0, gap)]
        return _meets(tuple(Zone(f"Z{n}", line, (PAIR,)) for n, line in enumerate(lines)))

    assert ring(0.0) and ring(9.9) and not ring(10.5) and not ring(5.0, length=4.9) and ring(5.0, length=5.1)


def test_a_zone_of_two_pairs_has_the_better_of_each_and_every_zone_of_a_chain_is_answered():
    high = BeamPair("main", HEAD_TYPES["10 GHz"], 0.9, 0.9)
    zones = [Zone("A", BeamLine(0, 0, 12, 0), (PAIR, high), "F", 1), Zone("B", BeamLine(9, 0, 22, 0), (PAIR,), "F", 2)]
    both = Perimeter(zones, LEVEL, RULES)
    single = both.modulations([(replace(zones[0], pairs=(p,)), both.strip("A")) for p in zones[0].pairs])
    for threat, own in both.own("A").items():
        assert own == pytest.approx(np.maximum(*(one[threat] for one in single)), abs=1e-6)
    found = dead_in_chain(RULES, FenceChain("F", tuple(zones)))
    assert list(found) == ["A", "B"]
    both.solve_all()
    for zone_id, level in found.items():
        assert level.chainage_m == pytest.approx(both.grids[zone_id].chainage_m)
        assert all(np.array_equal(level.dead[t], both.dead(zone_id)[t]) for t in RULES.targets)
        assert set(level.before_heads) == set(RULES.targets)
    assert both.straight_over("A")["crawl"] == pytest.approx(both.seen("A")["crawl"].max(axis=1))


@pytest.mark.parametrize("side", ["left", "right", "inside"])
def test_a_fence_closes_where_its_line_does_and_guards_the_side_it_runs_round(side):
    ring = [(0, 0), (9, 0), (9, 9), (0, 0)]
    lines = SimpleNamespace(
        index=["ccw", "cw", "open"],
        geometry={"ccw": LineString(ring), "cw": LineString(ring[::-1]), "open": LineString(ring[:3])},
    )
    left = side != "right"
    found = [_sides(lines, name, side) for name in ("ccw", "cw", "open", "gone")]
    assert found == [(True, True), (True, False), (False, left), (False, left)]


def test_a_way_round_over_a_neighbours_nodes_is_weaker_than_the_own_nodes_it_avoids():
    """Z2 is stepped over at 0.05 behind a wall of 0.3 on its right edge; round it, over Z1, 0.2 is met."""
    made = perimeter()
    everywhere = {zone.zone_id: np.full(made.levels(zone.zone_id).shape, 0.4) for zone in ZONES}
    first, second = everywhere["Z1"], everywhere["Z2"]
    along, aside = made.grids["Z1"].chainage_m, made.grids["Z1"].offset_m
    first[:] = 0.2
    first[np.ix_(along >= 8.0, aside > -0.9)] = 0.0
    near = made.grids["Z2"].chainage_m <= 3.0
    second[near] = 0.05
    second[near, 0] = 0.3
    second[10, 2] = 0.1  # the lowest of its own above that step, and it leads nowhere
    for zone_id, met in everywhere.items():
        made.hold(zone_id, dict.fromkeys(RULES.targets, met))
    assert bottleneck(made, "Z2", "prone") == pytest.approx(0.2)
    for threat in RULES.targets:
        assert made.weakest_of("Z2", threat, made.own("Z2")) == pytest.approx(0.2)


def test_who_gets_over_nowhere_is_said_of_every_station():
    made = perimeter()
    shut = {name: np.full(m.shape, 0.4) for name, m in made.own("Z1").items()}
    stations, places = made.levels("Z1").shape
    assert stations != places
    for found in (made.dead("Z1", shut)["prone"], made.crossed_over("Z1", 1, np.zeros((stations, places), dtype=bool))):
        assert found.shape == (stations,) and not found.any()


@pytest.mark.parametrize("turn", [(1, 0), (0, 1), (-1, 0), (0, -1)])
def test_strips_that_share_one_corner_alone_touch(turn):
    """A strip of 2 m along (0, 0) to (10, 10): its corners there are (0.71, -0.71) and (-0.71, 0.71).

    The other one reaches to x = -0.5, from y = 0 to 5, or to x = -0.8, where it touches nothing.
    """

    def placed(*ends):
        (c, s), points = turn, np.reshape(ends, (2, 2))
        return StripGrid.over(BeamLine(*(points @ np.array([[c, s], [-s, c]])).ravel().tolist()), 1.0, 0.5)

    for line in ((0, 0, 10, 10), (10, 10, 0, 0)):
        for other, touching in ((-1.5, True), (-1.8, False)):
            made = Topology([placed(*line), placed(other, 0, other, 5)], [True, True], False)
            assert (made.touching(0), made.touching(1)) == (((1,), (0,)) if touching else ((), ()))


@pytest.mark.parametrize(
    ("base_m", "height_m", "mirror_m", "base", "height"),
    [
        # from 0.6 to 1.8 m over the ground, the mirror 0.1 m over it
        (0.6, 1.2, 0.1, 0.5, 1.2),
        # it stands in the mirror up to its knees
        (0.0, 1.8, 0.4, 0.0, 1.4),
        (0.3, 1.5, 0.4, 0.0, 1.4),
    ],
)
def test_a_body_is_as_high_over_the_mirror_as_its_top_and_its_base_say(base_m, height_m, mirror_m, base, height):
    body = replace(TARGETS["crawl"], base_m=base_m, height_m=height_m)
    over = over_mirror(body, mirror_m)
    assert (over.base_m, over.height_m) == pytest.approx((base, height))
    assert over_mirror(body, 2.5).height_m <= 0.01
