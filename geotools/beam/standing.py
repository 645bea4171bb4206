"""Standing level: beams in a two-ray null, the head heights that leave it, and a screen for both without a solve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.beam.antenna import HeadType
from geotools.beam.interference import pattern_db
from geotools.beam.profile import Beam
from geotools.beam.wave import solve_beams

__all__ = ["CLEAR_DB", "NULL_DB", "NullEscape", "TwoRayPath", "leave_null"]

#: Spacing of the settlements that the screen looks at, m: closer than any null of it is wide.
_SETTLED_M = 0.005

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


@dataclass(frozen=True)
class TwoRayPath:
    """Two heads over the straight line that fits the ground between them best.

    Attributes
    ----------
    head_type : HeadType
        Both heads.
    length_m : float or (...) array
        Between the posts, m.
    tx_foot_m, rx_foot_m : float
        How far the ground at the posts lies above that line, m.
    rough_m : float
        How far the ground between them lies off the line, m, rms; what lies near mid-way counts most.

    A screen, not an answer: over level ground within 0.2 dB of the solved level, over ground that is 0.06 m (rms) off
    the line within 4 dB (rms of both, tested). Whatever it finds is for the solver to confirm, and over rough ground
    whatever it does not find as well.
    """

    head_type: HeadType
    length_m: float | NDArray[np.float64]
    tx_foot_m: float = 0.0
    rx_foot_m: float = 0.0
    rough_m: float = 0.0

    @classmethod
    def over(cls, head_type: HeadType, chainage_m: NDArray[np.float64], ground_m: NDArray[np.float64]) -> TwoRayPath:
        """Over a profile, (n,) each, from the transmitter; what lies between the posts counts most."""
        x = chainage_m - chainage_m[0]
        # polyfit squares its weights: the share of the way from the nearer post
        weight = x * (x[-1] - x) + 1e-18
        rise, level = np.polyfit(x, ground_m, 1, w=np.sqrt(weight))
        off = ground_m - level - rise * x
        rough = float(np.sqrt(np.average(off**2, weights=weight)))
        return cls(head_type, float(x[-1]), float(off[0]), float(off[-1]), rough)

    def interferes(self, tx_height_m: ArrayLike, rx_height_m: ArrayLike) -> NDArray[np.bool_]:
        """Whether the mirrored way is longer by half a wavelength or more: only from there on is there a null between
        two heights that are clear. A beam below that is weak because it grazes the ground.
        """
        tx, rx = np.asarray(tx_height_m) + self.tx_foot_m, np.asarray(rx_height_m) + self.rx_foot_m
        far = np.asarray(self.length_m, dtype=float)
        return np.asarray(np.hypot(far, tx + rx) - np.hypot(far, tx - rx) >= self.head_type.wavelength_m / 2)

    def level_db(self, tx_height_m: ArrayLike, rx_height_m: ArrayLike) -> NDArray[np.float64]:
        """Standing level against free space, dB: the ray and its mirror image, weaker by both heads' patterns."""
        tx = np.maximum(np.asarray(tx_height_m, dtype=float) + self.tx_foot_m, 0.0)
        rx = np.maximum(np.asarray(rx_height_m, dtype=float) + self.rx_foot_m, 0.0)
        far = np.asarray(self.length_m, dtype=float)
        down, aim = np.arctan((tx + rx) / far), np.arctan((rx - tx) / far)
        width = self.head_type.beamwidth_el_deg
        lost = sum(pattern_db(0.0, np.degrees(down + way), width, width, floor_db=60.0) for way in (aim, -aim))
        further = np.hypot(far, tx + rx) - np.hypot(far, tx - rx)
        both = 1.0 - 10.0 ** (-lost / 20.0) * np.exp(2j * np.pi / self.head_type.wavelength_m * further)
        return np.asarray(20.0 * np.log10(np.maximum(np.abs(both), 1e-6)))

    def settled(
        self, tx_height_m: ArrayLike, rx_height_m: ArrayLike, settle_m: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Least standing level where either head may come to stand up to ``settle_m`` higher or lower, dB, and the move
        of both at which it is, m. A move of one head alone comes to less than the same move of both.
        """
        moves = np.linspace(-settle_m, settle_m, 2 * int(np.ceil(settle_m / _SETTLED_M)) + 1)
        tx, rx = (np.asarray(h, dtype=float)[..., None] + moves for h in (tx_height_m, rx_height_m))
        far = np.asarray(self.length_m, dtype=float)
        level = replace(self, length_m=far[..., None]).level_db(tx, rx)
        return level.min(axis=-1), moves[level.argmin(axis=-1)]

    def moves_m(self, tx_height_m: float, rx_height_m: float, settle_m: float) -> list[float]:
        """Moves of both heads up to ``settle_m`` up or down, m, so close together that no null lies between two.

        A beam and an image as strong stay below -10 dB over a tenth of a wavelength of path difference; where rough
        ground leaves the image weaker, over less: half of it is taken.
        """
        lasts = 0.05 * self.head_type.wavelength_m * float(self.length_m) / (2 * max(tx_height_m + rx_height_m, 0.1))
        moves = np.linspace(-settle_m, settle_m, 2 * max(int(np.ceil(settle_m / lasts)), 1) + 1)
        return [float(move) for move in moves]
