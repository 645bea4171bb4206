"""States in which heads hang off their height: every way in which the levels of a stack may."""

from __future__ import annotations

from itertools import product
from types import SimpleNamespace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES
from geotools.corridor import BeamLine
from geotools.earthwork.disturb import State, Tolerances, disturb, edge_states, heads_off
from geotools.plan.model import BeamPair, Zone

HEIGHTS = {"low": 0.3, "main": 0.9, "high": 2.1}


def stack(*levels: str) -> Zone:
    pairs = tuple(BeamPair(level, HEAD_TYPES["24 GHz"], HEIGHTS[level], HEIGHTS[level]) for level in levels)
    return Zone("Z1", BeamLine(0.0, 0.0, 60.0, 0.0), pairs)


def off(zone: Zone) -> tuple[float, ...]:
    return tuple(round(h - HEIGHTS[p.level], 9) for p in zone.pairs for h in (p.tx_height_m, p.rx_height_m))


@pytest.mark.parametrize("levels", [("low",), ("low", "main"), ("low", "main", "high")])
def test_heads_are_off_in_every_way_and_all_alike_first(levels):
    found = [off(zone) for zone in heads_off(stack(*levels), 0.02)]
    # by counting: every head is low or high
    assert sorted(found) == sorted(product((-0.02, 0.02), repeat=2 * len(levels)))
    alike = [one for one in found if len({one[i : i + 2] for i in range(0, len(one), 2)}) == 1]
    assert found[:4] == alike
    assert heads_off(stack(*levels), 0.0) == []


def test_a_draw_of_heads_is_one_of_the_states_that_a_design_is_tried_in():
    # a draw that is none of them is a state that nobody looked at: levels off against each other were, once
    state = State((stack("low", "main"),), strip=None, design=np.zeros(0))
    tried = {off(each.zones[0]) for each in edge_states(state, 0, Tolerances(0.0, 0.0, 0.02))}
    rng = np.random.default_rng(1)
    drawn = State(state.zones, SimpleNamespace(cells=SimpleNamespace(ground=np.zeros(0))), np.zeros(0))
    for _ in range(200):
        assert off(disturb(drawn, "heads", rng, Tolerances(0.0, 0.0, 0.02)).zones[0]) in tried


def test_zones_side_by_side_with_unlike_stacks_are_off_together():
    state = State((stack("low"), stack("low", "main")), strip=None, design=np.zeros(0))
    states = edge_states(state, 0, Tolerances(0.0, 0.0, 0.02))
    assert len(states) == 16
    assert {off(each.zones[0]) for each in states} == set(product((-0.02, 0.02), repeat=2))
    assert all(off(each.zones[0]) == off(each.zones[1])[:2] for each in states[:4])
