"""Where a mover is strongest, from responses made by hand; one zone is solved.

Red when a response is looked up at another place, what stands nearer to the beam is taken from the wrong side or from
beyond the beam line, or the wrong pair of heads is named.
"""

from dataclasses import replace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.beam.movers import MOVERS
from geotools.corridor import BeamLine, StripGrid
from geotools.detection.cases import Rules
from geotools.detection.level_ground import LEVEL
from geotools.detection.level_reach import _by_place
from geotools.detection.nuisance import ZoneNuisance, nuisance_of
from geotools.detection.perimeter import Perimeter
from geotools.plan.ids import beam_id
from geotools.plan.model import BeamPair, Zone

#: Along the map's y axis: left of it lies to the west. Nodes 2 m along, 0.5 m across.
LINE = BeamLine(100.0, 200.0, 100.0, 220.0)
GRID = StripGrid(LINE, np.linspace(0.0, 20.0, 11), np.linspace(-3.0, 3.0, 13))
NAMES = {name: MOVERS[name] for name in ("car", "cyclist")}


def responses():
    """Of the car 0.01 a metre along and 0.1 a metre nearer than 3 m, by the second pair of heads; else nothing."""
    along, aside = np.meshgrid(GRID.chainage_m, GRID.offset_m, indexing="ij")
    made = np.zeros((2, 2, 11, 13))
    made[1, 0] = 0.01 * along + 0.1 * (3.0 - np.abs(aside))
    return made


ZONE = ZoneNuisance(GRID, NAMES, ("Z-main", "Z-low"), responses(), responses() + 0.05)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_a_mover_is_looked_up_where_it_stands_on_either_side(side):
    # 7 m along, 1.25 m to one side: between nodes both ways
    found = ZONE.strongest("car", np.array([100.0 - side * 1.25]), np.array([207.0]))
    assert found.modulation == pytest.approx(0.07 + 0.1 * 1.75)
    assert found.high == pytest.approx(found.modulation + 0.05)
    assert (found.chainage_m, found.offset_m) == pytest.approx((7.0, side * 1.25))
    assert (found.x, found.y, found.beam_id, found.mover) == (100.0 - side * 1.25, 207.0, "Z-low", MOVERS["car"])


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_what_may_stand_nearer_counts_as_much_nearer_and_never_beyond_the_beam_line(side):
    for away, nearer in ((2.0, 0.6), (2.0, 1.25), (1.0, 1.0), (0.5, 2.0), (0.0, 1.0)):
        found = ZONE.strongest("car", np.array([100.0 - side * away]), np.array([207.0]), nearer)
        assert found.modulation == pytest.approx(0.07 + 0.1 * (3.0 - away))
        assert found.high == pytest.approx(0.07 + 0.1 * (3.0 - max(away - nearer, 0.0)) + 0.05)


def test_of_several_places_the_strongest_is_named_and_those_off_the_strip_are_none():
    x, y = np.array([99.0, 100.5, 103.5, 100.0, 100.0]), np.array([204.0, 210.0, 210.0, 199.0, 221.0])
    found = ZONE.strongest("car", x, y)
    # 0.04 + 0.2; 0.1 + 0.25; then beside the strip, before it and behind it
    assert (found.x, found.y) == (100.5, 210.0) and found.modulation == pytest.approx(0.35)
    assert ZONE.strongest("car", x[2:], y[2:]) is None
    assert ZONE.strongest("cyclist", x, y).modulation == 0.0


def test_what_is_known_is_never_above_what_is_not():
    """Where the responses as built are larger, they bound the others."""
    lower = replace(ZONE, high=np.zeros((2, 2, 11, 13)))
    found = lower.strongest("car", np.array([100.0]), np.array([210.0]))
    assert found.high == found.modulation == pytest.approx(0.4)


def test_the_best_of_a_mover_is_over_the_pairs_of_heads_and_each_pair_keeps_its_own():
    made = responses()
    made[0, 0, 3, 4] = 0.9
    zone = replace(ZONE, modulation=made)
    best = zone.best("car")
    assert best[3, 4] == 0.9 and best[5, 6] == pytest.approx(0.1 + 0.3) and (zone.best("cyclist") == 0.0).all()
    pairs = tuple(BeamPair(level, HEAD_TYPES["24 GHz"], 0.3, 0.3) for level in ("main", "low"))
    plan = Zone("Z", LINE, pairs, "F", 1)
    answered = zone.answered(plan, ["cyclist", "car"])
    assert list(answered) == [(LINE, pairs[0]), (LINE, pairs[1])]
    first, second = answered.values()
    assert first.modulation[1, 3, 4] == 0.9 and second.modulation[1, 5, 6] == pytest.approx(0.4)
    assert (first.modulation[0] == 0.0).all() and second.high[0, 0, 0] == pytest.approx(0.05)


def test_the_first_and_the_last_place_hold_what_reaches_at_the_heads():
    """41 chainages, two to a stretch: whoever reaches at a post alone reaches in its stretch alone."""
    across = np.linspace(0.0, 4.0, 9)
    for row, stretch in ((0, 0), (40, 19), (1, 0), (39, 19)):
        response = np.zeros((41, 9))
        response[row, :3] = 0.5
        assert np.flatnonzero(_by_place(response, across, 0.2)).tolist() == [stretch]


@pytest.mark.parametrize(("reach", "columns"), [(2.0, 9), (2.1, 11), (0.2, 3), (0.5, 3)])
def test_movers_are_looked_for_as_far_as_the_reach_every_half_metre(reach, columns):
    zone = Zone("Z", BeamLine(0, 0, 10, 0), (BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3),), "F", 1)
    made = Perimeter([zone], LEVEL, Rules(0.2, 1.0, 0.5, {"prone": TARGETS["prone"]}))
    known = {}
    found = nuisance_of(made, ["Z"], {"small animal": MOVERS["small animal"]}, reach, answered=known)["Z"]
    half = columns // 2
    assert found.grid.offset_m == pytest.approx(0.5 * np.arange(-half, half + 1))
    assert found.modulation.shape == (1, 1, 21, columns) and found.beam_ids == (beam_id("Z", "low"),)
    # level ground is alike on both sides, and on the line the animal is met most
    assert found.modulation == pytest.approx(found.modulation[..., ::-1], abs=1e-9)
    assert found.modulation[0, 0, 10].argmax() == half
    # what was answered before is taken from there
    (kept,) = known.values()
    known[zone.line, zone.pairs[0]] = type(kept)(kept.modulation + 1.0, kept.high + 1.0)
    again = nuisance_of(made, ["Z"], {"small animal": MOVERS["small animal"]}, reach, answered=known)["Z"]
    assert again.modulation == pytest.approx(found.modulation + 1.0)
