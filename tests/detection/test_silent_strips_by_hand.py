"""Stations beside a strip whose ground is not known, and what follows for the chain. No beam is solved.

Red when a station is left out, taken too far, or when something is made of what is not known.
"""

import numpy as np
import pytest
from shapely import box

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules
from geotools.detection.level_ground import LEVEL
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import BeamPair, Zone
from geotools.terrain.design import DesignSurface
from tests.invented_ground import Formula

RULES = Rules(0.2, 1.0, 0.5, {"crawl": TARGETS["crawl"], "prone": TARGETS["prone"]})
PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)
#: Two strips that overlap, then one that begins beyond a gap of 6 m.
ENDS = [((0, 0), (20, 0)), ((18, 0), (34, 0)), ((40, 0), (60, 0))]
ZONES = [Zone(f"Z{n}", BeamLine(*a, *b), (PAIR,), "F", n) for n, (a, b) in enumerate(ENDS, 1)]


def made(*silent, zones=ZONES):
    perimeter = Perimeter(zones, LEVEL, RULES, silent=silent)
    for zone in zones:
        perimeter.hold(
            zone.zone_id, {name: np.full(perimeter.levels(zone.zone_id).shape, 0.05) for name in RULES.targets}
        )
    return perimeter


@pytest.mark.parametrize(
    ("strips", "stations"),
    [
        ((), ()),
        # from the first station beside it to the zone's end there, also where it ends before
        (((17.2, -1, 25, 1),), (17.5, 20.0)),
        (((16.2, -1, 17.1, 1),), (16.5, 20.0)),
        (((-5, -1, 3.2, 1),), (0.0, 3.0)),
        (((2.2, -1, 3.1, 1),), (0.0, 3.0)),
        # one side of the strip is enough, beyond it is not
        (((16.2, 0.9, 17.1, 3),), (16.5, 20.0)),
        (((16.2, -3, 17.1, -0.9),), (16.5, 20.0)),
        (((16.2, 1.1, 17.1, 3),), ()),
        (((22, -1, 30, 1),), ()),
        # the second of two counts as the first does
        (((22, -1, 30, 1), (16.2, -1, 17.1, 1)), (16.5, 20.0)),
        (((16.2, -1, 17.1, 1), (18.2, -1, 19.1, 1)), (16.5, 20.0)),
    ],
)
def test_stations_beside_unknown_ground_are_unanswered_up_to_the_zones_end(strips, stations):
    perimeter = made(*(box(*strip) for strip in strips), zones=ZONES[:1])
    at = perimeter.grids["Z1"].chainage_m
    expected = (at >= stations[0]) & (at <= stations[1]) if stations else np.zeros(at.size, dtype=bool)
    assert np.array_equal(perimeter.unanswered("Z1"), expected)
    # nobody is said to pass there; elsewhere it is as the heads see it
    seen = perimeter.seen("Z1")["prone"]
    assert (seen[expected] > 100.0 * RULES.threshold).all() and seen[~expected] == pytest.approx(0.05)
    assert np.array_equal(perimeter.dead("Z1")["prone"], ~expected)
    # its own answer is not written over
    assert perimeter.own("Z1")["prone"] == pytest.approx(0.05)


def test_both_ends_may_be_unanswered_and_the_middle_is_not():
    perimeter = made(box(-5, -1, 3.2, 1), box(16.2, -1, 25, 1), zones=ZONES[:1])
    at = perimeter.grids["Z1"].chainage_m
    assert np.array_equal(perimeter.unanswered("Z1"), (at <= 3.0) | (at >= 16.5))


def test_a_zone_that_is_left_out_parts_the_chain_where_strips_do_not_meet():
    whole, parted = made(), made(box(33.5, -1, 41.0, 1))
    assert whole.in_chain("Z1") == whole.in_chain("Z3") == ["Z1", "Z2", "Z3"]
    assert parted.in_chain("Z1") == parted.in_chain("Z2") == ["Z1", "Z2"] and parted.in_chain("Z3") == ["Z3"]
    for perimeter in (whole, parted):
        assert [perimeter.neighbours(z) for z in ("Z1", "Z2", "Z3")] == [["Z2"], ["Z1"], []]


def test_a_case_tried_changes_its_own_zone_and_those_beside_it():
    line = [Zone(f"L{n}", BeamLine(18.0 * n, 0, 18.0 * n + 20, 0), (PAIR,), "F", n) for n in range(5)]
    perimeter = made(zones=line)
    tried = {name: np.full(perimeter.levels("L2").shape, 0.3) for name in RULES.targets}
    around = perimeter.dead_around({"L2": tried})
    assert sorted(around) == ["L1", "L2", "L3"]
    # of the zone before, what lies clear of both its neighbours
    assert not around["L2"]["prone"].any() and around["L1"]["prone"][5:30].all()
    # with so much kept in hand it is no answer
    assert perimeter.dead_around({"L2": tried}, headroom=0.6)["L2"]["prone"][5:35].all()
    assert sorted(perimeter.dead_around({"L0": tried})) == ["L0", "L1"]


def test_a_case_tried_leaves_the_unanswered_stations_so():
    perimeter = made(box(16.2, -1, 25, 1), zones=ZONES[:1])
    tried = {name: np.full(perimeter.levels("Z1").shape, 0.3) for name in RULES.targets}
    seen = perimeter.seen("Z1", tried)["crawl"]
    left = perimeter.unanswered("Z1")
    assert (seen[left] > 100.0).all() and seen[~left] == pytest.approx(0.3)
    assert perimeter.seen("Z1")["crawl"][~left] == pytest.approx(0.05)


def test_ground_of_a_design_is_its_own_terrain_and_its_change_whoever_asks():
    flat, other = (Formula(lambda x, y, at=at: 0.0 * x + at) for at in (0.0, 1.0))
    perimeter = Perimeter(ZONES[:1], flat, RULES)
    for terrain, at in ((flat, 0.0), (other, 1.0)):
        surface = DesignSurface(terrain, (-10, -10, 40, 10))
        strip = surface.strip_cells({"Z1": ZONES[0].line}, 3.0)
        surface.apply(strip, strip.cells.ground + 0.25)
        levels = perimeter.levels("Z1", surface)
        # right on the line all cells were raised; nothing else was asked of the perimeter's own ground
        assert levels[5:-5, levels.shape[1] // 2] == pytest.approx(at + 0.25, abs=1e-6)
        assert perimeter.levels("Z1") == pytest.approx(0.0)


def test_a_strip_on_another_ground_lies_there_whatever_was_asked_before():
    flat, other = (Formula(lambda x, y, at=at: 0.0 * x + at) for at in (0.0, 1.0))
    perimeter = Perimeter(ZONES[:1], flat, RULES)
    for ground, at in ((None, 0.0), (other, 1.0), (flat, 0.0), (other, 1.0), (None, 0.0)):
        assert (perimeter.strip("Z1", ground).ground_m == at).all()
