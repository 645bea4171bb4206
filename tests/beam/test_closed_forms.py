"""The solver and its closed forms against published formulas."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad, trapezoid

from geotools.beam import (
    HEAD_TYPES,
    Beam,
    HeadType,
    fresnel_radius,
    knife_edge_loss_db,
    knife_edge_nu,
    solve_beam,
    solve_beams,
    two_ray_level_db,
)
from geotools.beam.antenna import lateral_fraction, waist
from geotools.beam.closed_form import beam_radius, free_overlap, grazing_factor, knife_edge_loss_approx_db
from geotools.beam.grid import choose_grid
from geotools.beam.sweep import sweeps

REFERENCE = Path(__file__).parents[1] / "reference" / "beam"
KNIFE = tomllib.loads((REFERENCE / "knife_edge.toml").read_text())

FLAT_X = np.linspace(0.0, 100.0, 201)
FLAT = np.zeros_like(FLAT_X)


def test_knife_edge_integrals_agree_with_the_recommendations_approximation():
    nu = np.array([v for v in KNIFE["nu"] if v > -0.78])
    assert np.abs(knife_edge_loss_db(nu) - knife_edge_loss_approx_db(nu)).max() < 0.15


def test_an_edge_raised_into_the_solved_beam_loses_what_the_recommendation_says():
    # 20 m above ground, so that nothing comes back from it: a half screen removed from the solved overlap
    wide = HeadType("wide", 24.125e9, 12.0, 12.0, 500.0)
    field = solve_beam(wide, FLAT_X, FLAT, 20.0, 20.0, step_m=5.0, dz_m=0.004)
    free = 10 ** (field.standing_level_db / 20.0)
    for d1 in (50.0, 30.0):
        row = int(d1 * 2)
        height = np.array(KNIFE["nu"]) / knife_edge_nu(wide.wavelength_m, 1.0, d1, 100.0 - d1)
        below = field.share_below(np.tile(20.0 + height, (FLAT_X.size, 1)))[row]
        loss = -20.0 * np.log10(np.abs(1.0 - below) * free)
        assert np.abs(loss - knife_edge_loss_db(KNIFE["nu"])).max() < KNIFE["tolerance_db"]


@pytest.mark.parametrize("name", ["10 GHz", "24 GHz"])
def test_fresnel_radius_is_that_of_p530(name):
    head = HEAD_TYPES[name]
    printed = 17.3 * np.sqrt(0.03 * 0.07 / (head.frequency_hz / 1e9 * 0.1))
    assert fresnel_radius(head.wavelength_m, 30.0, 70.0) == pytest.approx(
        printed, rel=KNIFE["fresnel_zone"]["tolerance_relative"]
    )


@pytest.mark.parametrize("frequency", [10.525e9, 24.125e9])
@pytest.mark.parametrize("length", [40.0, 100.0, 150.0])
@pytest.mark.parametrize("heights", [(0.3, 0.3), (0.91, 0.91), (0.5, 1.2), (1.5, 1.5)])
def test_standing_level_over_flat_ground_is_two_ray(frequency, length, heights):
    # heads wide enough to light the mirror point as the direct path; deep nulls are compared in amplitude
    paraxial_phase_error = 2 * np.pi * frequency / 3e8 * (heights[0] + heights[1]) ** 4 / 8 / length**3
    if paraxial_phase_error > 0.02:
        pytest.skip("steeper than the paraxial equation's own phase holds")
    wide = HeadType("wide", frequency, 40.0, 40.0, 500.0)
    x = np.linspace(0.0, length, 41)
    level = solve_beam(wide, x, 0.0 * x, *heights).standing_level_db
    expected = two_ray_level_db(wide.wavelength_m, length, *heights)
    if expected > -10.0:
        assert level == pytest.approx(expected, abs=0.5)
    else:
        assert 10 ** (level / 20) == pytest.approx(10 ** (expected / 20), abs=0.06)


@pytest.mark.parametrize("name", HEAD_TYPES)
@pytest.mark.parametrize("height", [0.3, 0.91, 1.5])
def test_standing_level_of_a_directive_head_is_the_gaussian_image_sum(name, height):
    head = HEAD_TYPES[name]
    k, w0 = head.wavenumber, waist(head.wavenumber, head.beamwidth_el_deg)
    length = 60.0
    x = np.linspace(0.0, length, 121)
    image = np.exp(-((2.0 * height) ** 2) / (2.0 * w0**2 + 2j * length / k))
    assert 10 ** (solve_beam(head, x, 0.0 * x, height, height).standing_level_db / 20) == pytest.approx(
        abs(1.0 - image), abs=0.005
    )


@pytest.mark.parametrize("polarisation", ["horizontal", "vertical"])
@pytest.mark.parametrize("name", ["10 GHz", "24 GHz"])
def test_polarisation_enters_as_the_fresnel_reflection_coefficient(polarisation, name):
    frequency = HEAD_TYPES[name].frequency_hz
    wide = HeadType("wide", frequency, 20.0, 20.0, 500.0)
    e = 15.0
    for height in (0.6, 0.91):
        sine = 2 * height / np.hypot(100.0, 2 * height)
        root = np.sqrt(e - 1 + sine**2)
        r = (sine - root) / (sine + root) if polarisation == "horizontal" else (e * sine - root) / (e * sine + root)
        beam = Beam(wide, FLAT_X, FLAT, height, height, polarisation=polarisation, ground_permittivity=e)
        level = solve_beams([beam], single=False)[0].standing_level_db
        assert level == pytest.approx(two_ray_level_db(wide.wavelength_m, 100.0, height, height, r), abs=0.5)


def test_the_mirrors_factor_is_the_small_angle_limit_of_fresnels_coefficients():
    for e in (4.0, 15.0 - 2.0j):
        s = 1e-4
        root = np.sqrt(e - 1 + s**2)
        assert -np.exp(-2 * grazing_factor("vertical", e) * s) == pytest.approx(
            (e * s - root) / (e * s + root), abs=1e-6
        )
        assert -np.exp(-2 * grazing_factor("horizontal", e) * s) == pytest.approx((s - root) / (s + root), abs=1e-6)


@pytest.mark.parametrize("name", HEAD_TYPES)
def test_a_head_far_above_ground_stands_at_the_free_space_level(name):
    x = np.linspace(0.0, 40.0, 41)
    assert solve_beam(HEAD_TYPES[name], x, 0 * x, 8.0, 8.0).standing_level_db == pytest.approx(0.0, abs=0.03)


def test_the_sweep_spreads_as_a_gaussian_beam():
    head = HEAD_TYPES["10 GHz"]
    beam = Beam(head, FLAT_X, FLAT, 12.0, 12.0)
    grid = choose_grid(beam, FLAT_X, FLAT, 0.5, 0.03)
    field = np.abs(sweeps([beam], [grid], [0.0], single=False)[:, 0, 0]) ** 2
    z = np.arange(grid.size) * grid.dz
    w0 = waist(head.wavenumber, head.beamwidth_el_deg)
    for step in (0, 20, 60):
        centre = (field[step] * z).sum() / field[step].sum()
        radius = 2.0 * np.sqrt((field[step] * (z - centre) ** 2).sum() / field[step].sum())
        assert radius == pytest.approx(float(beam_radius(head.wavelength_m, w0, step * 0.5)), rel=0.002)


def test_half_power_beamwidth_of_the_aperture():
    head = HEAD_TYPES["10 GHz"]
    w0 = waist(head.wavenumber, head.beamwidth_el_deg)
    angle = np.radians(head.beamwidth_el_deg / 2.0)
    pattern = quad(lambda s: np.exp(-((s / w0) ** 2)) * np.cos(head.wavenumber * np.sin(angle) * s), -1, 1)[0]
    on_axis = quad(lambda s: np.exp(-((s / w0) ** 2)), -1, 1)[0]
    assert (pattern / on_axis) ** 2 == pytest.approx(0.5, rel=1e-6)


@pytest.mark.parametrize("pan", [(0.0, 0.0), (2.0, -1.0)])
def test_lateral_fraction_is_the_integral_it_stands_for(pan):
    head, length = HEAD_TYPES["24 GHz"], 100.0
    k, w0 = head.wavenumber, waist(head.wavenumber, head.beamwidth_az_deg)

    def spread(y, x, angle):
        # an aperture field with a tilted phase, taken through the paraxial kernel by its angular spectrum
        kappa = k * np.sin(np.radians(angle))
        q = w0**2 + 2j * x / k
        return np.sqrt(w0**2 / q) * np.exp(-((y - kappa * x / k) ** 2) / q + 1j * kappa * y - 0.5j * kappa**2 * x / k)

    for x in (3.0, 50.0):
        y = np.linspace(-12.0, 12.0, 200_001)
        both = spread(y, x, pan[0]) * spread(y, length - x, pan[1])
        whole = trapezoid(both, y)
        for offset, width in ((0.0, 0.5), (0.8, 0.5), (-0.6, 1.7)):
            part = np.abs(y - offset) <= width / 2
            expected = abs(trapezoid(both[part], y[part]) / whole)
            got = lateral_fraction(head, np.array([x]), length, np.array([offset]), width, pan_deg=pan)[0, 0]
            assert got == pytest.approx(expected, abs=0.002)


def test_free_overlap_is_the_same_at_every_cut():
    head, length = HEAD_TYPES["10 GHz"], 100.0
    k, w0 = head.wavenumber, waist(head.wavenumber, head.beamwidth_el_deg)
    z = np.linspace(-15, 15, 60_001)
    for x in (0.0, 20.0, 50.0):
        q1, q2 = w0**2 + 2j * x / k, w0**2 + 2j * (length - x) / k
        both = w0 / np.sqrt(q1) * np.exp(-(z**2) / q1) * w0 / np.sqrt(q2) * np.exp(-(z**2) / q2)
        assert trapezoid(both, z) == pytest.approx(free_overlap(k, head.beamwidth_el_deg, length), rel=1e-4)
