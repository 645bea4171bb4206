"""The sine transform that the marching spends its time in, straight from scipy's compiled part where that is at hand.

A march is thousands of short transforms: scipy's public function takes 5 to 10 us to look its arguments over, as long
as the transform of a few beams takes. The compiled function behind it is no part of scipy's interface, so it is tried
once, against the public one, and left alone where it is not there or answers otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.fftpack import dst

__all__ = ["sine_transform"]

Reals = NDArray[np.floating]
Transform = Callable[[Reals, Reals], None]


def _public(values: Reals, out: Reals) -> None:
    out[...] = dst(values, type=1, axis=-2)


def _compiled() -> Transform:
    """The compiled transform, or the public one where that cannot be had."""
    try:
        from scipy.fft._pocketfft import pypocketfft
    except ImportError:
        return _public
    made: Any = pypocketfft

    def transform(values: Reals, out: Reals) -> None:
        made.dst(values, 1, (values.ndim - 2,), 0, out, 1)

    return transform if _agrees(transform) else _public


def _agrees(transform: Transform) -> bool:
    """Whether a transform answers as the public one does, into memory with gaps and in place."""
    for kind in (np.float32, np.float64):
        values = np.sin(np.arange(2 * 3 * 16 * 2, dtype=kind) ** 2).reshape(2, 3, 16, 2)
        wanted = dst(values, type=1, axis=-2)
        room = np.zeros((2, 4, 17, 2), kind)
        try:
            transform(values, room[:, :3, 1:])
            transform(values, values)
        except Exception:  # whatever a later version makes of the call: the public function is there
            return False
        if not (np.array_equal(room[:, :3, 1:], wanted) and np.array_equal(values, wanted)):
            return False
        if room[:, 3].any() or room[:, :, 0].any():
            return False
    return True


#: Sine transform of the first kind along the last axis but one, of real and imaginary parts together, written to `out`,
#: which may be `values` itself; twice over it gives 2 (n + 1) times the values.
sine_transform: Transform = _compiled()
