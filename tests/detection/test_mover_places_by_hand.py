"""Where movers may be, on fences and features drawn by hand: beyond the fence, along it, on a road of some width.

No beam is solved. Red when somebody is looked for on the guarded side, within the fence, or off their own road.
"""

import numpy as np
import pytest
from shapely import LineString, Point, box

from geotools.beam import HEAD_TYPES
from geotools.beam.movers import Mover
from geotools.corridor import BeamLine, StripGrid
from geotools.detection.mover_places import Feature, MoverPlaces
from geotools.detection.nuisance import ZoneNuisance
from geotools.plan.model import BeamPair, Zone

PAIR = BeamPair("low", HEAD_TYPES["24 GHz"], 0.3, 0.3)
#: The fence runs along y = 0, the beam 4 m to its left; guarded is what lies left.
FENCE = LineString([(-20, 0), (40, 0)])
ZONE = Zone("Z", BeamLine(0, 4, 20, 4), (PAIR,), "F", 1)
GRID = StripGrid(ZONE.line, np.linspace(0.0, 20.0, 21), np.linspace(-8.0, 8.0, 33))
#: A response that is larger the nearer to the beam line, and a little larger the farther along.
NEAR = np.broadcast_to(1.0 - np.abs(GRID.offset_m) / 10.0 + 0.001 * GRID.chainage_m[:, None], (1, 21, 33))


def nuisance(*movers):
    made = np.array([[NEAR[0]] * len(movers)])
    return ZoneNuisance(GRID, {mover.name: mover for mover in movers}, ("Z-low",), made, made)


def person(place, width=0.6, name="somebody"):
    return Mover(name, "body", 1.8, width, place=place)


def found(places, *movers):
    return [
        (one.at, one.found.mover.name, round(one.found.x, 3), round(one.found.y, 3), round(one.found.modulation, 4))
        for one in places.of_zone(ZONE, nuisance(*movers))
    ]


def test_outside_is_beyond_the_fence_by_half_a_width_at_least():
    """Half of 0.6 m beyond: 4.3 m from the beam line, at its far end, whose response is the larger."""
    places = MoverPlaces({"F": FENCE}, {"F": True})
    assert found(places, person("outside")) == [("outside", "somebody", 20.0, -0.3, 0.59)]
    assert found(places, person("outside", 2.4)) == [("outside", "somebody", 20.0, -1.2, 0.5)]
    # guarded on the right: then the beam's own side is outside, up to the beam line itself
    other = MoverPlaces({"F": FENCE}, {"F": False})
    assert found(other, person("outside")) == [("outside", "somebody", 20.0, 4.0, 1.02)]
    # drawn the other way round, left is the other side
    back = MoverPlaces({"F": FENCE.reverse()}, {"F": False})
    assert found(back, person("outside")) == found(places, person("outside"))
    # a fence line that is not known has no outside and no fabric
    assert found(MoverPlaces({}, {}), person("outside"), person("fence", name="fabric")) == []


@pytest.mark.parametrize("way", [1, -1])
def test_a_ring_has_its_outside_where_it_does_not_enclose(way):
    ring = LineString([(-20, 0), (40, 0), (40, 30), (-20, 30), (-20, 0)][::way])
    places = MoverPlaces({"F": ring}, {"F": way > 0})
    x, y = np.array([0.0, 0.0, 39.0, 41.0, 0.0]), np.array([1.0, -1.0, 29.0, 29.0, 31.0])
    assert places.outside("F", x, y).tolist() == [False, True, False, True, True]
    assert found(places, person("outside")) == [("outside", "somebody", 20.0, -0.3, 0.59)]
    # between two rings is inside: only what neither of them encloses lies outside
    both = MoverPlaces(
        {"F": ring, "G": LineString([(50, 0), (60, 0), (60, 9), (50, 9), (50, 0)])}, {"F": True, "G": True}
    )
    assert both.outside("F", np.array([55.0, 55.0]), np.array([5.0, 10.0])).tolist() == [False, True]


def test_an_open_line_with_a_corner_has_its_sides_by_the_nearest_piece():
    places = MoverPlaces({"F": LineString([(0, 0), (10, 0), (10, 10)])}, {"F": True})
    x, y = (
        np.array([5.0, 5.0, 9.0, 11.0, 12.0, 12.0, 8.0, -3.0]),
        np.array([1.0, -1.0, 8.0, 8.0, -1.0, 20.0, 20.0, -2.0]),
    )
    assert places.outside("F", x, y).tolist() == [False, True, False, True, True, True, False, True]


def test_fabric_is_on_the_fence_and_what_lives_in_the_strip_anywhere_in_it():
    places = MoverPlaces({"F": FENCE}, {"F": True})
    assert found(places, person("fence")) == [("fence", "somebody", 20.0, 0.0, 0.62)]
    assert found(places, person("strip")) == [("strip", "somebody", 20.0, 4.0, 1.02)]
    # two movers, the stronger first
    both = found(places, person("fence", name="fabric"), person("strip", name="bird"))
    assert [name for _, name, *_ in both] == ["bird", "fabric"]


def test_a_feature_has_its_movers_on_its_own_ground_and_nearer_by_its_accuracy():
    road = Feature("lane", ("lorry", "car"), LineString([(-9, -3), (30, -3)]), 4.0)
    path = Feature("path", ("car",), LineString([(5, -2), (5, -9)]))
    tree = Feature("tree", ("branch",), Point(12, 9))
    yard = Feature("yard", ("car",), box(2, -3.5, 6, -2.5))
    far = Feature("far road", ("car",), LineString([(-9, -30), (30, -30)]), 4.0)
    lorry, car, branch = (person("mapped", name=name) for name in ("lorry", "car", "branch"))
    places = MoverPlaces({"F": FENCE}, {"F": True}, (road, path, tree, yard, far), 1.5)
    # the road's edge is 2 m from its middle: 5 m from the beam line
    assert found(places, lorry) == [("lane", "lorry", 20.0, -1.0, 0.52)]
    assert found(places, branch) == [("tree", "branch", 12.0, 9.0, 0.512)]
    cars = found(places, car)
    assert [at for at, *_ in cars] == ["lane", "path", "yard"]
    assert cars[1][2:] == (5.0, -2.0, 0.405) and cars[2][2:] == (6.0, -2.5, 0.356)
    high = {one.at: one.found.high for one in places.of_zone(ZONE, nuisance(car, branch))}
    # 1.5 m nearer: 0.15 more
    assert high == {
        name: pytest.approx(m) for name, m in (("lane", 0.67), ("path", 0.555), ("yard", 0.506), ("tree", 0.662))
    }
    # by their own features alone
    assert found(MoverPlaces({"F": FENCE}, {"F": True}), lorry) == []
    assert road.ground.bounds == (-9, -5, 30, -1) and path.ground is path.shape


def test_wherever_a_mover_lives_it_is_on_its_features_too():
    gate = Feature("gate", ("somebody",), Point(10, 3))
    places = MoverPlaces({"F": FENCE}, {"F": True}, (gate,))
    assert [at for at, *_ in found(places, person("outside"))] == ["gate", "outside"]
