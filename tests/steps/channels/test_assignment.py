"""All channels put to use, against trying every assignment; zones whose channel is locked."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from geotools.errors import NumericInputError
from geotools.steps.channels.assignment import assign


def least_margin(margin, choice):
    """Least margin of two zones on one channel."""
    worst = np.minimum(margin, np.transpose(margin))
    pairs = itertools.combinations(range(len(choice)), 2)
    return min((worst[a, b] for a, b in pairs if choice[a] == choice[b]), default=np.inf)


def best_of_all(margin, channels, locked=None):
    """Largest least margin over every assignment of so many channels, locked zones on theirs."""
    n = len(margin)
    held = [-1] * n if locked is None else locked
    shades = [range(channels) if c < 0 else [c] for c in held]
    return max(least_margin(margin, choice) for choice in itertools.product(*shades))


def in_line(zones):
    """Margins of zones in line, twice as far apart 6 dB better, from 5.3 dB for neighbours."""
    gap = np.abs(np.subtract.outer(np.arange(zones), np.arange(zones)))
    return 5.3 + 20 * np.log10(np.maximum(gap, 1))


def test_one_channel_of_six_is_not_used_where_six_leave_more_margin():
    # 24 zones in line: on one channel the neighbours are 5.3 dB apart, cycling through six the sixth zone on
    margin = in_line(24)
    assert assign(margin).channels == 1
    assert assign(margin).least_margin_db == pytest.approx(5.3)
    found = assign(margin, channels=6)
    assert (found.channels, found.fewest, found.optimal) == (6, 1, True)
    assert found.least_margin_db == pytest.approx(5.3 + 20 * np.log10(6))


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("channels", [2, 3])
def test_largest_least_margin_with_all_channels_by_brute_force(seed, channels):
    margin = np.random.default_rng(seed).uniform(0, 40, (6, 6)).round(2)
    found = assign(margin, channels=channels)
    assert found.optimal
    assert found.least_margin_db == best_of_all(margin, channels)
    assert found.least_margin_db == least_margin(margin, found.channel)
    assert found.channels == channels


@pytest.mark.parametrize("seed", range(6))
def test_the_unwanted_power_is_not_lowered_by_changing_one_more_zone(seed):
    margin = np.random.default_rng(seed).uniform(0, 40, (8, 8)).round(2)
    found = assign(margin, channels=3)
    power = 10 ** (-np.minimum(margin, margin.T) / 10)
    np.fill_diagonal(power, 0)

    def received(choice):
        return power[choice[:, None] == choice[None, :]].sum()

    for zone, channel in itertools.product(range(8), range(3)):
        other = found.channel.copy()
        other[zone] = channel
        if least_margin(margin, other) >= found.least_margin_db:
            assert received(other) >= received(found.channel) * (1 - 1e-9)


def test_each_zone_has_a_channel_to_itself_where_there_are_enough():
    found = assign(np.full((4, 4), 70.0), channels=6)
    assert (found.channels, found.least_margin_db) == (4, np.inf)


@pytest.mark.parametrize("seed", range(8))
def test_locked_zones_keep_their_channel_and_the_rest_is_the_best_beside_them(seed):
    rng = np.random.default_rng(seed)
    margin = rng.uniform(0, 40, (6, 6)).round(2)
    locked = [2, -1, -1, 0, -1, -1]
    found = assign(margin, channels=3, locked=locked)
    assert (found.channel[0], found.channel[3]) == (2, 0)
    assert found.least_margin_db == best_of_all(margin, 3, locked)


def test_two_zones_locked_to_one_channel_stay_on_it_though_they_conflict():
    margin = np.full((4, 4), 9.0)
    margin[0, 1] = -3.0
    found = assign(margin, channels=4, locked=[1, 1, -1, -1])
    assert found.channel.tolist()[:2] == [1, 1]
    assert found.least_margin_db == -3.0
    # the others get channels of their own: the conflict of the two is not theirs
    assert len(set(found.channel.tolist())) == 3


def test_the_fewest_channels_count_those_that_are_locked():
    margin = np.full((3, 3), 9.0)
    found = assign(margin, locked=[-1, 4, 2])
    assert found.channels == 2
    assert found.channel.tolist()[1:] == [4, 2]


def test_a_locked_channel_that_is_none_is_refused():
    with pytest.raises(NumericInputError, match="locked channels"):
        assign(np.zeros((2, 2)), locked=[0])
    with pytest.raises(NumericInputError, match="locked channels"):
        assign(np.zeros((2, 2)), locked=[0, -2])


def test_a_long_ring_with_six_channels_is_decided():
    n = 128
    gap = np.abs(np.subtract.outer(np.arange(n), np.arange(n)))
    gap = np.minimum(gap, n - gap)
    margin = 20 * np.log10(np.maximum(gap, 1)) + np.where(gap % 2, 25, 0)
    found = assign(margin, channels=6)
    assert found.channels == 6
    # unlike zones are 25 dB apart at least, so each like ring of 64 decides: six colours keep like zones five apart,
    # for ceil(64 / floor(64 / 5)) = 6, and not six, for ceil(64 / floor(64 / 6)) = 7 (powers of cycles)
    assert found.optimal
    assert found.least_margin_db == pytest.approx(20.0)
