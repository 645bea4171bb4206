"""Heads that differ: which end, which height, which beamwidth, which loss; equal heads would hide a swap."""

import numpy as np
import pytest
from scipy.integrate import trapezoid

from geotools.beam import HEAD_TYPES, TARGETS, Beam, HeadType, Target, solve_beam, solve_beams
from geotools.beam.antenna import lateral_fraction, waist
from geotools.beam.strip import Strip, modulation

X = np.linspace(0.0, 60.0, 121)
UNEQUAL = HeadType("unequal", 24.125e9, 3.0, 9.0, 200.0)


def test_the_beam_runs_from_the_transmitters_height_to_the_receivers():
    """Free space: half of the signal is carried below the line of the heads, at every cut."""
    tx, rx = 8.0, 11.0
    field = solve_beam(HEAD_TYPES["10 GHz"], X, 0 * X, tx, rx)
    line = tx + (rx - tx) * X / X[-1]
    share = field.share_below(line[:, None])[:, 0]
    # by symmetry about the line, the two halves are equal in size and phase
    assert np.abs(share - 0.5)[5:-5].max() < 0.01
    swapped = field.share_below((tx + rx - line)[:, None])[:, 0]
    assert np.abs(swapped - 0.5)[5:20].min() > 0.3


def test_unequal_heads_over_flat_ground_are_the_gaussian_image_sum_at_each_end():
    """Share of the signal below a height, by the closed form of two Gaussian beams and their images."""
    head, tx, rx, length = HEAD_TYPES["10 GHz"], 0.60, 1.30, 60.0
    k, w0 = head.wavenumber, waist(head.wavenumber, head.beamwidth_el_deg)
    field = solve_beam(head, X, 0 * X, tx, rx)
    z = np.linspace(0.0, 6.0, 12_001)

    def beam(x, own, other):
        # an aimed aperture, taken through the paraxial kernel by its angular spectrum, less its image
        kappa = k * (other - own) / length
        q = w0**2 + 2j * x / k

        def one(s):
            return np.sqrt(w0**2 / q) * np.exp(-((s - kappa * x / k) ** 2) / q + 1j * kappa * s)

        return one(z - own) - one(-z - own)

    for x in (6.0, 20.0, 45.0):
        product = beam(x, tx, rx) * beam(length - x, rx, tx)
        whole = trapezoid(product, z)
        for height in (0.3, 0.7, 1.2):
            below = z <= height + 1e-9
            expected = abs(trapezoid(product[below], z[below]) / whole)
            got = abs(field.share_below(np.full((X.size, 1), height))[round(2 * x), 0]) / field.quiet_level
            assert got == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("swap", [False, True])
def test_a_low_head_has_the_shorter_dead_spot_before_it(swap):
    """Common practice, no source: longer the higher the head."""
    tx, rx = (1.20, 0.60) if swap else (0.60, 1.20)
    strip = Strip(X, np.linspace(-2.0, 2.0, 17), np.zeros((X.size, 17)))
    (field,) = solve_beams([strip.beam(HEAD_TYPES["10 GHz"], tx, rx)])
    seen = modulation([field], TARGETS["crawl"], strip).max(axis=1) >= 0.2
    before_tx, before_rx = int(np.argmax(seen)), int(np.argmax(seen[::-1]))
    assert before_tx > before_rx + 4 if swap else before_rx > before_tx + 4


def test_grass_hides_the_lower_part_of_a_body():
    strip = Strip(X, np.linspace(-2.0, 2.0, 17), np.zeros((X.size, 17)))
    (field,) = solve_beams([strip.beam(HEAD_TYPES["24 GHz"], 0.30, 0.38)])
    prone, grass = TARGETS["prone"], 0.12
    hidden = modulation([field], prone, strip, grass_m=grass)
    in_sight = Target("in sight", prone.height_m - grass, prone.width_m, grass)
    assert np.abs(hidden - modulation([field], in_sight, strip)).max() < 1e-9
    assert np.abs(hidden - modulation([field], prone, strip)).max() > 0.05
    assert modulation([field], prone, strip, grass_m=prone.height_m).max() == 0.0


def test_across_the_beam_counts_the_azimuth_beamwidth_and_up_the_elevation():
    k, length, x, width = UNEQUAL.wavenumber, 60.0, 5.0, 0.5
    y = np.linspace(-12.0, 12.0, 200_001)

    def share(beamwidth, offset):
        w0 = waist(k, beamwidth)
        both = np.exp(-(y**2) * (1 / (w0**2 + 2j * x / k) + 1 / (w0**2 + 2j * (length - x) / k)))
        part = np.abs(y - offset) <= width / 2
        return abs(trapezoid(both[part], y[part]) / trapezoid(both, y))

    offsets = (0.0, 0.3, 0.6)
    for offset in offsets:
        got = lateral_fraction(UNEQUAL, np.array([x]), length, np.array([offset]), width)[0, 0]
        assert got == pytest.approx(share(UNEQUAL.beamwidth_az_deg, offset), abs=0.002)
    apart = [share(UNEQUAL.beamwidth_az_deg, offset) - share(UNEQUAL.beamwidth_el_deg, offset) for offset in offsets]
    assert np.abs(apart).max() > 0.05
    # in height: a screen up to the line of the heads, and to 0.5 m above it
    field = solve_beam(UNEQUAL, X, 0 * X, 8.0, 8.0)
    above = field.share_below(np.full((X.size, 1), 8.0 + 0.25)) - field.share_below(np.full((X.size, 1), 8.0 - 0.25))
    assert abs(above[round(2 * x), 0]) == pytest.approx(share(UNEQUAL.beamwidth_el_deg, 0.0), abs=0.01)


def test_a_pair_that_points_aside_loses_the_azimuth_patterns_share():
    """Half the azimuth beamwidth aside is half the power, for a head whose elevation beamwidth is another."""

    def level(**pan):
        return solve_beams([Beam(UNEQUAL, X, 0 * X, 8.0, 8.0, **pan)], single=False)[0].standing_level_db

    half = UNEQUAL.beamwidth_az_deg / 2.0
    assert level(tx_pan_deg=half) - level() == pytest.approx(-3.01, abs=0.15)
    assert level(rx_pan_deg=half) - level() == pytest.approx(-3.01, abs=0.15)
    tilt = UNEQUAL.beamwidth_el_deg / 2.0
    assert level(tx_tilt_deg=tilt) - level() == pytest.approx(-3.01, abs=0.15)
