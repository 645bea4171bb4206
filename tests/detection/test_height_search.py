"""The search of head heights on functions whose best pair is known."""

import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules
from geotools.detection.height_search import HeightTrials, search_heights
from geotools.detection.perimeter import Perimeter
from geotools.errors import SiteError
from geotools.plan.model import BeamPair, Zone
from tests.invented_ground import Formula


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


def test_heights_are_tried_beside_the_other_levels_heads_and_none_of_its_own_as_it_stands():
    """Against a run of the zone with the heights set, level by level; on level ground the low heads do most."""
    heads = HEAD_TYPES["10 GHz"]
    zone = Zone(
        "Z1",
        BeamLine(0.0, 0.0, 60.0, 0.0),
        (BeamPair("low", heads, 0.4, 0.4), BeamPair("main", heads, 0.9, 0.9)),
        "F",
        1,
    )
    rules = Rules(0.2, 2.0, 1.0, {"prone": TARGETS["prone"]})
    ground = Formula(lambda x, y: 0.0 * x)
    perimeter = Perimeter([zone], ground, rules)
    found = {}
    for level, height in (("low", 2.0), ("main", 2.0), ("low", 0.35), ("main", 0.5)):
        (mine,) = HeightTrials(perimeter, zone, level).dead_lengths([(height, height)])
        stands = Perimeter([zone.with_heights(level, height, height)], ground, rules)
        assert mine == pytest.approx(stands.dead_length("Z1", stands.dead("Z1")))
        found[level, height] = mine
    # raised out of reach of somebody prone, the low heads are missed and the main heads are not
    assert found["low", 2.0] > found["main", 2.0] + 5.0
    assert found["low", 2.0] > found["low", 0.35] + 5.0
