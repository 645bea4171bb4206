"""The table of reach over level ground is what the step window finds there, at every length, and errs far.

Red where the table is made another way than `nuisance_of`, forgets a level of the stack, a half of the beam or what is
not known exactly.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES
from geotools.beam.movers import MOVERS
from geotools.detection.level_ground import LEVEL, level_pair, level_zone
from geotools.detection.level_reach import ReachDoubt, level_reach
from geotools.detection.nuisance import nuisance_of, reach_of
from geotools.detection.perimeter import Perimeter
from tests.invented_ground import RULES

STACK = (level_pair("low", HEAD_TYPES["24 GHz"], 0.3), level_pair("main", HEAD_TYPES["10 GHz"], 0.9))
NAMES = ("person outside", "lorry")
BESIDE = {name: MOVERS[name] for name in NAMES}


@pytest.fixture(scope="module")
def table():
    return level_reach(STACK, 60.0, BESIDE, 0.2, 8.0, ReachDoubt(0.15, 1.0))


@pytest.mark.parametrize("length_m", [40.0, 60.0])
def test_it_is_what_is_found_beside_a_zone_on_level_ground(table, length_m):
    """The perimeter of the step window, with a zone alone on level ground."""
    zone = level_zone(STACK, length_m)
    around = nuisance_of(Perimeter([zone], LEVEL, RULES), [zone.zone_id], BESIDE, 8.0, larger=0.15, aim_deg=1.0)
    found = around[zone.zone_id]
    row = int(np.flatnonzero(np.isclose(table.lengths_m, length_m))[0])
    for number, name in enumerate(NAMES):
        for kept, response in ((table.best, found.best(name)), (table.high, found.high[:, number].max(axis=0))):
            left, right = reach_of(response, found.grid.offset_m, 0.2)
            assert kept[name][row].max() == pytest.approx(max(left.max(), right.max()), abs=0.02)
            at = np.linspace(0, left.size - 1, 21)
            for place in range(20):
                part = left[int(at[place]) : math.ceil(at[place + 1]) + 1]
                assert kept[name][row][place] >= part.max() - 0.02


def test_a_beam_between_two_lengths_takes_the_farther_reach(table):
    joined = table.joined(["lorry"])
    share, length = np.array([0.5]), np.array([45.0])
    rows = [table.high["lorry"][np.isclose(table.lengths_m, m)][0, 10] for m in (40.0, 60.0)]
    assert table.at(joined, share, length)[0] == max(rows)


def test_what_is_not_known_exactly_reaches_farther_and_a_higher_threshold_less_far(table):
    assert all((table.high[name] >= table.best[name]).all() for name in NAMES)
    deaf = level_reach(STACK, 60.0, {"lorry": MOVERS["lorry"]}, 0.4, 8.0)
    assert deaf.best["lorry"].max() < table.best["lorry"].max()


def test_a_plate_that_hides_half_the_beam_from_the_side_reaches_to_its_edge():
    """Knife edge (ITU-R P.526-15, 4.1): an edge on the axis takes half the field, so a wide body that touches it does.

    Half is over a threshold of 0.45 and under one of 0.55 by the same law; to its middle it is half its own width.
    """
    wide = MOVERS["person outside"].__class__("wall", "body", 5.0, 6.0)
    low = level_reach((STACK[1],), 60.0, {"wall": wide}, 0.45, 8.0).best["wall"][-1]
    high = level_reach((STACK[1],), 60.0, {"wall": wide}, 0.55, 8.0).best["wall"][-1]
    assert low[10] >= 3.0 - 0.05
    assert high[10] <= 3.0 + 0.05
