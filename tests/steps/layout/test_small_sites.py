"""Twelve small sites with gates, roads and buildings: the chosen zones against every chain of zones there is."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, box

from geotools.steps.layout.edges import LayoutWeights, ZoneRules
from geotools.steps.layout.lines import PostOffsets, candidates, setback_line
from geotools.steps.layout.width import beam_outline
from geotools.steps.layout.zoning import choose_zones

WEIGHTS = LayoutWeights(uneven=1_000.0)
SHAPES = {
    "square": [(0, 0), (54, 0), (54, 54), (0, 54)],
    "rectangle": [(0, 0), (78, 0), (78, 44), (0, 44)],
    "skewed": [(0, 0), (66, 0), (58, 52), (0, 46)],
    "L": [(0, 0), (84, 0), (84, 36), (46, 36), (46, 70), (0, 70)],
}
#: A forecourt beside the gate: beams cross it, no post stands on it.
ROAD = box(9, -5, 31, 20)
#: A hut that leaves a way of four metres between itself and the fence, on the left side of the site.
HUT = box(4.3, 18, 12, 26)
OBJECTS = {"gate": (None, None), "gate and road": (ROAD, None), "gate, road and building": (ROAD, HUT)}
EXTENSION_M = 4.0


def site(shape, objects):
    """Fence, line, clear ground, rules and stretch of the gate."""
    road, hut = OBJECTS[objects]
    fence = LineString([*SHAPES[shape], SHAPES[shape][0]])
    area = Polygon(fence)
    ground = area.buffer(-0.3, join_style="mitre") - area.buffer(-13.0, join_style="mitre")
    ground = ground if hut is None else ground - hut
    rules = ZoneRules(
        longest_m=58,
        shortest_m=8,
        extension_m=EXTENSION_M,
        frequency_hz=10.525e9,
        stagger_m=0.0,
        post_clear_m=0.6,
        no_posts=road,
    )
    line = setback_line(fence, 3.0)
    gate = line.project(Point(36, 3)), line.project(Point(44, 3))
    return line, ground, rules, gate


def fits(ground, within, rules, ends, slack):
    """Whether a beam keeps ``within`` the clear ground, and its posts ``slack`` m more than the rules off its edge."""
    for post in map(Point, ends):
        if ground.boundary.distance(post) < rules.post_clear_m + slack:
            return False
        if rules.no_posts is not None and rules.no_posts.distance(post) < rules.post_clear_m + slack:
            return False
    outline = beam_outline(*ends, rules.frequency_hz, zones=rules.fresnel_zones, margin_m=rules.margin_m)
    return within.covers(outline)


def price_list(nodes, line, ground, rules, gate, slack):
    """What every zone costs whose beam runs on past both junctions by the whole extension; (start, end) -> price."""
    found, within = {}, ground.buffer(-slack)
    shapely.prepare(within)
    for a, b in itertools.permutations(range(nodes.station.size), 2):
        span = (nodes.chainage[b] - nodes.chainage[a]) % line.length
        if not 0 < span <= 1.3 * rules.longest_m:
            continue
        # a junction on both sides of the gate
        if any(0.01 < (place - nodes.chainage[a]) % line.length < span - 0.01 for place in gate):
            continue
        p, q = nodes.xy[a], nodes.xy[b]
        length = np.hypot(*(q - p))
        u = (q - p) / length
        if not rules.shortest_m <= length + 2 * EXTENSION_M <= rules.longest_m:
            continue
        if fits(ground, within, rules, (p - EXTENSION_M * u, q + EXTENSION_M * u), slack):
            aside = abs(nodes.offset[a] + nodes.offset[b]) / 2
            uneven = WEIGHTS.uneven * ((length + 2 * EXTENSION_M) / rules.longest_m) ** 2
            found[a, b] = span, WEIGHTS.zone + WEIGHTS.offset_m2 * aside * length + uneven
    return found


def cheapest_of_all(nodes, line, prices):
    """Least cost over every closed chain of zones; chains that cannot come out below the best so far are cut short."""
    onward = {}
    for (a, b), (span, price) in prices.items():
        onward.setdefault(a, []).append((price, b, span))
    for options in onward.values():
        options.sort()
    longest = max(span for span, _ in prices.values())
    best = math.inf

    def go(node, start, gone, spent):
        nonlocal best
        left = line.length - gone
        if left <= 1e-6:
            if left > -1e-6 and node == start:
                best = min(best, spent)
            return
        if spent + math.ceil(left / longest - 1e-9) * WEIGHTS.zone >= best:
            return
        for price, following, span in onward.get(node, ()):
            go(following, start, gone + span, spent + price)

    # every chain has a junction on the first side of the gate: begin there
    for start in np.flatnonzero(nodes.forced & (nodes.station == nodes.station[nodes.forced].min())):
        go(int(start), int(start), 0.0, 0.0)
    return best


@pytest.mark.parametrize(("shape", "objects"), list(itertools.product(SHAPES, OBJECTS)))
def test_no_chain_of_zones_is_cheaper_than_the_one_chosen(shape, objects):
    line, ground, rules, gate = site(shape, objects)
    nodes = candidates(line, ground, step_m=14, beside=PostOffsets((0.0, 2.5), (0.0, 2.5, 5.0), 12.0), forced=gate)
    # the choice may take what lacks three centimetres of room, and must not miss what has some to spare
    most, least = (
        cheapest_of_all(nodes, line, price_list(nodes, line, ground, rules, gate, slack)) for slack in (0.1, -0.03)
    )
    assert math.isfinite(most)
    zones = choose_zones(nodes, line, ground, rules, WEIGHTS, cell_m=0.3)
    cost = 0.0
    for zone in zones:
        aside = [line.distance(Point(xy)) for xy in zone.junctions]
        cost += WEIGHTS.zone + WEIGHTS.offset_m2 * np.hypot(*np.diff(zone.junctions, axis=0)[0]) * np.mean(aside)
        length = np.hypot(*np.diff(zone.junctions, axis=0)[0])
        cost += WEIGHTS.uneven * ((length + 2 * EXTENSION_M) / rules.longest_m) ** 2
        cost += WEIGHTS.short_m * float((zone.wanted - zone.room).sum())
        # no post on the road, and none in the gateway
        for post in map(Point, zone.ends):
            assert rules.no_posts is None or rules.no_posts.distance(post) >= 0.5
        assert ground.buffer(0.05).covers(shapely.LineString(zone.ends))
    assert any(np.allclose(zone.chainage, gate) for zone in zones)
    # offsets at corners are counted along the mitre, distances straight: a thousandth at most
    assert least * (1 - 1e-3) <= cost <= most * (1 + 1e-3)
