"""The search of head heights on functions whose best pair is known."""

import pytest

from geotools.detection.height_search import search_heights
from geotools.errors import SiteError


def each(length):
    return lambda pairs: [length(*pair) for pair in pairs]


def test_finds_the_lowest_dead_length_and_says_what_it_tried():
    found = search_heights(
        each(lambda a, b: 100 * ((a - 0.46) ** 2 + (b - 0.58) ** 2)), (0.9, 0.9), (0.3, 1.2), fine_m=0.02
    )
    assert found.tx_height_m == pytest.approx(0.46, abs=0.02) and found.rx_height_m == pytest.approx(0.58, abs=0.02)
    assert found.dead_length_m < found.dead_length_now_m
    assert found.tried[:, 2].min() == found.dead_length_m and len(found.tried) < 80


def test_stops_at_the_nearest_pair_that_is_enough():
    found = search_heights(each(lambda a, b: 0.0 if max(a, b) <= 0.7 else 12.0), (0.9, 0.9), (0.3, 1.2))
    assert (found.tx_height_m, found.rx_height_m) == (0.7, 0.7)


def test_keeps_what_is_good_already():
    found = search_heights(each(lambda a, b: 0.0), (0.9, 0.85), (0.3, 1.2))
    assert (found.tx_height_m, found.rx_height_m) == (0.9, 0.85) and len(found.tried) <= 2


def test_limits_that_contradict_are_refused():
    with pytest.raises(SiteError, match="contradict"):
        search_heights(each(lambda a, b: 0.0), (0.9, 0.9), (1.2, 0.3))
