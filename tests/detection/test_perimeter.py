"""What a perimeter detects: straight ground, a dip, other heights, a neighbour's cover."""

from dataclasses import replace

import numpy as np
import pytest

from geotools.corridor import BeamLine
from geotools.detection.perimeter import Perimeter
from geotools.errors import InputError
from geotools.plan.model import Zone
from tests.invented_ground import LOW, MAIN, RULES, Formula, dip, zone


def test_a_low_head_sees_everybody_on_straight_ground_and_the_main_head_alone_does_not():
    # the tables of the trade: common practice, no source
    flat = Formula(lambda x, y: 100.0)
    both = Perimeter([zone()], flat, RULES)
    assert both.dead_length("Z1", both.dead("Z1")) < 3.0
    alone = Perimeter([zone(pairs=[MAIN])], flat, RULES).dead("Z1")
    assert alone["prone"].mean() > 0.5 and alone["walk"].mean() < 0.05


def test_a_deep_dip_lets_the_prone_crawler_through_where_it_lies():
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    dead = perimeter.dead("Z1")["prone"]
    there = perimeter.grids["Z1"].chainage_m[dead]
    assert 40 < there.min() < 50 < there.max() < 60


def test_a_neighbour_covers_the_ground_it_reaches():
    ground = Formula(dip(0.5, 5.0, 97.0))
    alone = Perimeter([zone()], ground, RULES).seen("Z1")["prone"]
    with_next = Perimeter([zone(), zone("Z2", start=85.0)], ground, RULES)
    together = with_next.seen("Z1")["prone"]
    assert with_next.neighbours("Z1") == ["Z2"]
    assert (together >= alone - 1e-6).all()
    chainage = with_next.grids["Z1"].chainage_m
    np.testing.assert_allclose(together[chainage < 84], alone[chainage < 84], atol=1e-6)


def test_who_passes_a_zones_own_heads_is_detected_by_the_neighbours_low_head():
    level = Formula(lambda x, y: 100.0)
    alone, with_next = (
        Perimeter(zones, level, RULES) for zones in ([zone(pairs=[MAIN])], [zone(pairs=[MAIN]), zone("Z2", start=85.0)])
    )
    own, next_ = with_next.own("Z1")["prone"], with_next.own("Z2")["prone"]
    at, there = -1, int((100.0 - 85.0) / 0.5)
    assert own[at].max() < RULES.threshold < next_[there].max()
    np.testing.assert_allclose(with_next.seen("Z1")["prone"][at], next_[there], atol=0.02)
    assert alone.dead("Z1")["prone"][at] and not with_next.dead("Z1")["prone"][at]


def test_other_heights_are_a_new_setup_and_leave_the_old_one_alone():
    before = zone(pairs=[LOW, MAIN])
    after = before.with_heights("low", 0.25, 0.2)
    assert (after.pairs[0].tx_height_m, after.pairs[0].rx_height_m) == (0.25, 0.2)
    assert before.pairs[0].tx_height_m == 0.30 and after.pairs[1] == MAIN


def test_ground_without_levels_is_named_with_its_place():
    hole = Formula(lambda x, y: np.where((x > 60) & (y > 0.9), np.nan, 100.0))
    with pytest.raises(InputError, match="no data") as caught:
        Perimeter([zone()], hole, RULES).check_ground()
    assert caught.value.where == "zone Z1, chainage 60.5 m, offset +1.0 m (x 60.50, y 1.00 m)"


def test_weakest_crossing_is_the_bottleneck_of_the_strip():
    perimeter = Perimeter([zone()], Formula(dip(0.5, 5.0, 50.0)), RULES)
    weakest = perimeter.weakest("Z1")
    assert 0 <= weakest < 0.2
    # by its definition: below it no way is open, at it one is
    for level, open_ in ((weakest * 0.999, False), (weakest * 1.001, True)):
        at = Perimeter([zone()], perimeter.ground, replace(RULES, threshold=level))
        assert any(d.any() for d in at.dead("Z1").values()) is open_


def test_what_lies_past_a_neighbours_line_is_the_neighbours():
    # the chain turns a corner: line 1 runs on past line 2 by 10 m, and nobody gets in by crossing it there
    flat = Formula(lambda x, y: 100.0)
    corner = Zone("Z2", BeamLine(90.0, -5.0, 90.0, 95.0), zone().pairs)
    perimeter = Perimeter([zone(), corner], flat, RULES)
    at = perimeter.grids["Z1"].chainage_m
    np.testing.assert_array_equal(perimeter.counted("Z1"), at <= 90.0)
    # on the corner itself the step is counted once, by the line that comes first
    np.testing.assert_array_equal(perimeter.counted("Z2"), perimeter.grids["Z2"].chainage_m > 5.0)
    # in line and side by side: halfway of the overlap; a line alone counts whole
    beside = Zone("Z2", BeamLine(185.0, 0.5, 85.0, 0.5), zone().pairs, forward=False)
    perimeter = Perimeter([zone(), beside], flat, RULES)
    assert at[perimeter.counted("Z1")].max() == 92.5
    assert (at[perimeter.counted("Z2")] <= 92.5).all() and perimeter.counted("Z2").sum() >= (at < 92.0).sum()
    assert Perimeter([zone()], flat, RULES).counted("Z1").all()
