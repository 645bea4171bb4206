"""The transform of the marching: against its definition, and against the public one where the compiled is not there."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from scipy.fftpack import dst

from geotools.beam import sine


def by_definition(values: np.ndarray) -> np.ndarray:
    """2 sum over n of x_n sin(pi (k + 1) (n + 1) / (N + 1)), the first kind as handbooks of transforms have it."""
    n = np.arange(1, values.shape[-2] + 1)
    table = 2.0 * np.sin(np.pi * np.outer(n, n) / (n.size + 1))
    return np.einsum("kn,...nc->...kc", table, values)


@pytest.mark.parametrize("way", [sine.sine_transform, sine._public])
def test_it_is_the_sine_transform_of_its_definition(way):
    values = np.random.default_rng(5).normal(size=(2, 3, 31, 2))
    room = np.full((2, 5, 32, 2), 7.0)
    way(values, room[:, 1:4, 1:])
    assert np.abs(room[:, 1:4, 1:] - by_definition(values)).max() < 1e-12
    assert (room[:, [0, 4]] == 7.0).all() and (room[:, :, 0] == 7.0).all()
    twice = values.copy()
    way(twice, twice)
    way(twice, twice)
    assert np.abs(twice / 64.0 - values).max() < 1e-14


def test_the_public_transform_is_taken_where_the_compiled_one_is_not_there(monkeypatch):
    monkeypatch.setitem(sys.modules, "scipy.fft._pocketfft.pypocketfft", None)
    import scipy.fft._pocketfft as package

    monkeypatch.delattr(package, "pypocketfft")
    assert sine._compiled() is sine._public


@pytest.mark.parametrize(
    "fault",
    [
        lambda a, *more: dst(a, type=1, axis=-2),  # answers, and leaves the memory it was given alone
        lambda a, kind, axes, norm, out, threads: out.__setitem__(..., dst(a, type=2, axis=-2)),
        lambda a, kind, axes, norm, out: None,
    ],
)
def test_a_compiled_transform_that_answers_otherwise_is_left_alone(monkeypatch, fault):
    import scipy.fft._pocketfft as package

    class Changed:
        dst = staticmethod(fault)

    monkeypatch.setattr(package, "pypocketfft", Changed)
    monkeypatch.setitem(sys.modules, "scipy.fft._pocketfft.pypocketfft", Changed)
    assert sine._compiled() is sine._public
