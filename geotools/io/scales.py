"""Scales of drawings, and round numbers to divide an axis or a bar by."""

from __future__ import annotations

import math

__all__ = ["SCALES", "largest_round", "nice_step", "scale_for", "scale_text"]

#: ISO 5455, 1:10 to 1:10 000, with those of the engineer's scale rule between them (both from memory).
SCALES = tuple(
    sorted(
        {
            *(k * 10**n for n in (1, 2, 3) for k in (1, 2, 5)),
            *(k * 10**n for n in (2, 3) for k in (1.25, 2.5, 3, 4)),
            *(25, 30, 40),
            10_000,
        }
    )
)


def scale_for(length_m: float, room_mm: float) -> float:
    """The largest scale, as the number after ``1:``, at which a length has room.

    Beyond 1:10 000 the scale is a round number.
    """
    least = length_m * 1000.0 / room_mm
    return next((float(s) for s in SCALES if s >= least - 1e-9), nice_step(max(least, 10_000.0), 1))


def scale_text(scale: float) -> str:
    """A scale as it is written: ``1:250``."""
    return f"1:{scale:,.10g}".replace(",", " ")


def nice_step(span: float, most: int) -> float:
    """Smallest of 1, 2, 5 times a power of ten that cuts a span into at most ``most`` parts."""
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * (1 - 1e-12))


def largest_round(length: float) -> float:
    """Largest of 1, 2, 5 times a power of ten that is not above a length."""
    power = 10.0 ** math.floor(math.log10(length) + 1e-9)
    return max(m * power for m in (1.0, 2.0, 5.0) if m * power <= length * (1 + 1e-9))
