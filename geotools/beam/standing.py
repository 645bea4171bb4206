"""Standing level: beams in a two-ray null, and the head heights that leave it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.beam.profile import Beam
from geotools.beam.wave import solve_beams

__all__ = ["CLEAR_DB", "NULL_DB", "NullEscape", "leave_null"]

NULL_DB = -10.0
"""A beam below this level against free space stands in a two-ray null, decibels (common practice, no source)."""

CLEAR_DB = -7.0
"""A beam has left its null when it stands at this level or above: 3 dB clear of the limit."""


@dataclass(frozen=True)
class NullEscape:
    """Nearest heights of both heads, moved together, that leave the null, and the level there; None where none does."""

    tx_height_m: float
    rx_height_m: float
    standing_level_db: float


def leave_null(
    beams: Sequence[Beam], *, reach_m: float = 0.40, step_m: float = 0.02, lowest_m: float = 0.15
) -> list[NullEscape | None]:
    """For each beam the nearest shift of both heads, up or down, that brings its standing level to -7 dB or more.

    Parameters
    ----------
    beams : beams in a null. reach_m : largest shift looked at. step_m : of the search. lowest_m : lowest head height.

    The shift is found by solving the beam at every step: ground that is not flat leaves no closed form.
    """
    shifts = np.arange(1, round(reach_m / step_m) + 1) * step_m
    # nearest first, and of two equally near the lower: a lower beam leaves the smaller gap
    ordered = [sign * float(shift) for shift in shifts for sign in (-1, 1)]
    found: list[NullEscape | None] = []
    for beam in beams:
        tried = [
            replace(beam, tx_height_m=beam.tx_height_m + shift, rx_height_m=beam.rx_height_m + shift)
            for shift in ordered
            if min(beam.tx_height_m, beam.rx_height_m) + shift >= lowest_m
        ]
        fields = solve_beams(tried)
        clear = next(((b, f) for b, f in zip(tried, fields, strict=True) if f.standing_level_db >= CLEAR_DB), None)
        found.append(
            None
            if clear is None
            else NullEscape(clear[0].tx_height_m, clear[0].rx_height_m, clear[1].standing_level_db)
        )
    return found
