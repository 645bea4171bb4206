"""Aim of heads against textbook bearings and PROJ."""

import math

import numpy as np
import pyproj
import pytest

from geotools.errors import NumericInputError
from geotools.steps.stakeout.kernel import aim, degrees_minutes, post_groups


def test_quadrants_and_slope():
    # bearings by definition: due north, east, south, west; a 3-4-5 triangle
    here = np.zeros((4, 3))
    there = np.array([[0, 100, 0], [100, 0, 1], [0, -100, 0], [-3, 0, 4.0]])
    a = aim(here, there)
    assert np.allclose(a.grid_azimuth, [0, 90, 180, 270])
    assert a.tilt[1] == pytest.approx(math.degrees(math.atan(0.01)))
    assert a.slant_distance[3] == pytest.approx(5.0)
    assert np.allclose(aim(there, here).tilt, -a.tilt)


def test_true_azimuth_and_ground_distance_agree_with_the_ellipsoid():
    # independent: PROJ's geodesic on the same ellipsoid, in a UTM zone two degrees off its meridian
    crs = pyproj.CRS.from_epsg(32633)
    to_map = pyproj.Transformer.from_crs(4326, crs, always_xy=True)
    lon, lat = 17.0, 48.0
    factors = pyproj.Proj(crs).get_factors(lon, lat)
    for bearing in (10.0, 100.0, 250.0):
        lon2, lat2, _ = pyproj.Geod(ellps="WGS84").fwd(lon, lat, bearing, 120.0)
        a = aim(
            [[*to_map.transform(lon, lat), 0.9]],
            [[*to_map.transform(lon2, lat2), 0.9]],
            convergence=factors.meridian_convergence,
            scale_factor=factors.meridional_scale,
        )
        assert abs(factors.meridian_convergence) > 1.4  # the check is of no use on the central meridian
        assert a.true_azimuth[0] == pytest.approx(bearing, abs=0.002)
        assert a.ground_distance[0] == pytest.approx(120.0, abs=0.002)


def test_convergence_of_the_formula_in_surveying_texts():
    # gamma = d_lambda * sin(phi) to first order: any geodesy text, e.g. Bomford, Geodesy, on the transverse Mercator
    f = pyproj.Proj(32633).get_factors(17.0, 48.0)
    assert f.meridian_convergence == pytest.approx(2.0 * math.sin(math.radians(48.0)), abs=0.01)


def test_a_head_facing_itself_is_refused():
    with pytest.raises(NumericInputError, match="own position"):
        aim([[1, 1, 0.9]], [[1, 1, 0.3]])


def test_azimuth_as_an_instrument_shows_it():
    assert degrees_minutes(123.1234) == "123° 07′"
    assert degrees_minutes(359.9999) == "0° 00′"


def test_heads_of_one_stack_share_a_post():
    xy = [(0, 0), (0.01, 0), (50, 0), (0, 0.02), (50, 0.0)]
    assert list(post_groups(xy)) == [0, 0, 1, 0, 1]
