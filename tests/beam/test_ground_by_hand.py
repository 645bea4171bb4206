"""Ground under a beam: steps fine enough for its bends, ridges in the way, tops that are looked at. By hand."""

import math

import numpy as np
import pytest
from scipy.special import erfc

from geotools.beam import HEAD_TYPES
from geotools.beam.closed_form import two_ray_level_db
from geotools.beam.cross_section import squared_line
from geotools.beam.field import BeamField, HeadPlacing, SolvedField
from geotools.beam.grid import _step
from geotools.beam.interference import pattern_db, terrain_loss_db
from geotools.beam.strip import Strip, detection_floor

HEAD = HEAD_TYPES["10 GHz"]


@pytest.mark.parametrize("spacing", [0.1, 0.25, 1.0, 2.5])
def test_a_step_leaves_an_eighth_of_a_wavelength_between_ground_that_bends_and_its_chord(spacing):
    """Ground c x^2 / 2 lies c step^2 / 8 off the chord of a step: step = sqrt(wavelength / c), 0.25 m to 0.5 m."""
    x = np.arange(0.0, 20.01, spacing)
    for wanted, found in ((0.4, 0.4), (0.3, 0.3), (0.2, 0.25), (0.7, 0.5)):
        c = HEAD.wavelength_m / wanted**2
        assert _step(x, c * x**2 / 2, HEAD.wavelength_m) == pytest.approx(found)
        assert _step(x, 3.0 + 0.1 * x - c * x**2 / 2, HEAD.wavelength_m) == pytest.approx(found)
    assert _step(x[:2], x[:2], HEAD.wavelength_m) == 0.5 == _step(x, 0.3 * x, HEAD.wavelength_m)


@pytest.mark.parametrize("towards", [(1.0, 0.0), (0.0, 1.0), (0.6, -0.8)])
def test_a_ridge_on_the_way_costs_its_knife_edge_in_every_direction(towards):
    """A ridge 2 m over the ray, 49 m of 100 m on the way: diffraction parameter and loss of ITU-R P.526-15, 4.1."""
    start = np.array([500.0, -300.0, 10.0])
    end = start + 100.0 * np.array([*towards, 0.04])

    def ground(x, y):
        along = (x - start[0]) * towards[0] + (y - start[1]) * towards[1]
        return np.where(np.abs(along - 49.0) < 0.5, 12.0 + 0.04 * along, 0.0)

    wave = 0.0285
    nu = 2.0 * math.sqrt(2.0 * 100.0 / (wave * 49.0 * 51.0))
    # half the complement of the error function at sqrt(j pi / 2) nu is what passes the edge
    expected = -20 * math.log10(abs(erfc(np.sqrt(0.5j * np.pi) * nu)) / 2)
    found = terrain_loss_db([start, start], [end, end + np.array([0, 0, 1000.0])], wave, ground, spacing_m=2.001)
    assert found == pytest.approx([expected, 0.0], abs=1e-6)
    assert terrain_loss_db([start], [end], wave, lambda x, y: x * np.nan) == pytest.approx([0.0])
    # below the ray as well, up to a parameter of -0.78
    for depth, counts in ((0.4, True), (0.46, True), (0.48, False)):
        nu = -depth * math.sqrt(2.0 * 100.0 / (wave * 49.0 * 51.0))
        low = terrain_loss_db([start], [end], wave, lambda x, y, d=depth: ground(x, y) - 2.0 - d, spacing_m=2.001)
        edge = -20 * math.log10(abs(erfc(np.sqrt(0.5j * np.pi) * nu)) / 2)
        assert low == pytest.approx([edge if counts else 0.0], abs=1e-6) and edge < 3.0


def test_a_head_loses_thirty_decibels_at_most_unless_told_otherwise():
    """Gaussian: 3.01 dB at half the beamwidth, four times as much at the whole of it."""
    db = 10 * math.log10(2)
    assert pattern_db([0.0, 3.0, 6.0, 90.0], 0.0, 6.0, 6.0) == pytest.approx([0.0, db, 4 * db, 30.0])
    assert pattern_db(0.0, [0.0, 3.0, 6.0, 90.0], 6.0, 6.0, floor_db=9.0) == pytest.approx([0.0, db, 9.0, 9.0])


@pytest.mark.parametrize(("need", "found"), [(0.4, 0.4), (1.9, 1.9), (2.9, 2.9), (3.2, math.inf)])
def test_tops_up_to_three_metres_are_looked_at(need, found):
    """A field that is even over 4 m: a body as wide as all of it must be so many metres high."""
    x, y = np.linspace(0.0, 20.0, 5), np.linspace(-0.2, 0.2, 3)
    z = np.arange(201) * 0.02
    product = np.full((5, z.size), 0.25, dtype=complex)
    solved = SolvedField(product, np.ones(5, dtype=complex), np.zeros(5), 0.02, 0.0)
    field = BeamField(
        heads=HeadPlacing(HEAD, 1.0, 1.0, (0.0, 0.0)),
        chainage_m=x,
        ground_m=np.zeros(5),
        solved=solved,
        free_signal=1.0,
        aim_loss=1.0,
    )
    floor = detection_floor([field], 20.0, need / 4.0, Strip(x, y, np.full((5, 3), 0.0)))
    assert floor[2] == pytest.approx(found, abs=0.01)


def test_ground_under_the_line_is_taken_square_to_the_slope_from_the_line_between_the_posts():
    """A dip of 0.3 m below a line that falls by 1 m, on a cross slope of 30 degrees: cos 30 of it counts."""
    x = np.array([5.0, 10.0, 15.0, 25.0])
    line = 100.0 - 0.05 * (x - 5.0) - np.array([0.0, 0.3, 0.0, 0.0])
    found = squared_line(x, line, np.full(4, math.pi / 6))
    assert found == pytest.approx([100.0, 99.75 - 0.3 * math.cos(math.pi / 6), 99.5, 99.0])


def test_two_heads_on_the_ground_cancel_each_other_and_the_level_is_still_a_number():
    assert two_ray_level_db(0.0285, 60.0, 0.0, 0.0) == pytest.approx(-240.0)
