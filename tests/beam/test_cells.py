"""No dip that the survey holds falls between the nodes of a strip, whatever their spacing and wherever it lies."""

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, TARGETS, solve_beams
from geotools.beam.cells import FineGround, fine_axis, strip_on
from geotools.beam.strip import Strip, modulation
from geotools.errors import NumericInputError

LENGTH, HALF, CELL = 60.0, 2.0, 0.1
SPACINGS = [0.25, 0.5, 1.0, 2.0]
HEAD, TX, RX, TARGET = HEAD_TYPES["24 GHz"], 0.30, 0.38, TARGETS["prone"]


def straight_over(m, threshold):
    """Rows along which somebody gets straight from one edge of the strip to the other."""
    return (m < threshold).all(axis=1)


def axes(spacing):
    return np.linspace(0.0, LENGTH, round(LENGTH / spacing) + 1), np.linspace(-HALF, HALF, 17)


def on(shape, spacing):
    """The strip on a ground known every 0.1 m."""
    x, y = axes(spacing)
    fine = fine_axis(x, CELL), fine_axis(y, CELL)
    return strip_on(x, y, FineGround(*fine, shape(fine[0][:, None], fine[1][None, :]) + 0.0))


def found(strip):
    (field,) = solve_beams([strip.beam(HEAD, TX, RX)])
    return modulation([field], TARGET, strip)


def trench(centre, width, depth):
    return lambda x, y: np.where(np.abs(x - centre) <= width / 2 + 1e-9, -depth, 0.0) + 0.0 * y


@pytest.mark.parametrize("spacing", SPACINGS)
@pytest.mark.parametrize(("width", "depth"), [(0.4, 0.2), (1.2, 0.3)])
def test_a_trench_across_the_beam_lets_somebody_pass_at_every_position(spacing, width, depth):
    for centre in np.arange(30.0, 32.01, 0.15 if spacing < 1 else 0.25):
        dead = straight_over(found(on(trench(centre, width, depth), spacing)), 0.2)
        x, _ = axes(spacing)
        assert dead[np.abs(x - centre) <= max(spacing, 0.25)].any(), f"trench at {centre:.2f} m"


@pytest.mark.parametrize("spacing", SPACINGS)
def test_a_hollow_no_larger_than_a_body_lowers_the_node_beside_it(spacing):
    for along in np.arange(30.0, 31.0, 0.3):
        for across in (-0.9, -0.33, 0.4, 1.07):
            pit = on(
                lambda x, y, a=along, b=across: np.where(
                    (np.abs(x - a) <= 0.2 + 1e-9) & (np.abs(y - b) <= 0.1 + 1e-9), -0.2, 0.0
                ),
                spacing,
            )
            x, y = axes(spacing)
            near = (np.abs(x - along) <= spacing / 2 + 1e-9)[:, None] & (np.abs(y - across) <= 0.126)[None, :]
            assert (pit.standing_m - pit.beam_ground_m[:, None])[near].min() < -0.12


@pytest.mark.parametrize("spacing", SPACINGS)
@pytest.mark.parametrize("grade", [(0.05, 0.0), (0.05, 0.2)])
def test_even_slopes_are_no_dips(spacing, grade):
    strip = on(lambda x, y: grade[0] * x + grade[1] * y, spacing)
    assert np.abs(strip.drop_m).max() < 1e-6
    x, y = axes(spacing)
    plain = Strip(x, y, strip.ground_m)
    assert np.abs(found(strip) - found(plain)).max() < 0.01


def test_gentle_ground_costs_little():
    """A swale that the nodes hold anyway: the lowest place of a cell of half a metre is no other place."""

    def swale(x, y):
        return -0.3 * np.exp(-(((x - 30.0) / 6.0) ** 2)) + 0.0 * y

    strip = on(swale, 0.5)
    x, y = axes(0.5)
    assert np.abs(found(strip) - found(Strip(x, y, strip.ground_m))).max() < 0.02
    assert np.abs(straight_over(found(strip), 0.2).sum() - straight_over(found(on(swale, 0.25)), 0.2).sum() / 2) <= 2


def test_the_field_knows_the_ground_between_the_nodes():
    """A bank of 1 m between nodes 2 m apart stands in the beam."""

    def bank(x, y):
        return 0.5 * np.clip(1.0 - np.abs(x - 31.0) / 1.0, 0.0, 1.0) + 0.0 * y

    def level(strip):
        return solve_beams([strip.beam(HEAD, TX, RX)])[0].standing_level_db

    assert level(on(bank, 2.0)) == pytest.approx(level(on(bank, 0.5)), abs=1.0)
    x, y = axes(2.0)
    assert level(Strip(x, y, bank(x[:, None], y[None, :]))) > level(on(bank, 2.0)) + 6.0


def test_the_fine_axis_holds_the_nodes():
    x = np.linspace(0.0, 57.3, 116)
    fine = fine_axis(x, 0.1)
    assert np.diff(fine).max() <= 0.1 + 1e-9
    assert np.abs(fine[:, None] - x).min(axis=0).max() < 1e-9


def test_a_fine_ground_that_does_not_fit_is_refused():
    x, y = axes(0.5)
    fine = fine_axis(x, CELL), fine_axis(y, CELL)
    with pytest.raises(NumericInputError, match="does not fit"):
        strip_on(x, y, FineGround(*fine, np.zeros((3, 3))))
    with pytest.raises(NumericInputError, match="nodes"):
        strip_on(x, y, FineGround(fine[0][:-1], fine[1], np.zeros((fine[0].size - 1, fine[1].size))))
