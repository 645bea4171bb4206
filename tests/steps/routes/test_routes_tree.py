"""Networks of trenches: round buildings, over roads, shared, compared with the cheapest of all on small graphs."""

from itertools import combinations

import networkx
import numpy as np
import pytest
import shapely

from geotools.steps.routes.graph import Places, RouteGraph, build_graph
from geotools.steps.routes.ground import Crossed, TrenchGround, TrenchPrices, allowed_ground, trench_places
from geotools.steps.routes.tree import reached, steiner_tree

METRE = TrenchPrices(1.0, 0.0, 0.0, 0.0)


def at(x, y):
    return np.array([x, y], float)


def laid(graph: RouteGraph, tree) -> shapely.MultiLineString:
    pairs = graph.cheapest()
    return shapely.union_all([shapely.LineString(graph.places.xy[graph.ends[pairs[edge]]]) for edge in tree])


def joined(ground, prices, sources, posts, chords=()):
    graph = build_graph(ground, prices, sources, posts, chords)
    wanted = [int(graph.node(k)) for k, name in enumerate(graph.places.names) if name in posts]
    return graph, steiner_tree(graph, reached(graph, wanted))


def test_one_post_gets_a_straight_trench():
    graph, tree = joined(TrenchGround(shapely.box(0, 0, 50, 50)), METRE, {"S": at(10, 10)}, {"P": at(40, 50)})
    assert laid(graph, tree).length == pytest.approx(50.0)


def test_a_trench_goes_round_a_building():
    fence = shapely.LineString([(0, 0), (40, 0), (40, 40), (0, 40), (0, 0)])
    building = shapely.box(15, 10, 25, 40)
    places = np.array([[5.0, 20.0], [35.0, 20.0]])
    area = allowed_ground([fence], places, [building], 0.0, 0.0)
    graph, tree = joined(TrenchGround(area), METRE, {"S": places[0]}, {"P": places[1]})
    # down to the corners at (15, 10) and (25, 10), along, and up again; a building without a margin is 5 cm thicker
    assert laid(graph, tree).length == pytest.approx(2 * np.hypot(10, 10) + 10, abs=0.3)
    assert not laid(graph, tree).intersects(building)


@pytest.mark.parametrize(("price", "across"), [(1.0, True), (50.0, False)])
def test_a_road_is_crossed_where_that_is_cheaper_than_to_go_round(price, across):
    road = shapely.box(18, 0, 22, 30)
    ground = TrenchGround(shapely.box(0, 0, 40, 40), (Crossed("road", "lane", road),))
    prices = TrenchPrices(1.0, price, 0.0, 0.0)
    graph, tree = joined(ground, prices, {"S": at(5, 5)}, {"P": at(35, 5)})
    length, under, _, _ = ground.lengths(np.array([laid(graph, tree)]))
    # straight 30 m, 4 of them beneath the road, or up to its end at 30 m, along it and down again
    assert length[0] == pytest.approx(30.0 if across else 2 * np.hypot(13, 25) + 4, abs=0.5)
    assert under[0] == pytest.approx(4.0 if across else 0.0, abs=1e-6)


def test_a_road_is_crossed_square_where_a_metre_beneath_it_is_dear():
    road = shapely.box(18, -1000, 22, 1000)
    ground = TrenchGround(shapely.box(0, 0, 40, 40), (Crossed("road", "lane", road),))
    graph, tree = joined(ground, TrenchPrices(1.0, 20.0, 0.0, 0.0), {"S": at(5, 5)}, {"P": at(35, 35)})
    # askew 5.7 m would lie beneath the road
    assert float(ground.lengths(np.array([laid(graph, tree)]))[1][0]) == pytest.approx(4.0, abs=1e-6)


def test_a_trench_joins_square_between_two_posts_and_is_shared():
    posts = {"A": at(0, 0), "B": at(100, 0)}
    graph, tree = joined(TrenchGround(shapely.box(-1, -1, 101, 60)), METRE, {"S": at(50, 40)}, posts, [("A", "B")])
    # without the joint two trenches of 64 m and the like; the tee takes 140 m, the cheaper of two sides of it 128 m
    assert laid(graph, tree).length == pytest.approx(min(140.0, 2 * np.hypot(50, 40)))
    posts = {"A": at(0, 0), "B": at(100, 0), "C": at(40, 0), "D": at(60, 0)}
    graph, tree = joined(TrenchGround(shapely.box(-1, -1, 101, 60)), METRE, {"S": at(50, 30)}, posts, [("C", "D")])
    # along the posts 100 m and 30 m to the middle; from a post it would be 31.6 m
    assert laid(graph, tree).length == pytest.approx(130.0)


def test_posts_that_no_way_leads_to_are_left_out():
    wall = shapely.box(18, -5, 22, 45)
    ground = TrenchGround(shapely.box(0, 0, 40, 40).difference(wall))
    graph = build_graph(ground, METRE, {"S": at(5, 5)}, {"P": at(35, 5), "Q": at(5, 35)}, [])
    nodes = {name: int(graph.node(k)) for k, name in enumerate(graph.places.names) if name in "PQ" and name}
    assert reached(graph, list(nodes.values())) == [nodes["Q"]]


def test_each_post_is_fed_from_the_nearer_of_two_sources():
    sources = {"S": at(0, 0), "T": at(100, 0)}
    graph, tree = joined(TrenchGround(shapely.box(0, 0, 100, 10)), METRE, sources, {"A": at(10, 0), "B": at(90, 0)})
    assert laid(graph, tree).length == pytest.approx(20.0)


def exact(graph: RouteGraph, terminals) -> float:
    """The cheapest network of all, by trying every set of joints."""
    whole = networkx.Graph()
    for (a, b), k in graph.cheapest().items():
        whole.add_edge(a, b, weight=float(graph.cost[k]))
    others = sorted(set(whole) - set(terminals))
    best = np.inf
    for size in range(len(others) + 1):
        for joints in combinations(others, size):
            part = whole.subgraph([*terminals, *joints])
            if networkx.is_connected(part):
                best = min(best, networkx.minimum_spanning_tree(part).size(weight="weight"))
    return best


def test_networks_cost_little_more_than_the_cheapest_of_all():
    rng = np.random.default_rng(7)
    ratios = []
    for _ in range(40):
        xy = rng.uniform(0, 100, (11, 2))
        ends = np.array(list(combinations(range(11), 2)))
        # prices of their own, so that ways through joints pay
        cost = np.hypot(*(xy[ends[:, 0]] - xy[ends[:, 1]]).T) * rng.uniform(0.4, 1.6, len(ends))
        graph = RouteGraph(Places(xy, tuple("SABCD") + ("",) * 6, 1), ends.astype(np.intp), cost)
        terminals = [0, 1, 2, 3, 4]
        tree = steiner_tree(graph, terminals[1:])
        pairs = graph.cheapest()
        network = networkx.Graph(tree)
        assert networkx.is_tree(network) and set(terminals) <= set(network)
        ratios.append(sum(graph.cost[pairs[edge]] for edge in tree) / exact(graph, terminals))
    assert min(ratios) > 1 - 1e-9
    assert max(ratios) < 1.25
    assert np.mean(ratios) < 1.02


def test_the_trench_passes_a_post_on_the_side_away_from_the_fence():
    fence = shapely.LineString([(0, 0), (100, 0)])
    ground = TrenchGround(shapely.box(0, -10, 100, 10))
    places = trench_places(
        {"in": at(50, 3), "out": at(50, -3), "edge": at(20, 9.5)},
        dict.fromkeys(("in", "out", "edge"), fence),
        1.5,
        ground,
    )
    assert places["in"].tolist() == [50, 4.5]
    assert places["out"].tolist() == [50, -4.5]
    # where the place beside lies off the allowed ground, the trench passes at the post
    assert places["edge"].tolist() == [20, 9.5]


def test_crossings_are_counted_by_kind():
    crossed = (
        Crossed("road", "lane", shapely.box(10, -5, 14, 5)),
        Crossed("drain", "ditch", shapely.LineString([(20, -5), (20, 5)])),
        Crossed("drain", "bend", shapely.LineString([(30, -5), (30, 5), (35, 5), (35, -5)])),
        Crossed("fence", "F01", shapely.LineString([(50, -5), (50, 5)])),
    )
    ground = TrenchGround(shapely.box(0, -10, 60, 10), crossed)
    length, under, drains, fences = ground.lengths(np.array([shapely.LineString([(0, 0), (60, 0)])]))
    assert (length[0], under[0], drains[0], fences[0]) == (60, 4, 3, 1)
    cost = ground.cost(np.array([shapely.LineString([(0, 0), (60, 0)])]), TrenchPrices(2.0, 10.0, 100.0, 1000.0))
    assert cost[0] == 60 * 2 + 4 * 10 + 3 * 100 + 1000
