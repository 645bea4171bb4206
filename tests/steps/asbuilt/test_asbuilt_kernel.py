"""Survey against design: figures that can be counted by hand."""

import numpy as np
import pytest

from geotools.steps.asbuilt.kernel import compare


def test_figures_and_areas_out_of_tolerance():
    design = np.zeros((10, 10))
    survey = np.zeros((10, 10))
    survey[2:4, 2:5] = 0.10  # six cells too high
    survey[7, 7] = -0.20  # one cell too low
    survey[0, 0] = np.nan
    found = compare(design, survey, 0.25, tolerance=0.03, least_area=1.0)
    assert (found.cells, found.cells_out) == (99, 7)
    assert found.worst == pytest.approx(-0.20) and found.mean == pytest.approx((0.6 - 0.2) / 99)
    assert found.rms == pytest.approx(np.sqrt((6 * 0.01 + 0.04) / 99))
    (area,) = found.areas  # the single cell is smaller than what is shown
    assert area.worst == pytest.approx(0.10) and area.area == 1.5 and area.volume == pytest.approx(0.15)


def test_high_and_low_areas_stay_apart_and_the_largest_comes_first():
    survey = np.zeros((6, 12))
    survey[:, :3], survey[:, 3:8] = 0.05, -0.05
    found = compare(np.zeros((6, 12)), survey, 1.0, tolerance=0.03, least_area=0.0)
    assert [round(a.worst, 2) for a in found.areas] == [-0.05, 0.05] and [a.area for a in found.areas] == [30, 18]


def test_nothing_surveyed_is_nothing_compared():
    found = compare(np.zeros((2, 2)), np.full((2, 2), np.nan), 1.0, tolerance=0.03, least_area=0.0)
    assert found.cells == 0 and np.isnan(found.mean)
