"""Interference: ITU-R P.525 in its own units, P.526's knife edge, and the pattern of a Gaussian aperture."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.beam.antenna import waist
from geotools.beam.interference import HeadArray, free_space_loss_db, pattern_db, reception, terrain_loss_db
from geotools.errors import NumericInputError


def heads(xy, azimuth, *, ghz=10.525, vertical=True, z=0.91):
    n = len(xy)
    return HeadArray(
        np.column_stack([np.asarray(xy, float), np.full(n, z)]),
        np.asarray(azimuth, float),
        np.zeros(n),
        np.full(n, ghz * 1e9),
        np.full(n, 6.0),
        np.full(n, 6.0),
        np.full(n, vertical),
    )


@pytest.mark.parametrize(("ghz", "km"), [(10.525, 0.1), (24.125, 0.45), (10.525, 12.0)])
def test_free_space_loss(ghz, km):
    # ITU-R P.525-4, eq. (5): 32.4 + 20 log f (MHz) + 20 log d (km); the constant is rounded from 32.45
    assert free_space_loss_db(km * 1e3, ghz * 1e9) == pytest.approx(
        32.4 + 20 * np.log10(ghz * 1e3) + 20 * np.log10(km), abs=0.05
    )


@pytest.mark.parametrize("beamwidth", [3.5, 6.0, 10.0])
def test_pattern_is_that_of_the_gaussian_aperture(beamwidth):
    # far field of exp(-s^2/w0^2) is exp(-(k w0 sin(angle))^2 / 4), any antenna handbook; w0 is the beam model's own
    k = 2 * np.pi * 10.525e9 / 299_792_458
    angle = np.array([0.5, 1.0, 2.0]) * beamwidth / 2
    far = -20 * np.log10(np.exp(-((k * waist(k, beamwidth) * np.sin(np.radians(angle))) ** 2) / 4))
    assert pattern_db(angle, 0, beamwidth, beamwidth) == pytest.approx(far, rel=2e-2)
    assert pattern_db(beamwidth / 2, 0, beamwidth, beamwidth) == pytest.approx(3.0103, abs=1e-3)


def test_back_lobe_ends_at_the_floor():
    assert pattern_db(180, 0, 6, 6, floor_db=28) == 28


@pytest.mark.parametrize(("height", "nu"), [(1.0, None), (0.0, 0.0), (-0.4, None)])
def test_knife_edge(height, nu):
    # ITU-R P.526-15, eq. (31): J = 6.9 + 20 log(sqrt((v - 0.1)^2 + 1) + v - 0.1), good to some tenths of a dB
    wave, d = 0.0285, 100.0
    v = height * np.sqrt(2 * 200 / (wave * d * d))
    expected = 6.9 + 20 * np.log10(np.sqrt((v - 0.1) ** 2 + 1) + v - 0.1)

    def ground(x, y):
        return np.where(np.abs(x - 100) < 1.01, 5.0 + height, -50.0)

    found = terrain_loss_db([[0, 0, 5.0]], [[200, 0, 5.0]], wave, ground, spacing_m=1.0)
    # the edge is met half a metre off the middle of the path
    assert found[0] == pytest.approx(expected, abs=0.3)


def test_open_ground_loses_nothing_and_unknown_ground_hides_nothing():
    def deep(x, y):
        return np.full(np.shape(x), -20.0)

    def unknown(x, y):
        return np.full(np.shape(x), np.nan)

    for ground in (deep, unknown):
        assert terrain_loss_db([[0, 0, 1]], [[100, 0, 1]], 0.03, ground)[0] == 0


def test_three_zones_in_line_by_hand():
    # like-way zones of 100 m, one left out between: the foreign transmitter stands three zones away on the same axis,
    # 20 log10(3) = 9.54 dB below the own one
    receivers = heads([(100, 0), (300, 0)], [270, 270])
    transmitters = heads([(0, 0), (200, 0)], [90, 90])
    found = reception(receivers, transmitters).level_db
    assert found[1, 1] - found[1, 0] == pytest.approx(20 * np.log10(3), abs=1e-6)
    # the other way round it comes from behind, through both back lobes, over the same 100 m
    assert found[0, 0] - found[0, 1] == pytest.approx(60.0, abs=1e-6)


def test_crossed_polarisation_and_another_band():
    receivers = heads([(100, 0)], [270])
    same = reception(receivers, heads([(0, 0)], [90])).level_db
    crossed = reception(receivers, heads([(0, 0)], [90], vertical=False), cross_polar_db=22).level_db
    other = reception(receivers, heads([(0, 0)], [90], ghz=24.125)).level_db
    assert same - crossed == pytest.approx(22)
    assert other[0, 0] == -np.inf


def test_ground_is_asked_only_where_it_matters():
    asked = []

    def ground(x, y):
        asked.append(np.shape(x)[0])
        return np.zeros(np.shape(x))

    reception(
        heads([(100, 0), (5000, 0)], [270, 270]),
        heads([(0, 0)], [90]),
        ground=ground,
        ask_terrain=lambda level: level > -100,
    )
    assert asked == [1]


def test_no_distance_is_refused():
    with pytest.raises(NumericInputError, match="distance"):
        free_space_loss_db(0.0, 1e10)
