"""Weakest crossings against an independent reconstruction, coverage by neighbours, and the causes of dead spots."""

from itertools import pairwise

import numpy as np
import pytest
from shapely import Polygon

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.beam.strip import Strip
from geotools.corridor import BeamLine, StripGrid
from geotools.detection.cases import Rules, strip_nodes
from geotools.detection.chain import chain_vertices, side_of
from geotools.detection.chains import Tile, tiles
from geotools.detection.findings import find
from geotools.detection.perimeter import Perimeter
from geotools.detection.ways import build_graph, shortest_way, worst_from
from geotools.plan.model import BeamPair, FenceChain, Zone
from geotools.steps.gaps.straightness import straightness_spots
from tests.invented_ground import Formula

CRAWL, PRONE, WALK = TARGETS["crawl"], TARGETS["prone"], TARGETS["walk"]


def zone(line, stack, ground=lambda s, o: 0.0 * s * o, number=1, forward=True):
    """A zone and its ground, given by (chainage, offset)."""
    levels = ("low", "main")[: len(stack)]
    pairs = [BeamPair(level, HEAD_TYPES[n], h, h) for level, (n, h) in zip(levels, stack, strict=True)]
    return Zone(f"Z{number}", line, tuple(pairs), "F01", number, forward), ground


def fence(*zones, closed=False, core=None, targets=(PRONE,)):
    """What is found on zones that each have a ground of their own."""
    chain = FenceChain("F01", tuple(one for one, _ in zones), closed)
    rules = Rules(0.2, 2.0, 0.5, {target.name: target for target in targets})
    perimeter = Perimeter.of([chain], Formula(lambda x, y: 0.0 * x), rules)
    for one, ground in zones:
        grid = perimeter.grids[one.zone_id]
        s, o = grid.chainage_m[:, None], grid.offset_m[None, :]
        level = np.asarray(ground(s, o), float) + np.zeros((s.size, o.size))
        perimeter._levels[one.zone_id] = level
    return find(perimeter, Tile(chain, range(len(zones)) if core is None else core))


def spots(found, threat, number=1):
    return found.spots[threat, f"Z{number}"]


LOW_AND_MAIN = (("24 GHz", 0.30), ("10 GHz", 0.91))


# ---- bottleneck paths


@pytest.mark.parametrize("seed", range(4))
def test_worst_from_is_grey_reconstruction(seed):
    morphology = pytest.importorskip("skimage.morphology")
    cost = np.random.default_rng(seed).random((40, 17)) ** 2
    graph = build_graph([cost.shape], [])
    seeds = np.arange(cost.size).reshape(cost.shape)[:, 0]
    start = np.full_like(cost, cost.max())
    start[:, 0] = cost[:, 0]
    expected = morphology.reconstruction(start, cost, method="erosion", footprint=np.ones((3, 3)))
    assert worst_from(graph, cost.ravel(), seeds).reshape(cost.shape) == pytest.approx(expected, abs=1e-12)


def test_the_shortest_weakest_way_meets_exactly_the_bottleneck():
    cost = np.random.default_rng(7).random((30, 9))
    graph = build_graph([cost.shape], [])
    number = np.arange(cost.size).reshape(cost.shape)
    right, left = number[:, 0], number[:, -1]
    through = np.maximum(worst_from(graph, cost.ravel(), right), worst_from(graph, cost.ravel(), left))
    lowest = through[number[:, 4]].min()
    via = int(number[int(through[number[:, 4]].argmin()), 4])
    y, x = (part.ravel().astype(float) for part in np.mgrid[:30, :9])
    allowed = cost.ravel() <= lowest + 1e-9
    halves = [shortest_way(graph, x, y, allowed, via, x == edge) for edge in (0, 8)]
    way = np.concatenate([halves[0][::-1], halves[1][1:]])
    assert cost.ravel()[way].max() == lowest
    assert x[way[0]] == 0
    assert x[way[-1]] == 8
    steps = np.maximum(np.abs(np.diff(x[way])), np.abs(np.diff(y[way])))
    assert steps.max() == 1.0


def test_nodes_out_of_reach_say_so():
    graph = build_graph([(3, 3), (3, 3)], [])
    worst = worst_from(graph, np.ones(18), np.array([0]))
    assert np.isfinite(worst[:9]).all()
    assert np.isinf(worst[9:]).all()


def test_patches_are_joined_where_they_touch():
    graph = build_graph([(3, 3), (3, 3)], [(0, 1, np.array([8]), np.array([0])), (1, 0, np.array([0]), np.array([8]))])
    cost = np.arange(18.0)
    assert worst_from(graph, cost, np.array([0]))[9] == 9.0


# ---- the chain and its sides


def test_sides_of_a_chain_that_turns():
    lines = [BeamLine(0, 0, 55, 0), BeamLine(50, -5, 50, 60)]
    vertices = chain_vertices(lines, closed=False)
    assert vertices.tolist() == [[0, 0], [50, 0], [50, 60]]
    # beyond the crossing, the first strip's end pokes out to the right of the second line
    side, piece = side_of(vertices, 0, np.array([20.0, 20.0, 53.0, 53.0]), np.array([2.0, -2.0, 2.0, -2.0]), False)
    assert list(piece[:3]) == [0, 0, 1]
    assert list(side) == [
        1,
        -1,
        -1,
        -1,
    ]


def test_a_closed_chain_ends_where_it_begins():
    square = [BeamLine(0, 0, 50, 0), BeamLine(50, 0, 50, 50), BeamLine(50, 50, 0, 50), BeamLine(0, 50, 0, 0)]
    vertices = chain_vertices(square, closed=True)
    assert vertices[0].tolist() == vertices[-1].tolist() == [0, 0]
    inside = [int(side_of(vertices, i, np.array([25.0]), np.array([25.0]), True)[0][0]) for i in range(4)]
    assert inside == [1, 1, 1, 1]


# ---- zones together


def test_a_neighbours_overlap_covers_the_dead_spot_before_a_head():
    usual = (("10 GHz", 0.91),)
    lone = fence(zone(BeamLine(0, 0, 80, 0), usual), targets=(CRAWL,))
    assert {cause for _, cause in spots(lone, "crawl")} == {"near_head"}
    assert len(spots(lone, "crawl")) == 2

    def pair(overlap, stagger):
        return fence(
            zone(BeamLine(0, 0, 80, 0), usual),
            zone(BeamLine(160 - overlap, stagger, 80 - overlap, stagger), usual, number=2, forward=False),
            targets=(CRAWL,),
        )

    covered = pair(14.0, 0.0)
    assert [len(spots(covered, "crawl", n)) for n in (1, 2)] == [1, 1]  # the two free ends of the line alone
    assert spots(covered, "crawl")[0][0].to_m < 10.0
    touching = pair(2.0, 0.0)
    assert sum(len(spots(touching, "crawl", n)) for n in (1, 2)) > 2  # shown not to be covered
    assert touching.threats["crawl"].weakest[0] < 0.2
    # posts set sideways leave a winding way: in before one head, along between the lines, out at the other
    slipping = pair(10.0, 0.5)
    inner = [(spot, cause) for spot, cause in spots(slipping, "crawl") if spot.from_m > 40]
    assert [cause for _, cause in inner] == ["junction"]
    assert covered.threats["crawl"].weakest[0] == touching.threats["crawl"].weakest[0]  # the free end is weaker still


@pytest.mark.parametrize("reverse", [False, True])
def test_the_way_a_zone_is_numbered_changes_nothing(reverse):
    dip = lambda s, o: -0.3 * np.exp(-(((s - 45.0) / 4) ** 2)) + 0 * o  # noqa: E731
    line = BeamLine(10, 20, 90, 80)
    works = zone(line, LOW_AND_MAIN, dip)
    if reverse:
        works = zone(line.reversed(), LOW_AND_MAIN, lambda s, o: dip(line.length - s, o), forward=False)
    found = fence(works)
    (spot, cause), *others = [pair for pair in spots(found, "prone") if 20 < pair[0].from_m < 70]
    assert not others
    assert cause == "dip"
    middle = np.array(spot.area.centroid.coords[0])
    assert np.hypot(*(middle - np.array(line.to_map(45.0, 0.0)))) < 1.0


def test_causes_by_counterfactual():

    def cause(ground, stack=LOW_AND_MAIN, length=90.0):
        found = fence(zone(BeamLine(0, 0, length, 0), stack, ground))
        named = [(spot, name) for spot, name in spots(found, "prone") if spot.to_m > 15 and spot.from_m < length - 15]
        return {name for _, name in named}

    assert cause(lambda s, o: -0.35 * np.exp(-(((s - 40) / 4) ** 2)) + 0 * o) == {"dip"}
    assert cause(lambda s, o: 0.55 * np.exp(-(((s - 40) / 7) ** 2)) + 0 * o) == {"shadow"}
    # one 10 GHz head put low loses the prone crawler at mid-span on the flattest ground
    assert cause(lambda s, o: 0.0 * s + 0 * o, stack=(("10 GHz", 0.30),), length=100.0) == {"range"}


def test_an_uncovered_corner_is_called_one():
    usual = (("10 GHz", 0.91),)
    found = fence(zone(BeamLine(0, 0, 60, 0), usual), zone(BeamLine(60, 0, 60, 60), usual, number=2), targets=(CRAWL,))
    near_corner = [name for spot, name in spots(found, "crawl") if spot.from_m > 30]
    assert near_corner == ["corner"]
    assert {name for spot, name in spots(found, "crawl") if spot.to_m < 30} == {"near_head"}


def test_spot_measures():
    found = fence(zone(BeamLine(0, 0, 90, 0), LOW_AND_MAIN, lambda s, o: -0.4 * (np.abs(s - 45) < 4) + 0 * o))
    spot = next(spot for spot, _ in spots(found, "prone") if spot.from_m > 20)
    assert spot.area.is_valid
    assert isinstance(spot.area, Polygon)
    assert spot.area.area == pytest.approx((spot.to_m - spot.from_m) * 4.0, rel=0.05)
    assert spot.crawl_gap_m == pytest.approx(0.4 + 0.25, abs=0.2)
    assert spot.modulation < 0.2


def ring(count=10, side=45.0):
    """A closed chain of zones that overlap at the corners of a regular polygon, each with its own undulation."""
    turn = 2 * np.pi / count
    radius = side / 2 / np.sin(turn / 2)
    corners = [(radius * np.cos(i * turn), radius * np.sin(i * turn)) for i in range(count + 1)]
    works = []
    for i, ((x0, y0), (x1, y1)) in enumerate(pairwise(corners)):
        ux, uy = (x1 - x0) / side, (y1 - y0) / side
        line = BeamLine(x0 - 4 * ux, y0 - 4 * uy, x1 + 4 * ux, y1 + 4 * uy)
        forward = i % 2 == 0

        def ground(s, o, i=i):
            return -0.05 * i * np.exp(-(((s - 26.0) / 4) ** 2)) + 0 * o

        works.append(zone(line if forward else line.reversed(), LOW_AND_MAIN, ground, i + 1, forward))
    return works


def test_tiles_find_what_the_whole_finds(monkeypatch):
    works = ring()
    whole = fence(*works, closed=True, targets=(CRAWL, PRONE))
    monkeypatch.setattr("geotools.detection.chains.TILE_ZONES", 3)
    monkeypatch.setattr("geotools.detection.chains.MARGIN_ZONES", 1)
    seen = []
    for places, core in tiles(len(works), closed=True):
        part = fence(*(works[p] for p in places), core=core, targets=(CRAWL, PRONE))
        for at in core:
            number = places[at] + 1
            seen.append(number)
            for threat in ("crawl", "prone"):
                assert part.weakest(threat, f"Z{number}") == pytest.approx(
                    whole.weakest(threat, f"Z{number}"), abs=1e-9
                )
                assert [(s.from_m, s.to_m, c) for s, c in spots(part, threat, number)] == [
                    (s.from_m, s.to_m, c) for s, c in spots(whole, threat, number)
                ]
    assert sorted(seen) == list(range(1, len(works) + 1))
    assert sum(len(spots(whole, "prone", n)) for n in seen) >= 5


def test_tiles_of_an_open_line_hold_every_zone_once(monkeypatch):
    monkeypatch.setattr("geotools.detection.chains.TILE_ZONES", 4)
    monkeypatch.setattr("geotools.detection.chains.MARGIN_ZONES", 2)
    for count in (1, 8, 9, 12, 13):
        parts = list(tiles(count, closed=False))
        assert [places[at] for places, core in parts for at in core] == list(range(count))
        assert all(0 <= place < count for places, _ in parts for place in places)


# ---- the straight-edge check


def test_straightness_of_a_v_shaped_dip_by_hand():
    # 0.30 m deep at 40 m, 10 m to either side: deeper than 0.15 m over 10 m, than 0.075 m over 15 m
    line = BeamLine(0, 0, 80, 0)
    grid = StripGrid(line, *strip_nodes(line, 2.0, 0.5))
    level = 5.0 + 0.02 * grid.chainage_m - 0.3 * np.clip(1 - np.abs(grid.chainage_m - 40) / 10, 0, 1)
    strip = Strip(grid.chainage_m, grid.offset_m, level[:, None] + 0.0 * grid.offset_m)
    for tolerance, length in ((0.15, 10.0), (0.075, 15.0)):
        (spot, depth), *rest = straightness_spots(grid, strip, tolerance)
        assert not rest
        assert depth == pytest.approx(0.30, abs=1e-9)
        assert spot.to_m - spot.from_m == pytest.approx(length, abs=0.5)
        assert (spot.from_m + spot.to_m) / 2 == pytest.approx(40.0, abs=0.26)
