"""Puts zones with their heads before the rules: the model says what a stack sees, the checks say what is broken."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geotools.beam import HeadType
from geotools.detection.cases import Rules, length_of
from geotools.detection.height_band import BandGap, HeightBand, height_bands
from geotools.detection.level_ground import (
    LevelZone,
    Stack,
    dead_in_chain,
    dead_spots,
    detected_half_width,
    level_pair,
)
from geotools.detection.spots import runs
from geotools.plan.model import FenceChain, Zone
from geotools.site import Level, Site
from geotools.steps.layout.checks import Conflict, EndDetection, ExaminedStrip, LayoutLimits, check_chain, check_zone

__all__ = ["Judge", "Stack", "named_in_runs"]

_ROUND_M = 10.0
#: Spacing of the lengths at which a threat may be missed, m.
_LENGTHS_M = 5.0
#: Shortest zone that a threat must be detected at to count as answered.
_FROM_M = 30.0
_TRIAL_HEIGHTS_M = np.arange(0.3, 4.01, 0.2)
#: Further heads tried at once.
_TRIALS = 6


def named_in_runs(members: Sequence[Zone], zones: Sequence[Zone]) -> str:
    """Zones by name, those that follow each other among all ``zones`` as the first to the last of them."""
    names = [zone.zone_id for zone in zones]
    spans = runs(np.isin(names, [zone.zone_id for zone in members]))
    return ", ".join(names[a] if a == b else f"{names[a]} to {names[b]}" for a, b in spans)


class Judge:
    """Checks of one site; what detection says of a stack over level ground is computed once."""

    def __init__(self, site: Site, kinds: dict[str, HeadType], rules: Rules) -> None:
        self.site, self.kinds, self.rules = site, kinds, rules
        self._spots: dict[tuple[Stack, float], dict[str, float]] = {}
        self._half: dict[tuple[Stack, float], NDArray[np.float64]] = {}
        self._answers: dict[Stack, tuple[str, ...]] = {}

    def stack_of(self, levels: Iterable[Level]) -> Stack:
        """The heads of a post as the model takes them."""
        return tuple(level_pair(level.level, self.kinds[level.head_type], level.height_m) for level in levels)

    def _lengths(self, longest_m: float) -> list[float]:
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

    def _answered(self, stack: Stack) -> tuple[str, ...]:
        """Threats that the stack detects at mid-span of every length of zone that the site allows.

        One that it detects at some lengths only (a jump through the edge of the beam) is no reason to run beams farther
        past their junctions: it passes elsewhere. It is listed as missed by the stack.
        """
        if stack not in self._answers:
            spots = self._dead_spots(stack, self.site.layout.max_zone_m)
            self._answers[stack] = tuple(t for t in self.rules.targets if all(np.isfinite(spot[t]) for spot in spots))
        return self._answers[stack]

    def run_past_m(self, stack: Stack, longest_m: float) -> float:
        """Farthest from a head to the first place where all threats that the stack answers are detected, m.

        Over all lengths of zone up to the longest. A dead spot ends halfway to the next place examined.
        """
        spots = [spot[threat] for spot in self._dead_spots(stack, longest_m) for threat in self._answered(stack)]
        longest = max((spot for spot in spots if np.isfinite(spot)), default=0.0)
        return longest + self.rules.spacing_m / 2 if longest > 0 else 0.0

    def half_width_m(self, stack: Stack, length_m: float) -> NDArray[np.float64]:
        """Distance from a head and half width in which every threat that the stack answers is detected, (2, n), m."""
        key = stack, length_m
        if key not in self._half:
            self._half[key] = np.vstack(detected_half_width(self.rules, stack, length_m, self._answered(stack)))
        return self._half[key]

    def chain(
        self, zones: Sequence[Zone], ground: BaseGeometry, limits: LayoutLimits, *, closed: bool
    ) -> list[Conflict]:
        """Every rule on the zones of one course."""
        if not zones:
            return []
        answers = dead_in_chain(self.rules, FenceChain(zones[0].fence_id, tuple(zones), closed))
        standing: list[ExaminedStrip] = []
        found: list[Conflict] = []
        for number, zone in enumerate(zones):
            types = sorted({head.head_type.name for head in zone.heads})
            ranges = [
                (t, self.site.all_head_types[t].min_range_m, self.site.all_head_types[t].max_range_m) for t in types
            ]
            ends = [
                self._end(zone, self._beside(zones, number, before, closed), answers[zone.zone_id], before)
                for before in (True, False)
            ]
            one = ExaminedStrip(
                zone.zone_id,
                zone.post(True),
                zone.post(False),
                tuple(head.head_id for head in zone.on_post(True)),
                tuple(head.head_id for head in zone.on_post(False)),
                zone.forward,
                tuple(ranges),
                (ends[0], ends[1]),
            )
            standing.append(one)
            found += check_zone(one, ground, limits)
            found += self._posts(zone)
        return found + check_chain(standing, limits, closed=closed)

    @staticmethod
    def _beside(zones: Sequence[Zone], number: int, before: bool, closed: bool) -> Zone | None:
        """The zone before or after one in its chain."""
        other = number + (-1 if before else 1)
        if closed and len(zones) > 1:
            return zones[other % len(zones)]
        return zones[other] if 0 <= other < len(zones) else None

    def _end(self, zone: Zone, other: Zone | None, answer: LevelZone, at_start: bool) -> EndDetection:
        """What detection says of one end of a zone, of the threats that its stack and the neighbour's answer."""
        threats = [t for t in self._answered(zone.pairs) if other is None or t in self._answered(other.pairs)]
        from_tx = at_start == zone.forward
        open_m = {threat: self._dead_m(answer, threat, from_tx) for threat in threats}
        before = [answer.before_heads[threat][0 if from_tx else 1] for threat in threats]
        return EndDetection({t: m for t, m in open_m.items() if m > 0}, max(before, default=0.0), bool(threats))

    @staticmethod
    def _dead_m(answer: LevelZone, threat: str, from_tx: bool) -> float:
        """Metres that a threat crosses undetected in the dead spots that are nearer to one head than to the other."""
        x, total = answer.chainage_m, 0.0
        for first, last in runs(answer.dead[threat]):
            if (x[first] + x[last] <= x[-1]) == from_tx:
                spot = np.zeros(x.size, dtype=bool)
                spot[first : last + 1] = True
                total += length_of(spot, x)
        return total

    def _posts(self, zone: Zone) -> Iterable[Conflict]:
        """Heads of a post on one spot, of one role, and of one band crossed."""
        for at_start in (True, False):
            heads = zone.on_post(at_start)
            names = tuple(head.head_id for head in heads)
            at = zone.post(at_start)
            place = (float(at[0]), float(at[1]))
            apart = max(float(np.hypot(head.x - at[0], head.y - at[1])) for head in heads)
            if apart > 0.01:
                yield Conflict(
                    "heads of a post apart",
                    zone.zone_id,
                    names,
                    place,
                    f"{2 * apart:.2f} m",
                    "all heads of a stack on one post",
                    "move them together",
                )
            if len({head.transmitter for head in heads}) > 1:
                yield Conflict(
                    "transmitter and receiver in one stack",
                    zone.zone_id,
                    names,
                    place,
                    ", ".join(f"{head.head_id} {'sends' if head.transmitter else 'receives'}" for head in heads),
                    "one role on a post",
                    "swap the roles of one level",
                )
            for k, head in enumerate(heads):
                twins = [h for h in heads[k + 1 :] if abs(h.band_ghz / head.band_ghz - 1) < 0.05]
                if any(h.polarisation == head.polarisation for h in twins[:1]):
                    yield Conflict(
                        "heads of one band not crossed",
                        zone.zone_id,
                        (head.head_id, twins[0].head_id),
                        place,
                        f"both {head.polarisation}",
                        "one of two heads of a band turned by 90 degrees",
                        "turn one head at both ends, fitted as its head type says",
                    )

    def stacks(self, zones: Sequence[Zone]) -> list[Conflict]:
        """Threats that a stack lets pass over level ground, somewhere in their height band; once a kind of stack."""
        groups: dict[Stack, list[Zone]] = {}
        for zone in zones:
            groups.setdefault(zone.pairs, []).append(zone)
        found = []
        for stack, members in groups.items():
            longest = max(members, key=lambda zone: zone.along_fence.length)
            length = longest.along_fence.length
            clear_m = min(self.run_past_m(stack, length) + 1.0, length / 4)
            for band in height_bands(self.rules, stack, length):
                for gap in band.gaps(clear_m):
                    x, y = longest.line.to_map(gap.at_m, 0.0)
                    heights = (
                        f"from {gap.low_m:.1f} to {gap.high_m:.1f} m"
                        if gap.high_m > gap.low_m
                        else f"at {gap.low_m:.1f} m"
                    )
                    found.append(
                        Conflict(
                            f"stack misses {gap.threat}",
                            named_in_runs(members, zones),
                            (),
                            (float(x), float(y)),
                            f"underside {heights} passes with a modulation of {gap.modulation:.2f} over level ground",
                            f"{self.rules.threshold:.2f} over the whole height band",
                            self._another_head(band, gap, clear_m, length),
                        )
                    )
        return found

    def _another_head(self, band: HeightBand, gap: BandGap, clear_m: float, length_m: float) -> str:
        """One further head that closes a gap of the height band, by trial on the model."""
        top_m = gap.high_m + self.rules.targets[gap.threat].height_m
        trials = [
            level_pair("trial", kind, float(height))
            for name, kind in sorted(self.kinds.items())
            if self.site.all_head_types[name].min_range_m <= length_m <= kind.max_range_m
            for height in _TRIAL_HEIGHTS_M
            if gap.low_m - 0.3 <= height <= top_m + 0.3
        ]
        for start in range(0, len(trials), _TRIALS):
            closing = band.closing(gap, clear_m, trials[start : start + _TRIALS])
            if closing is not None:
                kind, height = closing.head_type.name, closing.tx_height_m
                return f"a {kind} head at {height:.1f} m closes this gap (tried on the model)"
        return (
            "no single further head closes this gap: change heights in [[stack]], shorten zones, or add another sensor"
        )
