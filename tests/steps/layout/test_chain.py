"""The optimiser against brute force over every chain, and against networkx's independent shortest paths."""

from __future__ import annotations

import itertools

import networkx as nx
import numpy as np
import pytest

from geotools.errors import NumericInputError
from geotools.steps.layout import chain
from geotools.steps.layout.chain import cheapest_chain, cheapest_loop


def random_case(seed: int, *, stations: int, reach: int, closed: bool, density: float = 0.8):
    rng = np.random.default_rng(seed)
    station = np.repeat(np.arange(stations), rng.integers(1, 3, stations))
    tail, head = [], []
    for a, b in itertools.permutations(range(station.size), 2):
        span = station[b] - station[a]
        if closed:
            span %= stations
        if 0 < span <= reach and rng.random() < density:
            tail.append(a)
            head.append(b)
    cost = rng.integers(1, 30, len(tail)).astype(float)
    return station, np.array(tail), np.array(head), cost


def brute_chain(station, tail, head, cost):
    by_tail = {}
    for t, h, c in zip(tail, head, cost, strict=True):
        by_tail.setdefault(t, []).append((h, c))
    best = np.inf

    def go(node, spent):
        nonlocal best
        if station[node] == station[-1]:
            best = min(best, spent)
            return
        for following, c in by_tail.get(node, []):
            go(following, spent + c)

    for start in np.flatnonzero(station == station[0]):
        go(start, 0.0)
    return best


def brute_loop(n_stations, station, tail, head, cost):
    by_tail = {}
    for t, h, c in zip(tail, head, cost, strict=True):
        by_tail.setdefault(t, []).append((h, c, (station[h] - station[t]) % n_stations))
    best = np.inf

    def go(node, start, turned, spent):
        nonlocal best
        if turned == n_stations:
            if node == start:
                best = min(best, spent)
            return
        for following, c, span in by_tail.get(node, []):
            if turned + span <= n_stations:
                go(following, start, turned + span, spent + c)

    for start in range(station.size):
        go(start, start, 0, 0.0)
    return best


@pytest.mark.parametrize("seed", range(25))
def test_open_chain_is_the_cheapest_of_all(seed):
    case = random_case(seed, stations=8, reach=4, closed=False)
    found = cheapest_chain(*case)
    expected = brute_chain(*case)
    if found is None:
        assert expected == np.inf
        return
    assert found.cost == expected
    assert case[3][found.edges].sum() == expected
    assert np.array_equal(case[1][found.edges], found.nodes[:-1])
    assert np.array_equal(case[2][found.edges], found.nodes[1:])


@pytest.mark.parametrize("seed", range(40))
@pytest.mark.parametrize("density", [0.5, 0.9])
def test_loop_is_the_cheapest_of_all(seed, density):
    station, tail, head, cost = random_case(seed, stations=7, reach=4, closed=True, density=density)
    found = cheapest_loop(7, station, tail, head, cost)
    expected = brute_loop(7, station, tail, head, cost)
    if found is None:
        assert expected == np.inf
        return
    assert found.cost == expected
    assert cost[found.edges].sum() == expected
    assert found.nodes[0] == found.nodes[-1]
    assert np.array_equal(tail[found.edges], found.nodes[:-1])
    assert np.array_equal(head[found.edges], found.nodes[1:])
    assert np.sum((station[head[found.edges]] - station[tail[found.edges]]) % 7) == 7


def test_long_chain_against_an_independent_shortest_path():
    station, tail, head, cost = random_case(3, stations=120, reach=9, closed=False)
    graph = nx.DiGraph()
    graph.add_weighted_edges_from(zip(tail.tolist(), head.tolist(), cost.tolist(), strict=True))
    graph.add_weighted_edges_from(("from", int(i), 0.0) for i in np.flatnonzero(station == 0))
    graph.add_weighted_edges_from((int(i), "to", 0.0) for i in np.flatnonzero(station == station[-1]))
    found = cheapest_chain(station, tail, head, cost)
    assert found is not None
    assert found.cost == nx.shortest_path_length(graph, "from", "to", weight="weight")


def test_no_way_through_is_none():
    station = np.array([0, 1, 2])
    assert cheapest_chain(station, np.array([0]), np.array([1]), np.array([1.0])) is None
    assert cheapest_loop(3, station, np.array([0, 1]), np.array([1, 2]), np.array([1.0, 1.0])) is None


@pytest.mark.parametrize("seed", range(10))
def test_a_zone_of_infinite_cost_is_none(seed):
    for closed, cheapest in ((False, cheapest_chain), (True, lambda *case: cheapest_loop(8, *case))):
        station, tail, head, cost = random_case(seed, stations=8, reach=4, closed=closed)
        gone = np.random.default_rng(seed).random(cost.size) < 0.2
        barred = cheapest(station, tail, head, np.where(gone, np.inf, cost))
        without = cheapest(station, tail[~gone], head[~gone], cost[~gone])
        assert (barred is None) == (without is None)
        if barred is not None and without is not None:
            assert barred.cost == without.cost
            assert np.array_equal(barred.edges, np.flatnonzero(~gone)[without.edges])


@pytest.mark.parametrize("seed", range(20))
def test_starts_of_a_loop_one_by_one_give_the_same_loop(seed, monkeypatch):
    case = random_case(seed, stations=9, reach=4, closed=True)
    together = cheapest_loop(9, *case)
    monkeypatch.setattr(chain, "_LABEL_BYTES", 1)
    alone = cheapest_loop(9, *case)
    assert (together is None) == (alone is None)
    if together is not None and alone is not None:
        assert together.cost == alone.cost
        assert np.array_equal(together.edges, alone.edges)


def test_zones_between_the_same_two_nodes_count_as_the_cheapest():
    ends = np.array([0, 0, 0]), np.array([1, 1, 1])
    found = cheapest_chain(np.array([0, 1]), *ends, np.array([3.0, 1.0, 2.0]))
    assert found is not None
    assert (found.cost, found.edges.tolist()) == (1.0, [1])


def test_a_cost_below_zero_is_refused():
    with pytest.raises(NumericInputError, match="cost"):
        cheapest_chain(np.array([0, 1]), np.array([0]), np.array([1]), np.array([-1.0]))


def test_a_zone_that_runs_backwards_is_refused_on_an_open_line():
    with pytest.raises(NumericInputError, match="before it starts"):
        cheapest_chain(np.array([0, 1]), np.array([1]), np.array([0]), np.array([1.0]))


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_zones_may_come_in_any_order(order):
    """Nothing leads from the first station to the second: what is cheap from there on is out of reach."""
    tail, head, cost = np.array([0, 1, 2])[list(order)], np.array([3, 2, 3])[list(order)], np.array([9.0, 1.0, 1.0])
    found = cheapest_chain(np.arange(4), tail, head, cost[list(order)])
    assert found is not None
    assert (found.cost, found.nodes.tolist(), found.edges.tolist()) == (9.0, [0, 3], [order.index(0)])


@pytest.mark.parametrize("station", [[0, 1, 0], [1, 0, 1], [0, 3, 1]])
def test_nodes_whose_stations_fall_are_refused(station):
    case = np.array(station), np.array([0]), np.array([1]), np.array([1.0])
    for cheapest in (cheapest_chain, lambda *given: cheapest_loop(4, *given)):
        with pytest.raises(NumericInputError, match="not in order"):
            cheapest(*case)
