"""States, widths and the threshold to set of a window, worked out by hand; reach between places."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.beam.movers import Mover
from geotools.detection.nuisance import Strongest, reach_of
from geotools.detection.operating import WeakestCrossing, decibels, window_of


def met(modulation, high, counts=True):
    mover = Mover("lorry", "body", 4.0, 2.5, 10.0, must_not_alarm=counts)
    return Strongest(mover, modulation, high, "F01-Z001-main", 0.0, 0.0, 10.0, -6.0)


def window(must, low, *found, threshold=0.2):
    return window_of("F01-Z001", WeakestCrossing("prone", must, 30.0, low), found, threshold)


@pytest.mark.parametrize(
    ("must", "low", "above", "high", "state"),
    [
        (0.4, 0.3, 0.1, 0.2, "open"),
        (0.4, 0.3, 0.1, 0.35, "narrow"),
        (0.4, None, 0.1, 0.2, "narrow"),
        (0.4, 0.05, 0.1, 0.2, "narrow"),
        (0.1, 0.05, 0.1, 0.2, "empty"),
        (0.05, 0.01, 0.1, 0.2, "empty"),
    ],
)
def test_the_state_says_what_a_threshold_can_keep(must, low, above, high, state):
    assert window(must, low, met(above, high)).state == state


def test_the_threshold_to_set_lies_midway_in_decibels():
    sure = window(0.4, 0.32, met(0.05, 0.08))
    assert sure.set_to == pytest.approx((0.32 * 0.08) ** 0.5)
    assert decibels(sure.set_to) == pytest.approx((decibels(0.32) + decibels(0.08)) / 2)
    unsure = window(0.4, None, met(0.1, 0.2))
    assert unsure.set_to == pytest.approx(0.2)
    assert window(0.1, 0.1, met(0.2, 0.2)).set_to is None


def test_width_and_site_threshold():
    one = window(0.4, 0.3, met(0.1, 0.2))
    assert one.width_db == pytest.approx(12.04, abs=0.01)
    assert one.holds_threshold
    assert not window(0.4, 0.3, met(0.1, 0.2), threshold=0.05).holds_threshold
    assert not window(0.15, 0.1, met(0.1, 0.12)).holds_threshold


def test_what_may_alarm_now_and_then_closes_no_window():
    rare = met(0.9, 1.0, counts=False)
    one = window(0.4, 0.3, rare, met(0.1, 0.2))
    assert (one.above, one.state) == (0.1, "open")
    alone = window(0.4, 0.3, rare)
    assert (alone.above, alone.above_high, alone.state) == (0.0, 0.0, "open")


def test_of_several_movers_the_strongest_counts_in_whatever_order_they_come():
    for found in ((met(0.1, 0.39), met(0.2, 0.25)), (met(0.2, 0.25), met(0.1, 0.39))):
        one = window(0.4, 0.3, *found)
        assert (one.above, one.above_high) == (0.2, 0.39)
        assert [mover.modulation for mover in one.nuisance] == [0.2, 0.1]


def test_a_threshold_at_either_end_of_the_window_alarms_for_both():
    assert window(0.4, 0.3, met(0.1, 0.2), threshold=0.4).holds_threshold
    assert not window(0.4, 0.3, met(0.1, 0.2), threshold=0.1).holds_threshold
    assert decibels(0.0) == pytest.approx(-80.0) and decibels(1.0) == 0.0


def test_nothing_that_must_alarm_is_stronger_for_being_less_certain():
    assert window(0.2, 0.5, met(0.1, 0.15)).below_low == 0.2


def test_reach_is_the_outermost_place_and_linear_between_two():
    offsets = np.linspace(-2.0, 2.0, 5)
    response = np.array([[0.0, 0.1, 0.5, 0.3, 0.1], [0.0, 0.0, 0.1, 0.0, 0.0], [0.3, 0.0, 0.5, 0.5, 0.3]])
    left, right = reach_of(response, offsets, 0.2)
    assert left == pytest.approx([1.5, 0.0, 2.0])
    # a mover far off that reaches the threshold counts though nearer places do not
    assert right == pytest.approx([0.75, 0.0, 2.0])
