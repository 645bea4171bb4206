"""What a stack sees of each threat over level ground: its dead spot before a head, and gaps in the height band.

All from the beam model. Level ground is what a layout can promise; the real ground is for the detection step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.beam import HeadType, Target, solve_beam
from geotools.beam.field import BeamField
from geotools.plan.model import BeamPair

__all__ = ["BandGap", "band_gaps", "dead_spot", "level_pair", "seen_half_width", "solve_stack", "stack_modulation"]


def level_pair(level: str, head_type: HeadType, height_m: float) -> BeamPair:
    """One level of a stack with both heads at one height, m."""
    return BeamPair(level, head_type, height_m, height_m)


@dataclass(frozen=True)
class BandGap:
    """Heights at which a body passes a zone unseen between the heads' dead spots.

    threat : name. low_m, high_m : underside of the body, from and to. modulation : least there. at_m : chainage of it.
    """

    threat: str
    low_m: float
    high_m: float
    modulation: float
    at_m: float


def solve_stack(stack: Sequence[BeamPair], length_m: float, *, spacing_m: float = 0.5) -> list[BeamField]:
    """The beams of a stack over level ground.

    Parameters
    ----------
    stack : pairs of heads. length_m : between the posts. spacing_m : of the places looked at.
    """
    x = np.linspace(0.0, length_m, max(int(np.ceil(length_m / spacing_m)), 2) + 1)
    return [solve_beam(pair.head_type, x, np.zeros_like(x), pair.tx_height_m, pair.rx_height_m) for pair in stack]


def stack_modulation(beams: Sequence[BeamField], target: Target, half_width_m: float) -> NDArray[np.float64]:
    """Best modulation of any head of the stack along the zone, (n,)."""
    return np.max([beam.peak_modulation(target, half_width_m) for beam in beams], axis=0)


def seen_half_width(
    beams: Sequence[BeamField],
    targets: Sequence[Target],
    *,
    threshold: float,
    reach_m: float = 3.0,
    step_m: float = 0.02,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far to the side of the beam every threat is still seen, from a head to the middle of the zone.

    Parameters
    ----------
    beams : of one stack, from `solve_stack`. targets : threats, as bodies at their own height.
    threshold : modulation at which the receiver alarms. reach_m, step_m : of the offsets tried.

    Returns
    -------
    Distance from the head and half width, both (n,), m. The half width is that of the threat seen least, 0 where it is
    not seen even in the middle of the beam. Threats that the stack does not see at mid-span are left out: no placing
    of posts helps against them.
    """
    x = beams[0].chainage_m
    half = x <= x[-1] / 2 + 1e-9
    offsets = np.arange(0.0, reach_m + step_m / 2, step_m)
    least = np.full(int(half.sum()), np.inf)
    for target in targets:
        m = np.max([beam.modulation_grid(target, offsets, beam.ground_m[:, None])[half] for beam in beams], axis=0)
        seen = np.logical_and.accumulate(m >= threshold, axis=1)
        if seen[-1, 0]:
            least = np.minimum(least, np.where(seen[:, 0], (seen.sum(axis=1) - 1) * step_m, -1.0))
    return x[half], np.maximum(np.where(np.isfinite(least), least, 0.0), 0.0)


def dead_spot(
    beams: Sequence[BeamField], targets: Sequence[Target], *, threshold: float, half_width_m: float
) -> dict[str, float]:
    """How far from a head each threat first is seen and stays seen up to the middle, m; inf where it is not.

    Parameters
    ----------
    beams : of one stack, from `solve_stack`. targets : threats, as bodies at their own height.
    threshold : modulation at which the receiver alarms. half_width_m : of the crossing.
    """
    x = beams[0].chainage_m
    half = x <= x[-1] / 2
    found = {}
    for target in targets:
        seen = stack_modulation(beams, target, half_width_m)[half] >= threshold
        blind = np.flatnonzero(~seen)
        if not blind.size:
            found[target.name] = 0.0
        elif blind[-1] == seen.size - 1:
            found[target.name] = float("inf")
        else:
            found[target.name] = float(x[blind[-1] + 1])
    return found


def band_gaps(
    beams: Sequence[BeamField],
    target: Target,
    *,
    threshold: float,
    half_width_m: float,
    clear_m: float,
    step_m: float = 0.1,
) -> list[BandGap]:
    """Underside heights, from the ground up to the threat's own, at which it passes unseen somewhere along the zone.

    Parameters
    ----------
    target : the threat; its ``base_m`` is the top of the band its underside may pass at.
    clear_m : ends of the zone that the neighbours cover and that are not looked at.
    step_m : of the underside heights.
    """
    x = beams[0].chainage_m
    middle = (x >= clear_m) & (x <= x[-1] - clear_m)
    if not middle.any():
        return []
    bases = np.linspace(0.0, target.base_m, int(np.ceil(target.base_m / step_m - 1e-9)) + 1)
    least, place = np.empty(bases.size), np.empty(bases.size)
    for k, base in enumerate(bases):
        body = Target(target.name, target.height_m, target.width_m, float(base))
        m = stack_modulation(beams, body, half_width_m)[middle]
        least[k], place[k] = m.min(), x[middle][np.argmin(m)]
    blind = least < threshold
    edges = np.flatnonzero(np.diff(np.concatenate([[False], blind, [False]]).astype(int)))
    gaps = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        worst = first + int(np.argmin(least[first:after]))
        gaps.append(
            BandGap(target.name, float(bases[first]), float(bases[after - 1]), float(least[worst]), float(place[worst]))
        )
    return gaps
