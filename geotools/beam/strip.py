"""A zone's strip of ground and all the beams of its stack together: best modulation, detection floor.

Arrays over a strip are (n, k): n chainages from the transmitter post, k offsets, positive to the left, symmetric, the
middle column being the beam line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from geotools.beam.antenna import HeadType
from geotools.beam.cross_section import cross_slope, squared, squared_line
from geotools.beam.field import BeamField
from geotools.beam.profile import Beam
from geotools.beam.targets import Target
from geotools.errors import NumericInputError, place_words

__all__ = [
    "HIGHEST_TOP_M",
    "Strip",
    "detection_floor",
    "in_grass",
    "levels",
    "modulation",
    "modulations",
    "straightness",
]

HIGHEST_TOP_M = 3.0
"""Tops higher than this above the ground are not looked at when a detection floor is sought, metres."""

Floats = NDArray[np.float64]

_LEVEL_ENOUGH = 0.05
"""Cross slope (radians) below which a level offset stands for the distance along the slope: 0.13 % at most."""


@dataclass(frozen=True)
class Strip:
    """Ground of a zone.

    Parameters
    ----------
    chainage_m : (n,) from 0 at the transmitter post to the receiver post.
    offset_m : (k,) level metres from the beam line; k odd, symmetric about 0, increasing.
    ground_m : (n, k) elevations.
    drop_m : (n, k) how far the lowest place of a node's cell lies below the node, square to the ground, 0 or more; a
        body is looked for there. None where the ground is not known between the nodes.
    line_detail_m : chainages (m,) and how far the ground that the field follows lies above the straight lines between
        the nodes of the beam line, (m,); None as before.

    What the beam is given is measured square to the ground (see :mod:`geotools.beam.cross_section`).
    """

    chainage_m: Floats
    offset_m: Floats
    ground_m: Floats
    drop_m: Floats | None = None
    line_detail_m: tuple[Floats, Floats] | None = None

    def __post_init__(self) -> None:
        n, k = self.chainage_m.size, self.offset_m.size
        if self.ground_m.shape != (n, k):
            raise NumericInputError(
                "the strip's ground does not fit its nodes", found=self.ground_m.shape, expected=(n, k)
            )
        if k % 2 != 1 or abs(float(self.offset_m[k // 2])) > 1e-9:
            raise NumericInputError(
                "a strip needs the beam line as its middle column", found=f"{k} offsets", expected="an odd number"
            )
        unknown = ~np.isfinite(self.ground_m)
        if unknown.any():
            row, column = (int(index[0]) for index in np.nonzero(unknown))
            raise NumericInputError(
                "the ground of a strip is not known everywhere",
                where=place_words(self.chainage_m[row], self.offset_m[column]),
                found=f"{int(unknown.sum())} of {unknown.size} nodes without a height",
                mend="fill the hole of the terrain model, or narrow the strip",
            )

    @property
    def line_ground_m(self) -> Floats:
        """(n,) elevation of the ground under the beam line."""
        return np.asarray(self.ground_m[:, self.offset_m.size // 2])

    @cached_property
    def cross_slope_rad(self) -> Floats:
        """(n,) angle of the ground across the beam, radians, positive where it rises to the left."""
        return cross_slope(self.chainage_m, self.offset_m, self.ground_m)

    @cached_property
    def beam_ground_m(self) -> Floats:
        """(n,) ground under the beam line as the beam sees it, its depth below the straight line taken square."""
        return squared_line(self.chainage_m, self.line_ground_m, self.cross_slope_rad)

    @cached_property
    def _square(self) -> tuple[Floats, Floats]:
        """Distance along the slope and square height above the line's ground, (n, k) each."""
        above = self.ground_m - self.line_ground_m[:, None]
        return squared(self.offset_m, above, self.cross_slope_rad)

    @property
    def across_m(self) -> Floats:
        """Distance from the beam line along the slope, (k,) where the ground is level enough across, else (n, k)."""
        level = float(np.abs(self.cross_slope_rad).max()) < _LEVEL_ENOUGH
        return self.offset_m if level else self._square[0]

    @cached_property
    def _level_m(self) -> Floats:
        """(n, k) ground at the nodes as the beam sees it: `beam_ground_m` and the square height above it."""
        return np.asarray(self.beam_ground_m[:, None] + self._square[1])

    @cached_property
    def standing_m(self) -> Floats:
        """(n, k) ground that a body is looked for on, as the beam sees it: the lowest place of the node's cell."""
        return self._level_m if self.drop_m is None else self._level_m - self.drop_m

    def beam(self, head_type: HeadType, tx_height_m: float, rx_height_m: float, *, name: str = "") -> Beam:
        """A beam over this strip's line; heights square to the ground at the foot of each post."""
        return Beam(
            head_type,
            self.chainage_m,
            self.beam_ground_m,
            tx_height_m,
            rx_height_m,
            name=name,
            detail_m=self.line_detail_m,
        )


def in_grass(target: Target, grass_m: float) -> Target | None:
    """The part of a silhouette that grass of this height leaves in sight; None where nothing is left."""
    base = max(target.base_m, grass_m)
    height = target.top_m - base
    return Target(target.name, height, target.width_m, base) if height > 0.011 else None


def modulation(fields: Sequence[BeamField], target: Target, strip: Strip, *, grass_m: float = 0.0) -> Floats:
    """Best modulation over the beams of a stack with the target at every node of the strip, (n, k)."""
    best = np.zeros(strip.ground_m.shape)
    for field in fields:
        np.maximum(best, modulations(field, [(target, grass_m)], strip)[0], out=best)
    return best


def modulations(field: BeamField, silhouettes: Sequence[tuple[Target, float]], strip: Strip) -> Floats:
    """Modulation of one beam with each silhouette at every node of the strip, (silhouettes, n, k).

    silhouettes : targets, each with the height of grass that hides its lower part, metres.
    """
    found = np.zeros((len(silhouettes), *strip.ground_m.shape))
    seen = {number: part for number, one in enumerate(silhouettes) if (part := in_grass(*one)) is not None}
    if not seen:
        return found
    wide = {width: field.lateral(strip.across_m, width) for width in {part.width_m for part in seen.values()}}
    cuts = field.cuts(list(seen.values()), strip.standing_m, strip.ground_m.shape)
    for (number, part), cut in zip(seen.items(), cuts, strict=True):
        found[number] = np.abs(cut) * wide[part.width_m]
    return found


def levels(field: BeamField, target: Target, strip: Strip, *, grass_m: float = 0.0) -> Floats:
    """Level that one beam's receiver sees with the target at every node, against max(|S|, 0.3 |S_free|), (n, k).

    The undisturbed level is the field's ``quiet_level``. It goes up as well as down: a body that takes away a part of
    the signal that stood against the rest raises it.
    """
    seen = in_grass(target, grass_m)
    if seen is None:
        return np.full(strip.ground_m.shape, field.quiet_level)
    cut = field.cut_grid(seen, strip.across_m, strip.standing_m)
    return np.asarray(np.abs(field.quiet_level - cut), dtype=float)


def detection_floor(fields: Sequence[BeamField], width_m: float, threshold: float, strip: Strip) -> Floats:
    """Lowest elevation a top must reach at every node to alarm any beam of the stack, (n, k); inf where none does.

    The crawl gap, square to the ground, is this less the ground. Tops up to 3 m above the ground are looked at.
    """
    gap = np.full(strip.ground_m.shape, np.inf)
    for field in fields:
        lateral = field.lateral(strip.across_m, width_m)
        one = field.floor_grid(lateral, threshold, strip.standing_m, highest_m=HIGHEST_TOP_M)
        np.minimum(gap, one - strip.standing_m, out=gap)
    gap[gap > HIGHEST_TOP_M] = np.inf
    return np.asarray(strip.ground_m + gap)


def straightness(strip: Strip) -> Floats:
    """How far the ground lies below the straight line between the feet of the two posts, (n, k), metres.

    The straight-edge check of the trade (common practice, no source), measured square to the ground's cross slope.
    Positive is a dip, negative a hump.
    """
    ground = strip.line_ground_m
    share = strip.chainage_m / strip.chainage_m[-1]
    line = ground[0] + (ground[-1] - ground[0]) * share
    return np.asarray(line[:, None] - strip.standing_m)
