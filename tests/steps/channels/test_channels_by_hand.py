"""Margins of heads, channels of zones and colourings of small graphs, every one of them tried or worked by hand.

Red when a margin is taken from another pair, a channel too many is called for, or a colouring is missed or made up.
"""

import itertools

import networkx as nx
import numpy as np
import pytest

from geotools.errors import NumericInputError
from geotools.steps.channels import colouring
from geotools.steps.channels.colouring import UndecidedError, _backtrack, _programme, clique, colour
from geotools.steps.channels.kernel import (
    critical_zones,
    head_margins,
    pair_margins,
    zone_margins,
    zones_to_channels,
)


def graphs():
    rng = np.random.default_rng(2)
    for n in (1, 2, 4, 5, 6, 7):
        for share in (0.2, 0.5, 0.8):
            made = np.triu(rng.uniform(size=(n, n)) < share, 1)
            yield made | made.T
    yield nx.to_numpy_array(nx.petersen_graph()).astype(bool)[:8, :8]
    yield nx.to_numpy_array(nx.cycle_graph(7)).astype(bool)
    yield nx.to_numpy_array(nx.disjoint_union(nx.complete_graph(3), nx.cycle_graph(4))).astype(bool)


def is_one(matrix, shades, colours):
    return set(shades.tolist()) <= set(range(colours)) and not (matrix & (shades[:, None] == shades[None])).any()


def possible(matrix, colours):
    return any(is_one(matrix, np.array(s), colours) for s in itertools.product(range(colours), repeat=len(matrix)))


@pytest.mark.parametrize("number", range(21))
def test_colourings_by_trying_all(number):
    matrix = list(graphs())[number]
    for colours in (1, 2, 3):
        there = possible(matrix, colours)
        fixed = clique(matrix)
        for found in (
            colour(matrix, colours),
            *(
                (_backtrack(matrix, colours, fixed), _programme(matrix, colours, fixed))
                if len(fixed) <= colours
                else ()
            ),
        ):
            assert (found is not None) == there
            assert found is None or is_one(matrix, found, colours)
        if len(fixed) <= colours and there:
            # what is fixed keeps its shades
            assert _backtrack(matrix, colours, fixed)[fixed].tolist() == list(range(len(fixed)))
            assert _programme(matrix, colours, fixed)[fixed].tolist() == list(range(len(fixed)))
    assert clique(matrix) == sorted(clique(matrix)) and all(
        matrix[a, b] for a, b in itertools.combinations(clique(matrix), 2)
    )


def test_a_clique_is_found_wherever_it_begins():
    matrix = np.zeros((9, 9), bool)
    for a, b in [*itertools.combinations((2, 5, 7, 8), 2), *((0, k) for k in (1, 3, 4, 6))]:
        matrix[a, b] = matrix[b, a] = True
    assert clique(matrix) == [2, 5, 7, 8] and clique(np.zeros((3, 3), bool)) == [0]


def test_what_backtracking_does_not_end_the_programme_decides(monkeypatch):
    monkeypatch.setattr(colouring, "_PATIENCE", 0)
    matrix = nx.to_numpy_array(nx.cycle_graph(7)).astype(bool)
    with pytest.raises(UndecidedError):
        _backtrack(matrix, 3, [0, 1])
    assert is_one(matrix, colour(matrix, 3), 3) and colour(nx.to_numpy_array(nx.wheel_graph(6)), 3) is None
    assert colour(np.zeros((0, 0)), 3).size == 0 and colour(np.zeros((1, 1)), 0) is None
    for wrong in (np.eye(3), np.array([[0, 1], [0, 0]]), np.zeros((2, 3)), np.zeros(3)):
        with pytest.raises(NumericInputError):
            colour(wrong, 2)


# two receivers of zone 0, one of each other; a transmitter of each zone
LEVEL = np.array([[-50.0, -80.0, -95.0], [-52.0, -70.0, -99.0], [-85.0, -55.0, -60.0], [-99.0, -90.0, -51.0]])
OWN, RX, TX = np.array([0, 0, 1, 2]), np.array([0, 0, 1, 2]), np.array([0, 1, 2])


def test_margins_by_hand():
    margin = pair_margins(LEVEL, OWN, protection_db=10.0)
    assert (
        margin[0].tolist() == [-10, 20, 35]
        and margin[1].tolist() == [-10, 8, 37]
        and margin[2].tolist() == [20, -10, -5]
    )
    least = zone_margins(margin, RX, TX, 3)
    assert least.tolist() == [[np.inf, 8, 35], [20, np.inf, -5], [38, 29, np.inf]]
    with pytest.raises(NumericInputError):
        pair_margins(np.where(LEVEL == -51.0, -np.inf, LEVEL), OWN, protection_db=10.0)
    one = head_margins(margin, RX, TX, np.array([0, 0, 0]), protection_db=10.0)
    assert one.receiver_db.tolist() == [20, 8, -5, 29] and one.worst_transmitter.tolist() == [1, 1, 2, 1]
    assert one.transmitter_db.tolist() == [20, 8, -5] and one.worst_receiver.tolist() == [2, 1, 2]
    both = [
        -10 * np.log10(10 ** (-(a + 10) / 10) + 10 ** (-(b + 10) / 10)) - 10
        for a, b in ((20, 35), (8, 37), (20, -5), (38, 29))
    ]
    assert one.summed_db == pytest.approx(both)
    two = head_margins(margin, RX, TX, np.array([0, 1, 0]), protection_db=10.0)
    assert two.receiver_db.tolist() == [35, 37, np.inf, 38] and two.worst_transmitter.tolist() == [2, 2, -1, 0]
    assert two.transmitter_db.tolist() == [38, np.inf, 35] and two.worst_receiver.tolist() == [3, -1, 0]
    assert np.isinf(two.summed_db[2]) and two.summed_db[0] == pytest.approx(35.0)


def test_channels_are_as_many_as_pairs_and_sums_need():
    margin = pair_margins(LEVEL, OWN, protection_db=10.0)
    given = zones_to_channels(margin, RX, TX, protection_db=10.0, available=None)
    # zone 1 receives zone 2 too strongly; everything else may share
    assert given.channels == 2 and given.channel[1] != given.channel[2]
    assert zones_to_channels(margin, RX, TX, protection_db=10.0, available=3).channels == 3
    locked = zones_to_channels(margin, RX, TX, protection_db=10.0, available=2, locked=np.array([1, -1, 1]))
    assert locked.channel.tolist() == [1, 0, 1]
    # 1 dB over every pair, but not over two together
    close = np.where(np.eye(3, dtype=bool), -10.0, 1.0)
    zones = np.arange(3)
    given = zones_to_channels(close, zones, zones, protection_db=10.0, available=None)
    assert given.channels == 2
    assert (
        zones_to_channels(np.where(close > 0, 4.0, close), zones, zones, protection_db=10.0, available=None).channels
        == 1
    )


def test_zones_that_make_it_impossible_are_named_and_no_others():
    margin = np.full((7, 7), 5.0)
    for a, b in [*itertools.combinations((1, 3, 4), 2), (0, 1), (5, 6)]:
        margin[a, b] = -1.0
    assert sorted(critical_zones(margin, 2).tolist()) == [1, 3, 4]
    assert len(critical_zones(margin, 1)) == 2
    ring = np.full((6, 6), 5.0)
    for k in range(5):
        ring[k, (k + 1) % 5] = -0.1
    assert sorted(critical_zones(ring, 2).tolist()) == [0, 1, 2, 3, 4]


def test_too_few_channels_for_hundreds_of_zones_that_all_receive_each_other_is_known_at_once():
    """Seven zones that all receive each other need seven channels, however many zones more do; of a border of 4,400
    zones the largest such set was looked for, and the step did not end.
    """
    every = ~np.eye(1200, dtype=bool)
    assert len(clique(every, 7)) == 7
    assert colour(every, 6) is None
    # enough is no limit to what is smaller
    apart = np.zeros((6, 6), dtype=bool)
    apart[np.ix_([1, 3, 4], [1, 3, 4])] = ~np.eye(3, dtype=bool)
    assert clique(apart, 4) == [1, 3, 4] and clique(apart, 2) == [1, 3]


def test_no_zones_need_no_channels():
    assert colour(np.zeros((0, 0), bool), 0).size == 0


def test_more_receivers_than_are_dealt_with_at_once():
    """Margins of heads and zones of a long line, against each pair looked at by itself."""
    draw = np.random.default_rng(5)
    margin = draw.uniform(-20.0, 60.0, (300, 280))
    rx_zone, tx_zone, channel = draw.integers(0, 40, 300), draw.integers(0, 40, 280), draw.integers(0, 3, 40)
    found = head_margins(margin, rx_zone, tx_zone, channel, protection_db=12.0)
    heard = {
        (r, t): margin[r, t]
        for r in range(300)
        for t in range(280)
        if rx_zone[r] != tx_zone[t] and channel[rx_zone[r]] == channel[tx_zone[t]]
    }
    for t in range(280):
        worst = min((pair for pair in heard if pair[1] == t), key=lambda pair: heard[pair])
        assert (found.worst_receiver[t], found.transmitter_db[t]) == (worst[0], heard[worst])
    for r in range(300):
        worst = min((pair for pair in heard if pair[0] == r), key=lambda pair: heard[pair])
        assert (found.worst_transmitter[r], found.receiver_db[r]) == (worst[1], heard[worst])
    zones = zone_margins(margin, rx_zone, tx_zone, 40)
    for a, b in ((0, 1), (1, 0), (39, 7), (12, 38)):
        assert zones[a, b] == margin[np.ix_(rx_zone == a, tx_zone == b)].min()
