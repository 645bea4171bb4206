"""What stacks of heads detect over level ground at every length of zone, and what passes between their levels."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geotools.detection.cases import Rules
from geotools.detection.height_band import BandGap, HeightBand, height_bands
from geotools.detection.level_ground import Stack, dead_spots, detected_half_width
from geotools.detection.spots import runs
from geotools.plan.model import Zone

__all__ = ["LevelAnswers", "PassingBand", "named_in_runs"]

_ROUND_M = 10.0
#: Spacing of the lengths at which a threat may be missed, m.
_LENGTHS_M = 5.0
#: Shortest zone that a threat must be detected at to count as answered.
_FROM_M = 30.0


def named_in_runs(members: Sequence[Zone], zones: Sequence[Zone]) -> str:
    """Zones by name, those that follow each other among all ``zones`` as the first to the last of them."""
    names = [zone.zone_id for zone in zones]
    spans = runs(np.isin(names, [zone.zone_id for zone in members]))
    return ", ".join(names[a] if a == b else f"{names[a]} to {names[b]}" for a, b in spans)


@dataclass(frozen=True)
class PassingBand:
    """Heights at which a threat passes a stack over level ground.

    Attributes
    ----------
    zones : tuple of Zone
        Those with the stack.
    longest : Zone
        The longest of them, which was examined.
    clear_m : float
        Length of either end of it that was not looked at, for the neighbours cover it, m.
    band : HeightBand
        What was examined, to try further heads on.
    gap : BandGap
        The heights, and where.
    """

    zones: tuple[Zone, ...]
    longest: Zone
    clear_m: float
    band: HeightBand
    gap: BandGap


class LevelAnswers:
    """What stacks detect over level ground, each solved once.

    Parameters
    ----------
    rules : Rules
        Who is looked for, and when somebody is detected.
    longest_m : float
        Longest zone that the site allows, m.
    """

    def __init__(self, rules: Rules, longest_m: float) -> None:
        self.rules, self.longest_m = rules, longest_m
        self._spots: dict[tuple[Stack, float], dict[str, float]] = {}
        self._half: dict[tuple[Stack, float], NDArray[np.float64]] = {}
        self._answers: dict[Stack, tuple[str, ...]] = {}

    @staticmethod
    def _lengths(longest_m: float) -> list[float]:
        """Lengths of zone that stand for all up to the longest, m: whole tens, the last rounded up."""
        lengths = [*np.arange(min(_FROM_M, longest_m), longest_m, _ROUND_M), longest_m]
        return list(dict.fromkeys(max(_ROUND_M, float(np.ceil(m / _ROUND_M)) * _ROUND_M) for m in lengths))

    def _dead_spots(self, stack: Stack, longest_m: float) -> list[dict[str, float]]:
        """By threat, the dead spot before a head at each of the lengths up to the longest, m."""
        return self._spots_of([(stack, length) for length in self._lengths(longest_m)])

    def _spots_of(self, wanted: Sequence[tuple[Stack, float]]) -> list[dict[str, float]]:
        """Dead spots of stacks at lengths of zone, each solved once, m."""
        missing = [one for one in wanted if one not in self._spots]
        if missing:
            self._spots.update(zip(missing, dead_spots(self.rules, missing), strict=True))
        return [self._spots[one] for one in wanted]

    def missed_lengths(self, stack: Stack, longest_m: float, past_m: float) -> NDArray[np.bool_]:
        """Lengths of zone that leave a longer dead spot before a head than others do; every 0.5 m from 0, (n,).

        past_m : how far beams run past their junctions; a threat whose dead spot is longer at every length counts not.
        """
        lengths = np.arange(_ROUND_M, longest_m + _LENGTHS_M, _LENGTHS_M)
        spots = self._spots_of([(stack, float(length)) for length in lengths])
        covered = np.array([[spot[threat] <= past_m for threat in self.rules.targets] for spot in spots])
        missed: NDArray[np.bool_] = np.any(~covered[:, covered.any(axis=0)], axis=1)
        asked = np.arange(0.0, longest_m + 0.5, 0.5)
        return np.asarray(missed[np.abs(asked[:, None] - lengths).argmin(axis=1)])

    def answered(self, stack: Stack) -> tuple[str, ...]:
        """Threats that the stack detects at mid-span of every length of zone that the site allows.

        One that it detects at some lengths only (a jump through the edge of the beam) is no reason to run beams farther
        past their junctions: it passes elsewhere. It is listed as missed by the stack.
        """
        if stack not in self._answers:
            spots = self._dead_spots(stack, self.longest_m)
            self._answers[stack] = tuple(t for t in self.rules.targets if all(np.isfinite(spot[t]) for spot in spots))
        return self._answers[stack]

    def run_past_m(self, stack: Stack, longest_m: float) -> float:
        """Farthest from a head to the first place where all threats that the stack answers are detected, m.

        Over all lengths of zone up to the longest. A dead spot ends halfway to the next place examined.
        """
        spots = [spot[threat] for spot in self._dead_spots(stack, longest_m) for threat in self.answered(stack)]
        longest = max((spot for spot in spots if np.isfinite(spot)), default=0.0)
        return longest + self.rules.spacing_m / 2 if longest > 0 else 0.0

    def half_width_m(self, stack: Stack, length_m: float) -> NDArray[np.float64]:
        """Distance from a head and half width in which every threat that the stack answers is detected, (2, n), m."""
        key = stack, length_m
        if key not in self._half:
            self._half[key] = np.vstack(detected_half_width(self.rules, stack, length_m, self.answered(stack)))
        return self._half[key]

    def passing(
        self,
        zones: Sequence[Zone],
        threats: Sequence[str] | None = None,
        alike: Callable[[Stack], object] | None = None,
    ) -> Iterator[PassingBand]:
        """Heights, from the ground up to a threat's own, at which it crosses undetected; once a kind of stack.

        Parameters
        ----------
        zones : sequence of Zone
            Those to look at.
        threats : sequence of str, optional
            Which of the rules' threats to look at; all of them by default.
        alike : callable, optional
            What two stacks must have in common to count as one kind; everything by default.
        """
        targets = self.rules.targets
        rules = replace(self.rules, targets={name: targets[name] for name in (targets if threats is None else threats)})
        groups: dict[object, list[Zone]] = {}
        for zone in zones:
            groups.setdefault(zone.pairs if alike is None else alike(zone.pairs), []).append(zone)
        for members in groups.values():
            longest = max(members, key=lambda zone: zone.along_fence.length)
            length = longest.along_fence.length
            clear_m = min(self.run_past_m(longest.pairs, length) + 1.0, length / 4)
            for band in height_bands(rules, longest.pairs, length):
                for gap in band.gaps(clear_m):
                    yield PassingBand(tuple(members), longest, clear_m, band, gap)
