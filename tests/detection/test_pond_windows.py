"""Water standing in a zone: a mirror at its level, heads that stay, bodies as deep in it as it is deep.

Red where the water lifts the heads, hides nobody, reaches beyond its outline or is forgotten by the window.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from shapely import LineString, box

from geotools.beam import HEAD_TYPES
from geotools.beam.closed_form import two_ray_level_db
from geotools.beam.movers import MOVERS
from geotools.detection.level_ground import level_pair
from geotools.detection.mover_places import MoverPlaces
from geotools.detection.perimeter import Perimeter
from geotools.detection.pond_windows import StandingWater, pond_windows, with_ponds
from geotools.detection.surface_windows import MoversBeside, under_surface
from tests.invented_ground import MAIN, RULES, Formula, zone

PRONE = replace(RULES, targets={"prone": RULES.targets["prone"]})
EVERYWHERE = box(-200.0, -20.0, 300.0, 20.0)
BESIDE = MoversBeside(
    {name: MOVERS[name] for name in ("person outside", "rain on standing water")},
    MoverPlaces({"": LineString([(-100, -3), (200, -3)])}, {"": True}),
    6.0,
)


def dry(ground=lambda x, y: np.full(np.shape(x), 100.0), pairs=(MAIN,), rules=PRONE):
    made = Perimeter([zone(length=60.0, pairs=pairs)], Formula(ground), rules)
    made.solve_all()
    return made


def test_water_everywhere_is_what_a_reflecting_surface_of_its_depth_is():
    """The other way to it: heads lowered and bodies cut off over the ground as it is (the step window's bound)."""
    perimeter = dry()
    there, deepest = with_ponds(perimeter, [StandingWater(EVERYWHERE, 100.1, 0.1)])
    assert deepest == {"Z1": pytest.approx(0.1)}
    other = under_surface(perimeter, 0.1, "reflects")
    np.testing.assert_allclose(there.own("Z1")["prone"], other.own("Z1")["prone"], atol=1e-6)


@pytest.mark.parametrize("depth", [0.1, 0.3, 0.5])
def test_the_standing_level_over_water_is_that_of_two_rays(depth):
    """Image theory (any antenna handbook): both heads nearer to the mirror by the water's depth; a narrow pattern over
    so small an angle changes it by less than 1 dB."""
    head = HEAD_TYPES["10 GHz"]
    perimeter = dry(pairs=(level_pair("main", head, 0.9),))
    there, _ = with_ponds(perimeter, [StandingWater(EVERYWHERE, 100.0 + depth, depth)])
    expected = two_ray_level_db(head.wavelength_m, 60.0, 0.9 - depth, 0.9 - depth)
    assert there.standing_db["Z1", "main"] == pytest.approx(expected, abs=1.0)


def test_only_who_is_in_the_water_is_hidden_by_it():
    """A hollow between 20 and 30 m, deeper than a body is high: there nobody is detected, elsewhere somebody is."""

    def hollow(x, y):
        return 100.0 - 0.5 * ((x > 20.0) & (x < 30.0)) + 0.0 * y

    perimeter = dry(hollow)
    pond = StandingWater(box(20.0, -5.0, 30.0, 5.0), 100.0, 0.5)
    there, deepest = with_ponds(perimeter, [pond])
    own = there.own("Z1")["prone"]
    x = there.grids["Z1"].chainage_m
    wet = (x > 20.6) & (x < 29.4)
    assert deepest["Z1"] == pytest.approx(0.5)
    assert own[wet].max() < 0.05
    assert own[(x > 35.0) & (x < 50.0)].max() > own[wet].max() + 0.05


def test_half_full_water_stands_half_as_deep():
    pond = StandingWater(EVERYWHERE, 100.4, 0.4).filled(0.5)
    assert (pond.level_m, pond.depth_m) == (pytest.approx(100.2), pytest.approx(0.2))


def test_water_as_deep_as_a_body_closes_the_window_and_other_zones_are_not_asked():
    perimeter = dry()
    found = pond_windows(perimeter, [StandingWater(EVERYWHERE, 100.35, 0.35)], BESIDE, (1.0,))
    assert [(one.zone_id, one.depth_m, one.keeps) for one in found] == [("Z1", pytest.approx(0.35), False)]
    assert pond_windows(perimeter, [StandingWater(box(0, 50, 60, 60), 101.0, 1.0)], BESIDE, (1.0,)) == []
