"""Volumes against a handbook example and solids of known volume."""

import tomllib
from pathlib import Path

import numpy as np
import pytest

from geotools.earthwork.volumes import (
    average_end_area,
    grid_volumes,
    prismoidal,
    prismoidal_correction,
    section_areas,
)
from geotools.errors import NumericInputError

REFERENCE = tomllib.loads((Path(__file__).parents[1] / "reference" / "volumes.toml").read_text())


def test_average_end_area_handbook_example():
    ref = REFERENCE["average_end_area"]
    cubic_feet = average_end_area(np.array([0, ref["length_ft"]]), np.array(ref["area_ft2"]))
    assert cubic_feet / 27 == pytest.approx(ref["volume_yd3"], abs=ref["tolerance"])


def test_prismoidal_is_exact_for_a_frustum():
    ref = REFERENCE["prismoidal_frustum"]
    a, b = ref["sides"]
    got = prismoidal(np.array([0, ref["height"]]), np.array([a * a, b * b]), np.array([((a + b) / 2) ** 2]))
    assert got == pytest.approx(ref["volume"], abs=ref["tolerance"])


def test_prismoidal_is_exact_for_a_sphere():
    ref = REFERENCE["prismoidal_sphere"]
    r = ref["radius"]
    got = prismoidal(np.array([0, 2 * r]), np.zeros(2), np.array([np.pi * r * r]))
    assert got == pytest.approx(ref["volume"], abs=ref["tolerance"])


def test_average_end_area_overstates_a_pyramid_by_half_and_the_correction_takes_it_back():
    ref = REFERENCE["average_end_area_pyramid"]
    got = average_end_area(np.array([0, ref["height"]]), np.array([ref["base"], 0.0]))
    assert got == pytest.approx(ref["average_end_area"], abs=ref["tolerance"])
    # as a triangular section of height 3 and width 6, tapering to nothing
    assert got - prismoidal_correction(ref["height"], 3.0, 6.0, 0.0, 0.0) == pytest.approx(ref["volume"], abs=1e-9)


def test_sections_split_cut_and_fill_where_the_surfaces_cross():
    cut, fill = section_areas(np.array([0.0, 2.0]), np.zeros((1, 2)), np.array([[-1.0, 1.0]]))
    assert cut[0] == pytest.approx(0.5) and fill[0] == pytest.approx(0.5)
    cut, fill = section_areas(np.array([0.0, 3.0]), np.zeros((1, 2)), np.array([[-1.0, 2.0]]))
    assert cut[0] == pytest.approx(0.5) and fill[0] == pytest.approx(2.0)


def test_grid_end_area_and_prismoid_agree_on_a_smooth_dip():
    # a parabolic trough 10 m long, 2 m wide, 0.3 m deep: volume 2/3 * 10 * 0.3 * 2 = 4 m3 of fill
    x, y = np.linspace(0, 10, 1001), np.linspace(-1, 1, 5)
    trough = -0.3 * (1 - ((x - 5) / 5) ** 2)[:, None] + np.zeros((1, 5))
    cell = trough[:-1, :-1] / 2 + trough[1:, 1:] / 2
    assert grid_volumes(cell, np.zeros_like(cell), 0.01 * 0.5)[1] == pytest.approx(4.0, abs=1e-4)
    area = section_areas(y, trough, np.zeros_like(trough))[1]
    every = slice(0, None, 100)
    assert prismoidal(x[every], area[every], area[50::100]) == pytest.approx(4.0, abs=1e-9)
    assert average_end_area(x[every], area[every]) == pytest.approx(4.0 * (1 - 1 / 100), abs=1e-9)


def test_bad_sections_are_refused():
    with pytest.raises(NumericInputError):
        average_end_area(np.array([0.0, 0.0]), np.array([1.0, 1.0]))
    for one, other in ((3, 2), (2, 3), (1, 1)):
        with pytest.raises(NumericInputError, match="do not bound a volume"):
            average_end_area(np.arange(float(one)), np.ones(other))
    for below in (-0.5, -2.0):
        with pytest.raises(NumericInputError, match="areas not negative"):
            average_end_area(np.array([0.0, 1.0]), np.array([1.0, below]))
    with pytest.raises(NumericInputError):
        prismoidal(np.array([0.0, 1.0]), np.array([1.0, 1.0]), np.array([1.0, 2.0]))
    with pytest.raises(NumericInputError):
        grid_volumes(np.zeros((2, 2)), np.zeros((2, 3)), 1.0)
