"""Where movers may be, and what is refused in the user's own layers."""

from __future__ import annotations

import json

import numpy as np
import pytest
from pyproj import CRS
from shapely import LineString, Point, Polygon

import geotools
from geotools.detection.mover_places import Feature, MoverPlaces, read_features
from geotools.errors import InputError

RING = LineString([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)])


def test_outside_of_a_ring_is_what_it_does_not_hold():
    places = MoverPlaces({"F01": RING}, {"F01": True})
    assert places.outside("F01", np.array([5.0, 15.0, -1.0]), np.array([5.0, 5.0, 5.0])).tolist() == [False, True, True]


@pytest.mark.parametrize(("inside_left", "expected"), [(True, [True, False, True]), (False, [False, True, False])])
def test_outside_of_an_open_line_is_the_side_that_is_not_guarded(inside_left, expected):
    bent = LineString([(0, 0), (10, 0), (10, 10)])
    places = MoverPlaces({"F01": bent}, {"F01": inside_left})
    found = places.outside("F01", np.array([5.0, 5.0, 12.0]), np.array([-1.0, 3.0, 5.0]))
    assert found.tolist() == expected


def test_a_line_with_a_width_is_the_ground_to_both_sides_of_it():
    road = Feature("road", ("car",), LineString([(0, 0), (10, 0)]), 4.0)
    assert road.ground.equals(Polygon([(0, -2), (10, -2), (10, 2), (0, 2)]))
    assert Feature("tree", ("branch",), Point(1, 1)).ground.equals(Point(1, 1))


def site_with(make_site, properties, geometry=None):
    site_file = make_site(inputs='vertical_accuracy_m = 0.05\nmovers = "movers.geojson"\n')
    geometry = geometry or {"type": "LineString", "coordinates": [[500_000, 5_400_010], [500_090, 5_400_010]]}
    collection = {
        "type": "FeatureCollection",
        "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32632"}},
        "features": [{"type": "Feature", "properties": properties, "geometry": geometry}],
    }
    (site_file.parent / "movers.geojson").write_text(json.dumps(collection))
    return geotools.open_site(site_file)


def test_features_are_read_with_their_movers(make_site):
    site = site_with(make_site, {"name": "road", "mover": "lorry, car", "width_m": 6})
    (road,) = read_features(site, CRS(32632))
    assert (road.name, road.movers, road.width_m) == ("road", ("lorry", "car"), 6.0)


@pytest.mark.parametrize(
    ("properties", "words"),
    [
        ({"mover": "tank"}, ["names a mover that is not known", "tank", "lorry", "feature 1", "[movers.NAME]"]),
        ({"name": "road"}, ["does not say what moves there", "field mover"]),
        ({"mover": ""}, ["does not say what moves there"]),
        ({"mover": "car", "width_m": "wide"}, ["the width of a feature is not a length", "wide"]),
        ({"mover": "car", "width_m": -3}, ["the width of a feature is not a length", "-3"]),
    ],
)
def test_a_feature_that_says_nothing_usable_is_refused(make_site, properties, words):
    with pytest.raises(InputError) as refused:
        read_features(site_with(make_site, properties), CRS(32632))
    assert all(word in str(refused.value) for word in words)


def test_a_mover_of_the_site_file_is_known_and_a_size_out_of_range_is_refused(make_site):
    own = "[movers.cow]\nheight_m = 1.5\nwidth_m = 2.2\n"
    site = geotools.open_site(make_site(toml=own))
    assert site.all_movers["cow"].place == "mapped"
    assert "lorry" in site.all_movers
    with pytest.raises(geotools.errors.SiteError, match=r"movers\.cow\.width_m"):
        geotools.open_site(make_site(toml=own.replace("2.2", "22")))
