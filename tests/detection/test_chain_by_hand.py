"""Strips joined into a chain, ways over it, tiles, spots: against breadth-first search and by hand.

No beam is solved. Red when a node is put on the wrong side, strip or edge, a step is lost or made up, a way is not the
shortest, or a spot or a tile is cut wrongly.
"""

import itertools

import networkx as nx
import numpy as np
import pytest
from shapely import LineString, Point, box

from geotools.corridor import BeamLine, StripGrid
from geotools.detection.areas import areas_of, crossed, stepped_over
from geotools.detection.chain import chain_vertices, side_of
from geotools.detection.chains import MARGIN_ZONES, TILE_ZONES, tiles
from geotools.detection.crossing import Corridor
from geotools.detection.patch import Patch
from geotools.detection.spots import find_spots, outline, runs, stretch
from geotools.detection.topology import Topology
from geotools.detection.ways import build_graph, shortest_way, worst_from

OPEN = [BeamLine(0, 0, 12, 0), BeamLine(9, 1, 22, -1), BeamLine(20, -3, 21, 9)]
# nothing square to anything, so that no node is as near to one piece as to another
RING = [BeamLine(0, 0, 10, 0.13), BeamLine(9, -2, 10.2, 9), BeamLine(11, 8, -1, 7.3), BeamLine(0.5, 8, 0.67, -2)]
CHAINS = {"open": (OPEN, False), "ring": (RING, True)}


def topology_of(name, forward=None):
    lines, closed = CHAINS[name]
    ahead = [True] * len(lines) if forward is None else forward
    own = [line if way else line.reversed() for line, way in zip(lines, ahead, strict=True)]
    return Topology([StripGrid.over(line, 2.0, 1.0) for line in own], ahead, closed)


def polyline(name):
    lines, closed = CHAINS[name]
    return LineString(chain_vertices(lines, closed))


@pytest.mark.parametrize("name", CHAINS)
@pytest.mark.parametrize("turned", [False, True])
def test_nodes_lie_on_the_strips_sides_and_edges_that_geometry_gives_them(name, turned):
    forward = [not turned or number % 2 == 0 for number in range(len(CHAINS[name][0]))]
    topology = topology_of(name, forward)
    vertices = topology.vertices
    for place, grid in enumerate(topology.grids):
        x, y = grid.map_xy()
        others = [p for p in range(len(topology.grids)) if p != place]
        areas = {p: topology.grids[p].line.rectangle(0.0, topology.grids[p].line.length, 2.0) for p in others}
        links = {link.other: link for link in topology.links(place)}
        on_other = np.zeros(x.size, bool)
        for p, area in areas.items():
            inside = np.array([area.distance(Point(*at)) < 1e-6 for at in zip(x.flat, y.flat, strict=True)])
            found = np.zeros(x.size, bool)
            if p in links:
                link = links[p]
                found[link.nodes] = True
                ox, oy = topology.grids[p].map_xy()
                apart = np.hypot(
                    x.ravel()[link.nodes] - ox.ravel()[link.near], y.ravel()[link.nodes] - oy.ravel()[link.near]
                )
                assert apart.max() < 0.75
                # bilinear between nodes: exact for planes
                assert link.look_up(2.0 * ox - oy) == pytest.approx((2.0 * x - y).ravel()[link.nodes])
            assert np.array_equal(found, inside)
            on_other |= inside
            if inside.any():
                assert p in topology.touching(place)
        right, left = topology.edges(place)
        side_edge = np.zeros(x.shape, bool)
        side_edge[:, [0, -1]] = True
        assert np.array_equal(right | left, side_edge & ~on_other.reshape(x.shape))
        assert np.array_equal(right, (right | left) & topology.right(place))
        # a place clear of the vertices lies on the side of the piece that is nearest
        pieces = [LineString(vertices[i : i + 2]) for i in range(len(vertices) - 1)]
        for at in zip(x.flat, y.flat, topology.right(place).flat, strict=True):
            apart = [piece.distance(Point(*at[:2])) for piece in pieces]
            nearest = int(np.argmin(apart))
            if sorted(apart)[1] - min(apart) > 1e-3 and min(apart) > 1e-3:
                (x0, y0), (x1, y1) = vertices[nearest : nearest + 2]
                assert at[2] == ((x1 - x0) * (at[1] - y0) - (y1 - y0) * (at[0] - x0) < 0)


def test_boxes_that_do_not_meet_do_not_touch():
    far = [BeamLine(0, 0, 10, 0), BeamLine(12, 0, 20, 0), BeamLine(40, 0, 50, 0), BeamLine(12, 3.5, 20, 3.5)]
    topology = Topology([StripGrid.over(line, 2.0, 1.0) for line in far], [True] * 4, False)
    boxes = [box(*line.rectangle(0.0, line.length, 2.0).bounds) for line in far]
    for a in range(4):
        assert topology.touching(a) == tuple(b for b in range(4) if b != a and boxes[a].intersects(boxes[b]))
    assert topology.window(1, 1) == [0, 1, 2] and topology.window(0, 1) == [0, 1] and topology.window(3, 2) == [1, 2, 3]
    ring = topology_of("ring")
    assert ring.window(0, 1) == [3, 0, 1] and sorted(ring.window(0, 5)) == [0, 1, 2, 3]


def test_lines_meet_where_they_cross_and_else_halfway():
    assert chain_vertices([BeamLine(0, 0, 10, 0), BeamLine(8, -1, 8, 5)], False).tolist() == [[0, 0], [8, 0], [8, 5]]
    # side by side, and apart: halfway from the end of one to the start of the other
    assert chain_vertices([BeamLine(0, 0, 10, 0), BeamLine(9, 1, 19, 1)], False)[1].tolist() == [9.5, 0.5]
    assert chain_vertices([BeamLine(0, 0, 10, 0), BeamLine(12, 4, 12, 9)], False)[1].tolist() == [11, 2]
    assert chain_vertices([BeamLine(0, 0, 10, 0), BeamLine(10, 0, 10, 5)], False)[1].tolist() == [10, 0]
    square = chain_vertices([BeamLine(0, 0, 10, 0), BeamLine(9, -1, 9, 9), BeamLine(10, 8, -2, -4)], True)
    assert square.tolist() == [[2, 0], [9, 0], [9, 7], [2, 0]]


def test_a_place_is_left_of_the_line_it_is_nearest_to_and_on_it_right():
    vertices = np.array([(0.0, 0.0), (10.0, 0.0), (10.0, 10.0)])
    side, piece = side_of(
        vertices, 0, np.array([5.0, 5.0, 5.0, 12.0, 7.0]), np.array([1.0, -1.0, 0.0, 5.0, 5.0]), False
    )
    assert side.tolist() == [1, -1, -1, -1, 1] and piece.tolist() == [0, 0, 0, 1, 1]


def walked(topology, opened):
    """Rows of each strip where somebody steps over, by breadth-first search node by node."""
    graph, right = nx.Graph(), {}
    starts = {True: set(), False: set()}
    for place, open_ in enumerate(opened):
        n, k = open_.shape
        sides = topology.right(place)
        on_right, on_left = topology.edges(place)
        for r, c in itertools.product(range(n), range(k)):
            if open_[r, c]:
                graph.add_node((place, r, c))
                right[place, r, c] = bool(sides[r, c])
                if on_right[r, c] or on_left[r, c]:
                    starts[bool(sides[r, c])].add((place, r, c))
                for dr, dc in ((1, 0), (0, 1), (1, 1), (1, -1)):
                    if 0 <= c + dc < k and r + dr < n and open_[r + dr, c + dc]:
                        graph.add_edge((place, r, c), (place, r + dr, c + dc))
        for link in topology.links(place):
            for node, near in zip(link.nodes, link.near, strict=True):
                a, b = (place, *divmod(int(node), k)), divmod(int(near), opened[link.other].shape[1])
                if open_[a[1], a[2]] and opened[link.other][b]:
                    graph.add_edge(a, (link.other, *b))
    reached = {}
    for side in (True, False):
        part = graph.subgraph([node for node in graph if right[node] == side])
        reached[side] = set().union(*[nx.node_connected_component(part, s) for s in starts[side]], set())
    rows = {}
    for place, open_ in enumerate(opened):
        steps, k = topology.steps(place), open_.shape[1]
        rows[place] = np.zeros(len(open_), bool)
        for one, other in zip(steps.right, steps.left, strict=True):
            a, b = (place, *divmod(int(one), k)), (place, *divmod(int(other), k))
            if a in reached[True] and b in reached[False]:
                rows[place][a[1]] = True
    return rows


@pytest.mark.parametrize("name", CHAINS)
@pytest.mark.parametrize("share", [0.35, 0.5, 0.65])
def test_who_gets_over_is_who_walks_over(name, share):
    topology, rng = topology_of(name), np.random.default_rng(round(100 * share))
    places = list(range(len(topology.grids)))
    for _ in range(6):
        values = [rng.uniform(0.0, 1.0, topology.shape(p)) for p in places]
        opened = [v < share for v in values]
        expected = walked(topology, opened)
        found = crossed(topology, places, lambda p, o=opened: areas_of(topology, p, o[p]), places)
        stations = Corridor(topology).threat(values, ()).stations
        for p in places:
            assert np.array_equal(found[p], expected[p])
            assert np.array_equal(stations[p] < share, expected[p])
            steps = topology.steps(p)
            flat = opened[p].ravel()
            over = stepped_over(topology, p, opened[p])
            assert over.tolist() == [bool(flat[a] and flat[b]) for a, b in zip(steps.right, steps.left, strict=True)]


@pytest.mark.parametrize("name", CHAINS)
def test_other_strips_are_looked_at_only_where_an_area_meets_one(name):
    """A hole that is open over the line and meets neither edge nor strip is shut, whatever is open elsewhere."""
    topology = topology_of(name)
    for place in range(len(topology.grids)):
        (n, k), steps, asked = topology.shape(place), topology.steps(place), []
        shut = np.zeros((n, k), bool)
        shut.ravel()[topology.meets(place)] = True
        shut[:, [0, -1]] = True
        here = next(
            i for i, (a, b) in enumerate(zip(steps.right, steps.left, strict=True)) if not shut.ravel()[[a, b]].any()
        )
        opened = np.zeros((n, k), bool)
        opened.ravel()[[steps.right[here], steps.left[here]]] = True

        def areas(at, place=place, opened=opened, asked=asked):
            asked.append(at)
            return areas_of(topology, at, opened if at == place else np.ones(topology.shape(at), bool))

        found = crossed(topology, list(range(len(topology.grids))), areas, [place])[place]
        assert not found.any() and set(asked) == {place}
    for place in range(len(topology.grids)):
        for link in topology.links(place):
            assert np.isin(link.nodes, topology.meets(place)).all()
            assert np.isin(link.near, topology.meets(link.other)).all()


@pytest.mark.parametrize("name", CHAINS)
def test_every_step_is_between_touching_nodes_of_either_side_of_the_strips_own_piece(name):
    topology = topology_of(name)
    pieces = [LineString(topology.vertices[i : i + 2]) for i in range(len(topology.grids))]
    for place, grid in enumerate(topology.grids):
        x, y = (at.ravel() for at in grid.map_xy())
        steps, right, k = topology.steps(place), topology.right(place).ravel(), grid.offset_m.size
        made = set(zip(steps.right.tolist(), steps.left.tolist(), strict=True))

        def nearest(node, x=x, y=y):
            return int(np.argmin([round(p.distance(Point(x[node], y[node])), 9) for p in pieces]))

        wanted = set()
        for a, b in itertools.product(range(x.size), range(x.size)):
            (r, c), (s, d) = divmod(a, k), divmod(b, k)
            if max(abs(r - s), abs(c - d)) == 1 and right[a] and not right[b] and nearest(a) == nearest(b) == place:
                wanted.add((a, b))
        assert made == wanted
        assert steps.row.tolist() == [node // k for node in steps.right.tolist()]
        assert np.array_equal(np.flatnonzero(topology.counted(place)), np.unique(steps.row))


def test_ways_over_several_patches_are_networkx_ways():
    rng = np.random.default_rng(3)
    shapes = [(4, 3), (3, 5), (5, 3), (3, 3)]
    links = [(0, 1, np.array([11, 10]), np.array([0, 1])), (1, 0, np.array([0]), np.array([11]))]
    links += [(1, 2, np.array([14]), np.array([2])), (2, 3, np.array([14, 13]), np.array([0, 0]))]
    graph = build_graph(shapes, links)
    assert graph.first.tolist() == [0, 12, 27, 42, 51] and graph.size == 51
    known = nx.Graph()
    for first, (n, k) in zip(graph.first.tolist(), shapes, strict=False):
        cells = list(itertools.product(range(n), range(k)))
        for (r, c), (s, d) in itertools.combinations(cells, 2):
            if max(abs(r - s), abs(c - d)) == 1:
                known.add_edge(first + r * k + c, first + s * k + d)
    known.add_edges_from([(11, 12), (10, 13), (26, 29), (41, 42), (40, 42)])
    pairs = {frozenset(pair) for pair in zip(graph.u.tolist(), graph.v.tolist(), strict=True)}
    assert pairs == {frozenset(edge) for edge in known.edges} and graph.u.size == len(pairs)

    x, y, cost = rng.uniform(0, 9, 51), rng.uniform(0, 9, 51), rng.uniform(0, 1, 51)
    for a, b in known.edges:
        known.edges[a, b]["length"] = np.hypot(x[a] - x[b], y[a] - y[b]) + 1e-6
    for node in (0, 13, 30, 45, 50):
        for ends in ([2], [50], [20, 3], [44, 0, 35]):
            allowed = rng.uniform(size=51) < 0.9
            allowed[[node, *ends]] = True
            part = known.subgraph(np.flatnonzero(allowed).tolist())
            flags = np.zeros(51, bool)
            flags[ends] = True
            reach = [e for e in ends if nx.has_path(part, node, e)]
            if not reach:
                with pytest.raises(ValueError, match="within reach"):
                    shortest_way(graph, x, y, allowed, node, flags)
                continue
            # on the patch and its neighbours first, then everywhere
            patch = int(np.searchsorted(graph.first, node, side="right")) - 1
            span = range(graph.first[max(patch - 1, 0)], graph.first[min(patch + 2, 4)])
            near = part.subgraph([i for i in part if i in span])
            close = [e for e in reach if e in near and nx.has_path(near, node, e)]
            where = near if close else part
            best = min(nx.shortest_path_length(where, node, e, weight="length") for e in (close or reach))
            way = shortest_way(graph, x, y, allowed, node, flags).tolist()
            assert way[0] == node and way[-1] in reach
            assert nx.path_weight(part, way, "length") == pytest.approx(best)
    seeds = np.array([4, 30])
    for within in (None, rng.uniform(size=51) < 0.7):
        worst = worst_from(graph, cost, seeds, within)
        for node in range(51):
            ok = [i for i in range(51) if within is None or within[i]]
            value = np.inf
            for top in np.sort(cost):
                part = known.subgraph([i for i in ok if cost[i] <= top])
                if node in part and any(s in part and nx.has_path(part, node, int(s)) for s in seeds):
                    value = top
                    break
            assert worst[node] == pytest.approx(value)
    assert np.isinf(worst_from(graph, cost, np.array([], dtype=np.intp))).all()


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize(
    "count", [1, TILE_ZONES, TILE_ZONES + 2 * MARGIN_ZONES, TILE_ZONES + 2 * MARGIN_ZONES + 1, 100]
)
def test_tiles_answer_for_every_zone_once_and_know_its_neighbours(count, closed):
    answered = []
    for kept, core in tiles(count, closed):
        answered += [kept[i] for i in core]
        if len(kept) < count:
            assert len(core) <= TILE_ZONES and len(kept) <= TILE_ZONES + 2 * MARGIN_ZONES
        assert len(set(kept)) == len(kept)
        for i in core:
            around = range(kept[i] - MARGIN_ZONES, kept[i] + MARGIN_ZONES + 1)
            assert {p % count if closed else p for p in around if closed or 0 <= p < count} <= set(kept)
    assert answered == list(range(count))


def test_a_spot_by_hand():
    grid = StripGrid.over(BeamLine(0, 0, 10, 0), 2.0, 1.0)
    assert runs(np.array([1, 0, 1, 1, 0, 1], bool)) == [(0, 0), (2, 3), (5, 5)] and runs(np.zeros(3, bool)) == []
    assert stretch(grid, 0, 2) == (0.0, 2.5) and stretch(grid, 3, 10) == (2.5, 10.0)
    open_ = np.zeros((11, 5), bool)
    open_[4, 1:5] = open_[5, 2:4] = open_[6, 0:4] = True
    open_[6, 1] = False
    # row 4: from -1 to the left edge at 2; row 5: from 0 to 1; row 6: from 0 (shut at -1) to 1; half a spacing on
    area = outline(grid, open_, 4, 6)
    right = [-1.5, -0.5, -0.5]
    assert area.bounds == pytest.approx((3.5, -2.0, 6.5, 2.0), abs=0.51)
    for row, (up, down) in enumerate(zip((2.0, 2.0, 2.0), right, strict=True), 4):
        assert not area.contains(Point(row, down - 1.01)) and not area.contains(Point(row, up + 0.01))
        assert area.contains(Point(row, down + 0.01)) and area.contains(Point(row, 0.5))
    assert not area.contains(Point(6, -1.9)) and not area.contains(Point(5, -1.6))

    best = np.where(open_, 0.1, 0.9)[None]
    floor = np.broadcast_to(5.0 + np.arange(5) * 0.1, (11, 5)).copy()
    floor[5, 1] = np.inf
    stations = np.full(11, 0.9)
    stations[4:7] = 0.15, 0.05, 0.1
    steps = np.column_stack([np.arange(11) * 5 + 1, np.arange(11) * 5 + 2])
    (spot,) = find_spots(Patch("Z", grid, np.full((11, 5), 4.6), best, floor), 0, stations, steps, 0.2)
    assert spot.rows == (4, 6) and spot.modulation == 0.05
    # rows 4 and 6: the lower of 0.5 and 0.6; row 5: of 3 m at most and 0.6
    assert spot.crawl_gap_m == pytest.approx(0.6)


def test_a_single_line_of_a_closed_fence_ends_where_it_ends():
    assert chain_vertices([BeamLine(2.0, 1.0, 9.0, 5.0)], True).tolist() == [[2.0, 1.0], [9.0, 5.0]]
