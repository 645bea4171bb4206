"""One beam as a caller states it, its checks, and the ground that its field is solved over."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.beam.antenna import HeadType
from geotools.errors import NumericInputError

__all__ = ["SHORTEST_BEAM_M", "STEEPEST_GROUND", "Beam", "capped_ground", "checked_profile"]

SHORTEST_BEAM_M = 3.0
"""Below this length (metres) the paraxial model says nothing about a pair of heads."""

STEEPEST_GROUND = 0.35
"""Steepest slope, against the line between the heads, that the field follows (about 19 degrees, well outside any beam).
A ditch with steeper sides is closed at this slope for the field alone: what lies lower is taken as dark."""

Profile = NDArray[np.float64]


@dataclass(frozen=True)
class Beam:
    """One transmitter and receiver over a ground profile.

    Parameters
    ----------
    head_type : both heads are of this kind.
    chainage_m : (n,) increasing, metres from the transmitter (first node) to the receiver (last node).
    ground_m : (n,) elevation of the ground under the beam line, metres.
    tx_height_m, rx_height_m : heights of the aperture centres above the ground at their own node, metres.
    tx_tilt_deg, rx_tilt_deg : elevation pointing error, degrees, up positive; 0 points at the other head.
    tx_pan_deg, rx_pan_deg : azimuth pointing error, degrees, positive to the left of the direction of chainage.
    polarisation : None (perfect mirror, the limit of both at grazing incidence), ``horizontal`` or ``vertical``.
    ground_permittivity : relative permittivity, used when a polarisation is given (15: damp soil, common practice).
    name : what errors call the beam.
    detail_m : chainages (m,) from the transmitter and height (m,) of the ground above the straight lines between the
        nodes, metres, where it is known between them; None where it is not.
    coarse : solve on the nodes as they are and on wider heights: for changes only (:mod:`geotools.beam.draws`).
    """

    head_type: HeadType
    chainage_m: ArrayLike
    ground_m: ArrayLike
    tx_height_m: float
    rx_height_m: float
    tx_tilt_deg: float = 0.0
    rx_tilt_deg: float = 0.0
    tx_pan_deg: float = 0.0
    rx_pan_deg: float = 0.0
    polarisation: str | None = None
    ground_permittivity: complex = 15.0
    name: str = ""
    detail_m: tuple[Profile, Profile] | None = None
    coarse: bool = False


def checked_profile(beam: Beam) -> tuple[Profile, Profile]:
    """Chainage from 0 and ground of a beam, (n,) each, or a NumericInputError that says what is wrong with them."""
    where = f"beam {beam.name}" if beam.name else f"beam of {beam.head_type.name!r} heads"
    try:
        x = np.asarray(beam.chainage_m, dtype=float)
        h = np.asarray(beam.ground_m, dtype=float)
        tx, rx = float(beam.tx_height_m), float(beam.rx_height_m)
    except (TypeError, ValueError) as error:
        raise NumericInputError(
            "a profile or a head height is not made of numbers",
            where=where,
            found=error,
            expected="chainage and ground as 1-D numbers, one height for each head, metres",
        ) from error
    if x.ndim != 1 or x.shape != h.shape:
        raise NumericInputError(
            "chainage and ground must be 1-D and of the same length", where=where, found=f"{x.shape} and {h.shape}"
        )
    if x.size < 2:
        raise NumericInputError("a ground profile needs two points at least", where=where, found=x.size)
    bad = ~(np.isfinite(x) & np.isfinite(h))
    if bad.any():
        raise NumericInputError(
            "the ground profile has values that are not numbers",
            where=f"{where}, node {int(np.argmax(bad))}",
            found=f"{int(bad.sum())} of {x.size} nodes",
            expected="an elevation at every node",
            mend="fill the holes of the terrain model under the beam line",
        )
    steps = np.diff(x)
    if (steps <= 0).any():
        at = int(np.argmax(steps <= 0))
        raise NumericInputError(
            "chainage does not increase",
            where=f"{where}, between nodes {at} and {at + 1}",
            found=f"{x[at]:g} then {x[at + 1]:g} m",
            expected="each node farther from the transmitter than the one before",
        )
    if x[-1] - x[0] < SHORTEST_BEAM_M:
        raise NumericInputError(
            "the beam is too short for the model",
            where=where,
            found=f"{x[-1] - x[0]:.3g} m",
            expected=f"{SHORTEST_BEAM_M:g} m or more",
            mend="join the zone to its neighbour",
        )
    for name, height in (("transmitter", tx), ("receiver", rx)):
        if not (math.isfinite(height) and 0.05 <= height <= 20.0):
            raise NumericInputError(
                f"the {name} is not above the ground" if height <= 0.05 else f"the {name} height is out of range",
                where=where,
                found=f"{height:g} m",
                expected="0.05 to 20 m above the ground at its own node",
            )
    for name in ("tx_tilt_deg", "rx_tilt_deg", "tx_pan_deg", "rx_pan_deg"):
        if not abs(getattr(beam, name)) <= 15.0:
            raise NumericInputError(
                f"{name} is out of range", where=where, found=getattr(beam, name), expected="-15 to 15"
            )
    if beam.polarisation not in (None, "horizontal", "vertical"):
        raise NumericInputError(
            "unknown polarisation", where=where, found=beam.polarisation, expected="horizontal or vertical"
        )
    if not complex(beam.ground_permittivity).real > 1.5:
        raise NumericInputError(
            "ground permittivity out of range", where=where, found=beam.ground_permittivity, expected="above 1.5"
        )
    return x - x[0], h


def capped_ground(x: Profile, h: Profile, steepest: float = STEEPEST_GROUND) -> Profile:
    """Lowest surface on or above the ground that is nowhere steeper than ``steepest`` against the line of the ends."""
    line = h[0] + (h[-1] - h[0]) * (x - x[0]) / (x[-1] - x[0])
    deviation = h - line
    forward = np.maximum.accumulate(deviation + steepest * x) - steepest * x
    backward = np.maximum.accumulate((deviation - steepest * x)[::-1])[::-1] + steepest * x
    return np.asarray(line + np.maximum(forward, backward))
