"""Margins by hand on zones in a straight line, and the reasons of an impossible assignment."""

from __future__ import annotations

import itertools

import networkx as nx
import numpy as np
import pytest

from geotools.beam.interference import HeadArray, reception
from geotools.errors import NumericInputError
from geotools.steps.channels.assignment import assign
from geotools.steps.channels.colouring import colour
from geotools.steps.channels.kernel import (
    critical_zones,
    head_margins,
    pair_margins,
    zone_margins,
    zones_to_channels,
)


def straight(zones, length=100.0):
    """Zones in line, directions alternating, so that like heads stand side by side."""
    start = np.arange(zones) * length
    forward = np.arange(zones) % 2 == 0
    tx_x, rx_x = np.where(forward, start, start + length), np.where(forward, start + length, start)

    def heads(x, azimuth):
        n = len(x)
        return HeadArray(
            np.column_stack([x, np.zeros(n), np.full(n, 0.91)]),
            azimuth,
            np.zeros(n),
            np.full(n, 10.525e9),
            np.full(n, 6.0),
            np.full(n, 6.0),
            np.ones(n, bool),
        )

    return heads(rx_x, np.where(forward, 270.0, 90.0)), heads(tx_x, np.where(forward, 90.0, 270.0))


def test_zones_in_line_by_hand():
    n = 12
    receivers, transmitters = straight(n)
    zone = np.arange(n)
    pairs = pair_margins(reception(receivers, transmitters).level_db, zone, protection_db=15.0)
    zones = zone_margins(pairs, zone, zone, n)
    # same way, 2 k zones apart: the foreign transmitter is 2 k + 1 zones off (free space, on both axes)
    for gap in (2, 4, 6):
        assert zones[gap, 0] == pytest.approx(20 * np.log10(gap + 1) - 15, abs=1e-6)
    # 3 and 5 zones are 9.5 and 14.0 dB, 7 zones 16.9: each zone conflicts with the second and the fourth on either side
    found = assign(zones)
    assert (found.channels, found.optimal) == (3, True)
    heads = head_margins(pairs, zone, zone, found.channel, protection_db=15.0)
    assert heads.receiver_db.min() == pytest.approx(found.least_margin_db)
    assert np.all(heads.summed_db <= heads.receiver_db + 1e-9)
    for r, t in itertools.product(range(n), repeat=2):
        if r != t and found.channel[r] == found.channel[t]:
            assert heads.receiver_db[r] <= pairs[r, t]
            assert heads.transmitter_db[t] <= pairs[r, t]


def test_two_equal_unwanted_signals_cost_three_decibels():
    pairs = np.array([[-15.0, 5.0, 5.0]])
    heads = head_margins(pairs, np.array([0]), np.array([0, 1, 2]), np.array([0, 0, 0]), protection_db=15.0)
    assert heads.receiver_db[0] - heads.summed_db[0] == pytest.approx(10 * np.log10(2))


def test_a_zone_alone_on_its_channel_has_no_margin_to_state():
    heads = head_margins(
        np.array([[-15.0, 3.0]]), np.array([0]), np.array([0, 1]), np.array([0, 1]), protection_db=15.0
    )
    assert heads.receiver_db[0] == np.inf
    assert heads.worst_transmitter[0] == -1


@pytest.mark.parametrize(
    ("graph", "channels", "size"),
    [(nx.complete_graph(6), 4, 5), (nx.mycielski_graph(4), 3, 11), (nx.cycle_graph(7), 2, 7)],
)
def test_the_reason_is_named_and_nothing_more(graph, channels, size):
    # complete graphs, the Groetzsch graph and odd cycles are critical: none of their vertices can be left out
    bigger = nx.disjoint_union(graph, nx.path_graph(5))
    margin = np.where(nx.to_numpy_array(bigger, dtype=bool), -1.0, 9.0)
    named = critical_zones(margin, channels)
    assert len(named) == size
    conflict = (margin < 0)[np.ix_(named, named)]
    assert colour(conflict, channels) is None


def test_a_receiver_without_its_own_transmitter_is_refused():
    with pytest.raises(NumericInputError, match="own transmitter"):
        pair_margins(np.array([[-np.inf]]), np.array([0]), protection_db=15)


def test_one_more_channel_where_all_signals_together_are_too_strong():
    # three zones, each pair 1 dB apart: one channel by pairs, but two signals 3 dB up together leave -2 dB
    pairs = np.where(np.eye(3, dtype=bool), -15.0, 1.0)
    zone = np.arange(3)
    found = zones_to_channels(pairs, zone, zone, protection_db=15.0, available=None)
    assert (found.fewest, found.channels) == (1, 2)
    assert head_margins(pairs, zone, zone, found.channel, protection_db=15.0).summed_db.min() == pytest.approx(1.0)
    assert zones_to_channels(pairs, zone, zone, protection_db=15.0, available=1).channels == 1
    assert zones_to_channels(pairs, zone, zone, protection_db=15.0, available=6).channels == 3
