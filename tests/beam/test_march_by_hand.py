"""One step of the field in three dimensions, piece by piece: absorbing sides, the image, the shift, the mesh. By hand.

Red when a layer absorbs another amount, an image is laid elsewhere, or the mesh is too small for what it must hold.
"""

import math

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.beam.field3d import Field3D, Mesh, _aperture, _March, _moved, _on_mesh, solve_3d
from geotools.beam.profile import Beam
from geotools.beam.strip import Strip

HEAD = HEAD_TYPES["10 GHz"]
K = HEAD.wavenumber
MESH = Mesh(0.5, 0.1, 0.02)
ACROSS = (np.arange(96) - 48) * MESH.dy
LEVELS = 150
ANGLE = 0.05


def march():
    return _March(K, MESH, ACROSS, LEVELS, ANGLE)


def test_a_ray_of_the_patterns_edge_is_weakened_to_e_to_the_minus_six_in_either_layer():
    """A ray at the angle crosses the last 35 % in layer / angle metres; twice `fade` is what one step takes."""
    rate = -2.0 * np.log(march().fade.astype(float)) / MESH.dx
    top = np.trapezoid(rate[48], march().heights) / ANGLE
    side = np.trapezoid(rate[:49, 0], ACROSS[:49]) / ANGLE
    # across, the layer is as wide as on the left, where one column less lies
    assert (top, side) == (pytest.approx(6.0, rel=0.005), pytest.approx(6.0 * 4.8 / 4.7, rel=0.01))
    # nothing is taken from what the strip needs, and both sides take the same
    inside = np.ix_(np.abs(ACROSS) <= 0.64 * 4.8, march().heights <= 0.64 * march().heights[-1])
    assert (march().fade[inside] == 1.0).all()
    assert march().fade[1:48] == pytest.approx(march().fade[:48:-1])
    # it rises with the square of the way into the layer: a quarter of the end's at half the way
    heights = march().heights / march().heights[-1]
    half = int(np.abs(heights - (1.0 - 0.35 / 2)).argmin())
    assert rate[48, half] / rate[48, -1] == pytest.approx(((heights[half] - 0.65) / 0.35) ** 2, rel=1e-3)
    # in the corner both layers act
    assert rate[0, -1] == pytest.approx(rate[48, -1] + rate[0, 0], rel=1e-3)


def test_the_image_of_level_ground_is_the_field_itself_in_the_phase_of_the_slope():
    field = (np.exp(-(ACROSS[:, None] ** 2)) * np.sin(march().heights)).astype(np.complex64)
    slope = np.full(ACROSS.size, 0.02)
    found = march()._image(field, np.zeros(ACROSS.size), slope)
    # k in 1/m: minus, and back by twice the height times the slope
    assert np.abs(found + field * np.exp(-2j * K * 0.02 * march().heights)).max() < 1e-4
    assert np.abs(march()._image(field, np.full(ACROSS.size, 3.0), 0 * slope) + field).max() < 1e-6


def test_the_image_in_ground_that_rises_across_lies_aside_by_the_sine_of_twice_its_angle():
    """A point square above a facet, mirrored at it: of a height z it comes to lie z sin 2a aside."""
    grade = 0.2
    twice = math.sin(2.0 * math.atan(grade))
    z = march().heights
    field = (0.3 * ACROSS[:, None] ** 3 - ACROSS[:, None] + 0 * z).astype(np.complex64)
    found = march()._image(field, grade * ACROSS, np.zeros(ACROSS.size))
    moved = ACROSS[:, None] - z * twice
    expected = -(0.3 * moved**3 - moved)
    # to a depth of eight diffraction lengths, not deeper; away from the sides
    depth = 8.0 * math.sqrt(MESH.dx / K)
    near, far = z <= depth, z > depth + 1.6 * MESH.dz
    middle = np.abs(ACROSS) < 3.0
    assert near.sum() > 15 and far.sum() > 15
    assert np.abs(found - expected)[np.ix_(middle, near)].max() < 2e-3
    assert np.abs(found + field)[:, far].max() < 1e-5
    # below a slope of one in ten thousand it is plumb
    assert np.abs(march()._image(field, 0.9e-4 * ACROSS, np.zeros(ACROSS.size)) + field).max() < 1e-5
    assert np.abs(march()._image(field, 2e-3 * ACROSS, np.zeros(ACROSS.size)) + field)[:, near].max() > 1e-4


def test_what_is_moved_beyond_the_sides_stops_in_the_last_cell_that_has_neighbours():
    place = np.arange(10.0)
    values = (place**2)[:, None].astype(np.complex64)
    for by, expected in ((0.0, place**2), (0.5, (place + 0.5) ** 2), (-1.0, (place - 1.0) ** 2)):
        found = _moved(values, np.full((10, 1), by))[:, 0]
        assert found[2:-3].real == pytest.approx(expected[2:-3], abs=1e-4)
    assert _moved(values, np.full((10, 1), 20.0)).real == pytest.approx(7.999**2, abs=1e-3)
    assert _moved(values, np.full((10, 1), -20.0)).real == pytest.approx(1.0)


def test_a_step_over_level_ground_is_free_space_of_the_field_and_its_mirror_image():
    """A Gaussian of both axes a step on: closed form of the paraxial equation, minus that of the image."""
    made, w, height = march(), 0.25, 1.2

    def gauss(x, up):
        q = w**2 + 2j * x / K
        return w**2 / q * np.exp(-((ACROSS[:, None] ** 2 + up[None, :] ** 2) / q))

    def both(x):
        return gauss(x, made.heights - height) - gauss(x, made.heights + height)

    here = made._lift(np.zeros(ACROSS.size))
    field = both(0.0).astype(np.complex64)
    after = made._step(field, -field, here, here)
    kept = made.heights < 2.2
    assert np.abs(after - both(MESH.dx))[:, kept].max() < 2e-3
    assert (after[:, 0] == 0).all()
    # a whole run fades half of a step before a node and half after it
    seen = made.run(np.zeros((3, ACROSS.size)), both(0.0))
    assert np.abs(seen[2] - both(2 * MESH.dx))[:, made.heights < 1.8].max() < 5e-3
    assert seen[0][:, -1] == pytest.approx(both(0.0)[:, -1] * made.fade[:, -1], abs=1e-6)


def test_an_aperture_stands_over_the_ground_of_the_beam_line_and_points_where_it_is_aimed():
    beam = Beam(HEAD, np.array([0.0, 30.0]), np.zeros(2), 1.0, 1.6)
    made = march()
    field = _aperture(beam, made, 0.1 * ACROSS, 1.0, 0.02)
    # waist by half power at half the beamwidth of 6 degrees: sqrt(2 ln 2) / (k sin 3 degrees)
    waist = math.sqrt(2.0 * math.log(2.0)) / (K * math.sin(math.radians(3.0)))
    up = made.heights + 0.1 * ACROSS[:, None] - 1.0
    expected = np.exp(-(up**2 + ACROSS[:, None] ** 2) / waist**2) * np.exp(1j * K * 0.02 * up)
    assert np.abs(field - expected).max() < 1e-5


def test_the_mesh_holds_the_strip_the_heads_and_what_lies_between_them():
    """At least three Fresnel radii or 1.4 m over the higher head, inside the layer of 35 %; 4.8 m to either side."""
    x, y = np.linspace(0.0, 10.0, 21), np.linspace(-2.0, 2.0, 9)
    strip = Strip(x, y, np.zeros((21, 9)))
    field = solve_3d(strip.beam(HEAD, 0.6, 0.9), strip, Mesh(1.0, 0.2, 0.03))
    tall = (0.9 + 1.4) / 0.65 * (1.0 - 0.35 / 2)
    assert tall - 0.03 <= field.product.shape[2] * field.dz_m < 1.15 * tall
    assert 4.8 <= -field.across_m[0] < 5.4 and field.across_m[-1] >= 4.6
    assert field.chainage_m == pytest.approx(np.arange(11.0)) and 0.0 in field.across_m
    # relief is added with a fifth to spare
    hill = np.where(np.abs(x - 5.0) < 1.0, 0.5, 0.0)[:, None] + np.zeros((21, 9))
    higher = solve_3d(strip.beam(HEAD, 0.6, 0.9), Strip(x, y, hill), Mesh(1.0, 0.2, 0.03))
    more = 0.6 / 0.65 * (1.0 - 0.35 / 2)
    assert (higher.product.shape[2] - field.product.shape[2]) * 0.03 == pytest.approx(more, abs=0.25)


def test_ground_between_two_chainages_is_linear_to_the_last_and_counted_from_the_line_of_the_feet():
    x, y = np.linspace(0.0, 20.0, 5), np.linspace(-2.0, 2.0, 5)
    ground = 100.0 + 0.1 * x[:, None] + np.array([0.0, 0.4, 0.2, -0.1, 0.0])[:, None] + 0 * y
    found = _on_mesh(Strip(x, y, ground), 0.0, np.array([0.0, 2.5, 10.0, 17.5, 20.0]), np.array([-1.0, 0.0, 3.0]))
    for column in range(3):
        assert found[:, column] == pytest.approx([0.0, 0.2, 0.2, -0.05, 0.0])


def test_a_body_in_three_dimensions_is_related_to_the_signal_in_its_phase():
    """Even field of 1 over 4 m x 2 m, signal 8 turned: a body of 0.5 m x 1 m takes a sixteenth."""
    across, levels = np.linspace(-2.0, 2.0, 41), 101
    product = np.full((2, 41, levels), np.exp(0.8j))
    field = Field3D(np.array([0.0, 1.0]), across, np.zeros((2, 41)), product, 0.02, 8 * np.exp(0.8j), 8.0, 0.0)
    body = TARGETS["crawl"]
    found = field.cut(body, 1, np.array([-1.0, 0.0, 1.0]))
    assert found == pytest.approx(body.width_m * body.height_m / 8.0, abs=1e-6)
    assert field.standing_level_db == pytest.approx(0.0)
    silent = Field3D(np.array([0.0, 1.0]), across, np.zeros((2, 41)), product, 0.02, 0j, 8.0, 0.0)
    assert silent.standing_level_db == pytest.approx(-240.0)


def test_over_a_plane_that_rises_along_the_beam_the_field_is_that_over_level_ground_in_the_phase_of_the_slope():
    """u(x, z) = v(x, z - s x) exp(j k s (z - s x) + j k s^2 x / 2), where v solves the equation over level ground."""
    made, w, height, slope = march(), 0.25, 0.35, 0.03

    def level(x):
        q = w**2 + 2j * x / K
        spread = ACROSS[:, None] ** 2
        return (
            w**2
            / q
            * (
                np.exp(-(spread + (made.heights - height) ** 2) / q)
                - np.exp(-(spread + (made.heights + height) ** 2) / q)
            )
        )

    def over(x):
        return level(x) * np.exp(1j * K * slope * made.heights + 0.5j * K * slope**2 * x)

    ground = slope * MESH.dx * np.arange(4)[:, None] + np.zeros(ACROSS.size)
    seen = made.run(ground, over(0.0))
    kept = made.heights < 1.7
    for step in (1, 3):
        assert np.abs(seen[step] - over(step * MESH.dx))[:, kept].max() < 0.01
