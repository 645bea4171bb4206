"""How rough ground is at each length, and the depth of dip that such ground could hide between a survey's points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv, ndtri

from geotools.corridor import Array
from geotools.errors import NumericInputError
from geotools.terrain.quality import SurveyQuality, shortest_dip

__all__ = ["Roughness", "could_hide", "roughness_of"]

#: Growth of second differences with length: the power that is carried on to lengths nobody measured lies between these.
#: A lower power leaves more of the relief to short lengths. The upper bound is the careful side of what natural ground
#: shows (0.4 to 0.6 on the floodplain in tests/data; 0.5 to 0.8 elsewhere: common practice, no source).
LOWEST_POWER, HIGHEST_POWER = 0.3, 0.5
#: Straight pieces between nodes take so much off the bends at twice their distance (measured on self-affine ground).
SMOOTHED = 0.85
#: A short strip has few independent bends: their mean square is taken at this much of its own distribution.
DOUBT = 0.05


@dataclass(frozen=True)
class Roughness:
    """Second differences of ground at one length, and how they grow with it.

    Parameters
    ----------
    at_m : float
        Length h that ``bend_m`` holds for, m.
    bend_m : float
        Root mean square of z(x - h) - 2 z(x) + z(x + h), m. Half of it is the depth of a dip 2 h long.
    power : float
        Bends grow with the length to this power.
    length_m : float
        Length of the ground they were taken from, m.
    """

    at_m: float
    bend_m: float
    power: float
    length_m: float

    def bend_at(self, half_length_m: float) -> float:
        """Root mean square second difference at another length, m."""
        return self.bend_m * (half_length_m / self.at_m) ** self.power


def roughness_of(heights_m: Array, spacing_m: float, resolves_m: float) -> Roughness:
    """Roughness of a profile or strip, taken at lengths that the survey resolves.

    Parameters
    ----------
    heights_m : (n,) or (n, m) array
        Heights along the strip, m; NaN where unknown. Across it there may be several profiles.
    spacing_m : float
        Distance of the heights along the strip, m.
    resolves_m : float
        What the survey resolves, m.

    Raises
    ------
    NumericInputError
        The profile is shorter than four heights, or spacing or resolution are not above zero.
    """
    z = np.asarray(heights_m, dtype=float)
    z = z[:, None] if z.ndim == 1 else z
    if z.shape[0] < 4 or not spacing_m > 0.0 or not resolves_m > 0.0:
        raise NumericInputError(
            "a strip is too short for its roughness",
            found=f"{z.shape[0]} heights {spacing_m:g} m apart",
            expected="4 or more, at a spacing and a resolution above zero",
        )
    length = (z.shape[0] - 1) * spacing_m
    # an interpolated model is too smooth up to twice its nodes' distance
    shortest = min(max(int(np.ceil(2.0 * resolves_m / spacing_m - 1e-9)), 1), (z.shape[0] - 1) // 3 or 1)
    ladder = [shortest * factor for factor in (1, 2, 4) if 2 * shortest * factor < z.shape[0]]
    bends = [_bend(z, distance) for distance in ladder]
    known = [(d * spacing_m, b) for d, b in zip(ladder, bends, strict=True) if b is not None]
    if not known or known[0][1] <= 0.0:
        return Roughness(shortest * spacing_m, 0.0, HIGHEST_POWER, length)
    power = HIGHEST_POWER
    if len(known) > 1 and known[-1][1] > 0.0:
        power = float(np.log(known[-1][1] / known[0][1]) / np.log(known[-1][0] / known[0][0]))
    at, bend = known[0]
    independent = max(length / (2.0 * at), 1.0)
    bend *= float(np.sqrt(independent / (2 * gammaincinv(independent / 2, DOUBT)))) / SMOOTHED
    return Roughness(at, bend, float(np.clip(power, LOWEST_POWER, HIGHEST_POWER)), length)


def _bend(z: Array, distance: int) -> float | None:
    bend = z[2 * distance :] - 2.0 * z[distance:-distance] + z[: -2 * distance]
    bend = bend[np.isfinite(bend)]
    return float(np.sqrt(np.mean(bend**2))) if bend.size else None


def could_hide(
    quality: SurveyQuality, roughness: Roughness, body_length_m: float, *, confidence: float = 0.95
) -> float:
    """Depth of a dip as long as a body that ground this rough could hide between a survey's points, m.

    The bends of the ground at lengths that the survey resolves are carried on to the body's length; half a bend is the
    depth of a dip. It is the depth that the deepest such dip of the whole strip stays above with the given confidence,
    for normally distributed bends. From the length at which the survey sees a dip, nothing is hidden; a dip up to half
    as long may lie between two points whole, and in between the share falls in a straight line.

    Parameters
    ----------
    quality : SurveyQuality
        What the survey resolves.
    roughness : Roughness
        Of the strip.
    body_length_m : float
        Length of the body along the beam, m: the shortest dip it fits in.
    confidence : float
        Share of such strips whose deepest hidden dip is no deeper than the answer.

    Returns
    -------
    float
        0 where the survey shows such dips.

    Raises
    ------
    NumericInputError
        The body has no length, or the confidence is not between 0 and 1.
    """
    if not body_length_m > 0.0 or not 0.0 < confidence < 1.0:
        raise NumericInputError(
            "a body hides only with a length, and at a confidence between 0 and 1",
            found=f"{body_length_m:g} m, {confidence:g}",
        )
    seen = shortest_dip(quality.resolves_m)
    hidden = float(np.clip(2.0 * (1.0 - body_length_m / seen), 0.0, 1.0))
    if hidden == 0.0 or roughness.bend_m == 0.0:
        return 0.0
    places = max(roughness.length_m / body_length_m, 1.0)
    deviations = float(ndtri(confidence ** (1.0 / places)))
    return hidden * deviations * roughness.bend_at(body_length_m / 2.0) / 2.0
