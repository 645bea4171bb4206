"""The evidence page's calibration in small: no stated share above the true one, and noise counted twice shows."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.evidence.calibration import AS_MANY, dipped, graded, surveys_of

COUNT = 16


@cache
def honest_surveys(shape, works):
    return surveys_of(shape, COUNT, works=works)


@pytest.mark.parametrize(("shape", "works"), [(dipped, False), (graded, True)], ids=["dipped", "graded"])
def test_called_detected_is_detected_and_noise_counted_twice_is_told(shape, works):
    honest = honest_surveys(shape, works)
    assert honest.called.sum() > 300 and honest.sure >= 0.95
    twice = surveys_of(shape, COUNT, works=works, believed=2.0**0.5)
    # the same truth, stated worse than it is: farther from the diagonal on every measure
    assert np.abs(twice.stated - twice.true).mean() > 1.1 * np.abs(honest.stated - honest.true).mean()
    assert twice.called.sum() < honest.called.sum()


def test_as_many_stations_are_open_as_is_stated():
    """Where the truth lies about the survey, neither too many nor too few: the confidence is true on both sides."""

    assert surveys_of(dipped, 24, about_survey=True).open_as_stated() == pytest.approx(1.0, abs=AS_MANY)
    # an accuracy stated twice as bad as it is shows
    assert surveys_of(dipped, 12, about_survey=True, believed=2.0).open_as_stated() > 1.0 + AS_MANY


def test_noise_that_is_believed_too_small_is_told():
    """A survey three times as bad as it is said to be calls too much detected."""
    rosy = surveys_of(dipped, COUNT, believed=1.0 / 3.0)
    honest = honest_surveys(dipped, False)
    assert rosy.sure < honest.sure and rosy.called.sum() > honest.called.sum()
