"""Scale bars and north arrows."""

from __future__ import annotations

import math

import numpy as np

from geotools.io.paper.sheet import Sheet
from geotools.io.scales import largest_round

__all__ = ["north_arrow", "scale_bar"]


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
