"""Scales, scale bars and north arrows."""

from __future__ import annotations

import math

import numpy as np

from geotools.io.paper.sheet import Sheet

__all__ = ["SCALES", "largest_round", "nice_step", "north_arrow", "scale_bar", "scale_for", "scale_text"]

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


def scale_bar(sheet: Sheet, at: tuple[float, float], scale: float, most_mm: float = 60.0) -> float:
    """A bar of four parts, true to the scale, its words above it.

    Parameters
    ----------
    sheet : Sheet
        Where it is drawn.
    at : (float, float)
        Its lower left corner, mm.
    scale : float
        The number after ``1:``.
    most_mm : float
        Greatest length of the bar.

    Returns
    -------
    float
        Metres that the bar is long.
    """
    x, y = at
    length = largest_round(most_mm * scale / 1000.0)
    wide, tall = length * 1000.0 / scale, 1.6
    for k in range(4):
        left = x + k * wide / 4
        if k % 2 == 0:
            sheet.area([(left, y - tall), (left + wide / 4, y - tall), (left + wide / 4, y), (left, y)], "#000000")
    sheet.box(x, y - tall, wide, tall, 0.15)
    for share in (0.0, 0.5, 1.0):
        unit = " m" if share == 1.0 else ""
        sheet.words((x + share * wide, y - tall - 1.0), f"{share * length:g}{unit}", 6.5, anchor="middle")
    return length


def north_arrow(sheet: Sheet, at: tuple[float, float], turned: float = 0.0, size: float = 12.0) -> None:
    """An arrow to grid north about a place.

    Parameters
    ----------
    sheet : Sheet
        Where it is drawn.
    at : (float, float)
        Its middle, mm.
    turned : float
        Where north lies on the sheet, degrees clockwise from straight up.
    size : float
        Length of the arrow, mm.
    """
    angle = math.radians(turned)
    up, right = np.array([math.sin(angle), -math.cos(angle)]), np.array([math.cos(angle), math.sin(angle)])
    middle = np.array(at)
    head, foot = middle + up * size / 2, middle - up * size / 2
    sheet.line([tuple(foot), tuple(head)], width=0.3)
    sheet.area([tuple(head), tuple(head - up * size / 3 + right * size / 9), tuple(head - up * size / 3)], "#000000")
    half = [tuple(head), tuple(head - up * size / 3 - right * size / 9), tuple(head - up * size / 3)]
    sheet.line([*half, half[0]], width=0.2)
    letter = head + up * 2.2
    sheet.words((float(letter[0]), float(letter[1]) + 1.0), "N", 8, anchor="middle", bold=True)
