"""Reach of movers from tables made by hand: lengths, places, unknown ground. No beam is solved."""

import numpy as np
import pytest

from geotools.detection.level_reach import LevelReach, _by_place, level_reach
from geotools.detection.nuisance import _filled, reach_of


def test_unknown_ground_takes_the_level_of_the_nearest_known_place_towards_the_beam():
    gone = np.nan
    level = np.array([[gone, 1.0, 2.0, 3.0, gone], [gone, gone, 5.0, gone, gone], [1.0, gone, 2.0, gone, 4.0]])
    wanted = [[1.0, 1.0, 2.0, 3.0, 3.0], [5.0] * 5, [1.0, 2.0, 2.0, 2.0, 4.0]]
    assert _filled(level).tolist() == wanted


def test_reach_by_hand():
    """Nodes 0.5 m apart; threshold 0.2. Between two places the response falls in a straight line."""
    offset = np.linspace(-1.5, 1.5, 7)
    response = np.array(
        [
            [0.0, 0.1, 0.3, 0.9, 0.4, 0.3, 0.1],  # left to 1.25 m, right to 0.75 m
            [0.3, 0.0, 0.0, 0.1, 0.0, 0.0, 0.0],  # far off on the right alone, and no nearer
            [0.2, 0.2, 0.2, 0.2, 0.2, 0.2, 0.2],  # at the threshold counts
            [0.0, 0.0, 0.0, 0.4, 0.0, 0.0, 0.0],
            [0.0] * 7,
        ]
    )
    left, right = reach_of(response, offset, 0.2)
    assert left == pytest.approx([1.25, 0.0, 1.5, 0.25, 0.0]) and right == pytest.approx([0.75, 1.5, 1.5, 0.25, 0.0])


def table():
    """Three lengths, twenty places; of one mover it grows with the length, of the other with the place."""
    by_length = np.repeat([[1.0], [3.0], [2.0]], 20, axis=1)
    by_place = np.tile(np.arange(20.0) / 10.0, (3, 1))
    return LevelReach(
        np.array([20.0, 40.0, 60.0]),
        {"one": by_length, "other": by_place},
        {"one": by_length + 0.5, "other": by_place + 0.5},
    )


def test_a_table_of_several_movers_is_the_farthest_of_them_and_of_the_next_shorter_length():
    made = table()
    best = made.joined(["one", "other"], high=False)
    assert best[0] == pytest.approx(np.maximum(1.0, np.arange(20) / 10.0))
    # 40 and 60 m: 3 m, for the next shorter zone may reach farther
    assert (best[1] == 3.0).all() and (best[2] == 3.0).all()
    assert made.joined(["one"]) == pytest.approx(np.repeat([[1.5], [3.5], [3.5]], 20, axis=1))


@pytest.mark.parametrize(
    ("length", "row"), [(5.0, 0), (20.0, 0), (20.1, 1), (40.0, 1), (40.001, 2), (60.0, 2), (75.0, 2)]
)
def test_a_beam_is_looked_up_at_its_own_length_or_the_next_longer_and_by_the_share_of_its_way(length, row):
    rows = np.array([[100.0], [200.0], [300.0]]) + np.arange(20)
    share = np.array([0.0, 0.049, 0.051, 0.5, 0.949, 0.951, 1.0, 1.2, -0.1])
    found = table().at(rows, share, np.full(share.size, length))
    assert found.tolist() == [100.0 * (row + 1) + place for place in (0, 0, 1, 10, 18, 19, 19, 19, 0)]


def test_each_stretch_holds_the_farthest_reach_at_its_ends_and_between():
    """201 chainages, so that a stretch is 10 of them; one alone reaches 2 m, a bit of the way into one stretch."""
    across = np.linspace(0.0, 4.0, 9)
    response = np.zeros((201, 9))
    response[34, :5] = 0.5
    found = _by_place(response, across, 0.2)
    # between 2.0 m, where it is 0.5, and 2.5 m, where it is nothing
    wanted = np.zeros(20)
    wanted[3] = 2.0 + 0.5 * 0.6
    assert found == pytest.approx(wanted)
    response = np.zeros((201, 9))
    response[40, :3] = 0.5
    # at the border of two it counts for both
    assert np.flatnonzero(_by_place(response, across, 0.2)).tolist() == [3, 4]


def test_lengths_go_down_by_twenty_metres_and_nobody_reaches_nowhere():
    for longest, lengths in (
        (60.0, [20, 40, 60]),
        (75.0, [15, 35, 55, 75]),
        (50.0, [30, 50]),
        (12.0, [12]),
        (10.0, [10]),
        (4.0, [4]),
    ):
        made = level_reach((), longest, {}, 0.2, 8.0)
        assert made.lengths_m.tolist() == lengths and made.best == {} == made.high
