"""Colouring against known chromatic numbers, brute force, and networkx."""

from __future__ import annotations

import itertools

import networkx as nx
import numpy as np
import pytest

from geotools.errors import NumericInputError
from geotools.steps.channels import colouring
from geotools.steps.channels.assignment import assign
from geotools.steps.channels.colouring import clique, colour


def matrix(graph):
    return nx.to_numpy_array(graph, dtype=bool)


# Chromatic numbers from the literature: complete graphs n; odd cycles 3, even 2; wheels by their rim; the Petersen
# graph 3; the Groetzsch graph (Mycielski of the 5-cycle, no triangle) 4, the next Mycielski graph 5; the Chvatal
# graph 4 (Chvatal 1970); Brinkmann's graph 4; queens on 5 x 5: 5, 6 x 6: 7, 7 x 7: 7 (DIMACS colouring benchmark);
# icosahedron 4; truncated tetrahedron 3; Kneser graph K(7,3): 7 - 6 + 2 = 3 (Lovasz 1978).
def queens(n):
    graph = nx.Graph()
    cells = list(itertools.product(range(n), repeat=2))
    graph.add_nodes_from(cells)
    for (a, b), (c, d) in itertools.combinations(cells, 2):
        if a == c or b == d or abs(a - c) == abs(b - d):
            graph.add_edge((a, b), (c, d))
    return graph


KNOWN = {
    "complete": (nx.complete_graph(6), 6),
    "odd cycle": (nx.cycle_graph(9), 3),
    "even cycle": (nx.cycle_graph(10), 2),
    "wheel": (nx.wheel_graph(6), 4),
    "Petersen": (nx.petersen_graph(), 3),
    "Groetzsch": (nx.mycielski_graph(4), 4),
    "Mycielski 5": (nx.mycielski_graph(5), 5),
    "Chvatal": (nx.chvatal_graph(), 4),
    "icosahedron": (nx.icosahedral_graph(), 4),
    "truncated tetrahedron": (nx.truncated_tetrahedron_graph(), 3),
    "Kneser 7 3": (nx.kneser_graph(7, 3), 3),
    "queens 5": (queens(5), 5),
    "queens 6": (queens(6), 7),
    "queens 7": (queens(7), 7),
}


@pytest.mark.parametrize("name", KNOWN)
def test_chromatic_number_of_known_graphs(name):
    graph, chromatic = KNOWN[name]
    adjacent = matrix(graph)
    assert colour(adjacent, chromatic - 1) is None
    found = colour(adjacent, chromatic)
    assert found is not None
    assert not np.any(adjacent & (found[:, None] == found[None, :]))
    assert found.max() < chromatic


@pytest.mark.parametrize("name", ["Groetzsch", "Chvatal", "queens 6"])
def test_the_integer_programme_agrees(name):
    graph, chromatic = KNOWN[name]
    adjacent = matrix(graph)
    assert colouring._programme(adjacent, chromatic - 1, clique(adjacent)) is None
    found = colouring._programme(adjacent, chromatic, clique(adjacent))
    assert not np.any(adjacent & (found[:, None] == found[None, :]))


@pytest.mark.parametrize("seed", range(8))
def test_fewest_channels_is_what_networkx_finds_exactly(seed):
    # networkx: the chromatic polynomial is zero at every number of colours that is not enough
    graph = nx.gnp_random_graph(6, 0.6, seed=seed)
    margin = np.where(matrix(graph), -3.0, 5.0)
    polynomial = nx.chromatic_polynomial(graph)
    symbol = next(iter(polynomial.free_symbols))
    enough = next(k for k in range(1, 7) if polynomial.subs(symbol, k) > 0)
    assert assign(margin).channels == enough


@pytest.mark.parametrize("seed", range(12))
def test_largest_least_margin_by_brute_force(seed):
    rng = np.random.default_rng(seed)
    n = 6
    margin = rng.uniform(-8, 25, (n, n)).round(2)
    worst = np.minimum(margin, margin.T)
    best_count, best_margin = n + 1, -np.inf
    for choice in itertools.product(range(n), repeat=n):
        least = min(
            (worst[a, b] for a, b in itertools.combinations(range(n), 2) if choice[a] == choice[b]), default=np.inf
        )
        if least < 0:
            continue
        count = len(set(choice))
        if count < best_count or (count == best_count and least > best_margin):
            best_count, best_margin = count, least
    found = assign(margin)
    assert found.optimal
    assert (found.channels, found.least_margin_db) == (best_count, best_margin)


def test_clique_is_one():
    adjacent = matrix(nx.gnp_random_graph(30, 0.4, seed=2))
    members = clique(adjacent)
    assert adjacent[np.ix_(members, members)].sum() == len(members) * (len(members) - 1)
    assert len(members) >= 4


def test_long_ring_of_zones_is_decided_quickly():
    n = 300
    gap = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    gap = np.minimum(gap, n - gap)
    margin = 20 * np.log10(np.maximum(gap, 1)) - 15 + np.where(gap % 2, 25, 0)
    found = assign(margin)
    # zones 2 and 4 apart conflict: two rings of 150, each joined to its second power, which 3 colours as 3 divides 150
    assert (found.channels, found.optimal) == (3, True)


def test_nothing_to_assign():
    assert assign(np.empty((0, 0))).channels == 0
    assert assign(np.zeros((1, 1))).channels == 1


def test_a_graph_that_is_none_is_refused():
    with pytest.raises(NumericInputError, match="graph"):
        colour(np.array([[0, 1], [0, 0]], dtype=bool), 2)
