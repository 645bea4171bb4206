"""Where a beam is solved and over which ground: nodes, cross slopes, caps and cells worked out by hand.

No beam is solved. Red when nodes of a survey are kept or dropped wrongly, a cross slope is another than the middle one,
or a place of the ground is taken for another.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from geotools.beam import HEAD_TYPES, Beam
from geotools.beam.cells import FineGround, strip_on
from geotools.beam.cross_section import cross_slope
from geotools.beam.grid import choose_grid
from geotools.beam.profile import capped_ground
from geotools.beam.wave import _at_nodes, _mirror_depth

HEAD = HEAD_TYPES["10 GHz"]


def grid_of(x, h=None, **given):
    x = np.asarray(x, dtype=float)
    h = np.zeros(x.size) if h is None else h
    return choose_grid(Beam(HEAD, x, h, 0.9, 0.9, **given), x, h, None, None)


@pytest.mark.parametrize(
    ("spacing", "count", "nodes"),
    [
        # close enough as they are, from 0.4 m to a metre where half a metre is wanted
        (0.5, 61, 61),
        (0.6, 51, 51),
        (0.9, 31, 31),
        (0.42, 71, 71),
        # farther apart: as many parts of each as make steps of a metre at most
        (1.5, 21, 41),
        (2.5, 11, 31),
        # closer than is wanted: every half a metre
        (0.25, 121, 61),
    ],
)
def test_even_nodes_are_kept_where_they_are_close_enough(spacing, count, nodes):
    x = spacing * np.arange(count)
    made = grid_of(x)
    assert made.ground_m.size == nodes and made.dx == pytest.approx(x[-1] / (nodes - 1))
    assert made.chainage_m == pytest.approx(np.linspace(0.0, x[-1], nodes))


def test_uneven_nodes_are_replaced_by_even_ones_on_the_same_ground():
    x = np.r_[np.arange(0.0, 10.0, 0.5), np.arange(10.0, 30.5, 0.8), 30.0 + 0.8]
    x = np.unique(np.r_[x, 32.0])
    made = grid_of(x, 0.05 * x)
    assert made.ground_m.size == 65 and made.chainage_m == pytest.approx(np.arange(0.0, 32.5, 0.5))
    assert made.ground_m == pytest.approx(0.05 * made.chainage_m)


@pytest.mark.parametrize("count", [4, 5, 6, 7, 8, 9])
def test_the_cross_slope_is_the_middle_one_of_places_half_the_strip_apart(count):
    """Whether the pairs are even or odd in number; the same along the whole beam, so that smoothing moves nothing."""
    offset = np.linspace(-2.0, 2.0, count)
    height = np.random.default_rng(count).normal(0.0, 0.4, count)
    pairs = [(a, b) for a in range(count) for b in range(a + 1, count) if offset[b] - offset[a] >= 2.0 - 1e-9]
    wanted = np.median([np.arctan2(height[b] - height[a], offset[b] - offset[a]) for a, b in pairs])
    along = np.arange(0.0, 20.5, 0.5)
    found = cross_slope(along, offset, np.repeat(height[None], along.size, axis=0))
    assert found == pytest.approx(np.full(along.size, wanted), abs=1e-12)


def test_a_cross_slope_does_not_depend_on_where_chainages_begin():
    along, offset = np.arange(0.0, 60.5, 0.5), np.linspace(-2.0, 2.0, 9)
    ground = 0.2 * np.sin(along / 5.0)[:, None] * offset
    assert cross_slope(along + 500.0, offset, ground) == pytest.approx(cross_slope(along, offset, ground), abs=1e-12)


def test_capped_ground_is_the_lowest_that_is_no_steeper_against_the_line_of_its_ends():
    """By its definition: over every place stands a cone of that steepness, measured from the line of the ends."""
    x = np.arange(0.0, 20.5, 0.5)
    for seed in range(3):
        h = np.cumsum(np.random.default_rng(seed).normal(0.0, 0.8, x.size))
        line = h[0] + (h[-1] - h[0]) * x / x[-1]
        cones = (h - line)[None] - 0.5 * np.abs(x[:, None] - x[None])
        assert capped_ground(x, h, 0.5) == pytest.approx(line + cones.max(axis=1))
        assert capped_ground(x + 7.0, h, 0.5) == pytest.approx(line + cones.max(axis=1))


def test_flat_ground_at_any_level_beside_the_beam_has_no_lower_place_in_its_cells():
    """Trenches on both sides, wider than a cell: only where a cell reaches over their edge is there a lower place."""
    along, across = np.arange(0.0, 20.5, 0.5), np.linspace(-2.0, 2.0, 9)
    fine_along, fine_across = np.arange(0.0, 20.25, 0.25), np.linspace(-2.0, 2.0, 33)
    for level in (-0.3, 0.4):
        ground = np.where(np.abs(fine_across) > 1.1, level, 0.0) * np.ones((fine_along.size, 1))
        strip = strip_on(along, across, FineGround(fine_along, fine_across, ground))
        flat = np.abs(np.abs(across) - 1.1) > 0.25
        assert strip.drop_m[:, flat] == pytest.approx(np.zeros((along.size, int(flat.sum()))), abs=1e-12)
        # a node 0.1 m from the edge stands for the lower of both
        edge = np.abs(np.abs(across) - 1.0) < 1e-9
        assert strip.drop_m[:, edge].max() == pytest.approx(max(-level, 0.0), abs=1e-12)


def test_places_between_the_nodes_of_a_solve_are_linear_between_their_two_neighbours():
    grid = SimpleNamespace(size=10, dx=0.5, ground_m=np.array([0.0, 1.0, 4.0, 9.0, 16.0]))
    product = np.repeat((np.arange(5.0) ** 2 + 0j)[:, None], 10, axis=1)
    x = np.array([0.0, 0.2, 0.75, 1.6, 1.9, 2.0])
    level = np.array([0.0, 0.4, 2.5, 10.4, 14.6, 16.0])
    found, overlap, ground = _at_nodes(x, grid, product, product[:, 0] * 1j)
    assert (
        ground == pytest.approx(level) and found[:, 0] == pytest.approx(level) and overlap == pytest.approx(1j * level)
    )
    # the upper half of the absorbing four tenths is left out
    assert found.shape == (6, 8)


@pytest.mark.parametrize("permittivity", [4.0, 15.0, 30.0 - 6.0j])
def test_the_field_vanishes_as_deep_as_the_mirror_of_the_ground_says(permittivity):
    """R = -exp(-2 a sin(angle)) is a perfect mirror i a / k deep: 2 k sin(angle) times the depth is the phase."""
    root = np.sqrt(complex(permittivity) - 1.0)
    for polarisation, factor in ((None, 0.0), ("horizontal", 1.0 / root), ("vertical", permittivity / root)):
        beam = Beam(HEAD, [0, 9], [0, 0], 0.9, 0.9, polarisation=polarisation, ground_permittivity=permittivity)
        assert _mirror_depth(beam) == pytest.approx(1j * factor / (2 * np.pi / HEAD.wavelength_m))
