"""Puts zones with their heads before the rules: the model says what a stack sees, the checks say what is broken."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geotools.beam import HeadType, Target
from geotools.beam.field import BeamField
from geotools.plan.model import BeamPair, Zone
from geotools.site import Level, Site
from geotools.steps.layout.checks import Conflict, ExaminedStrip, LayoutLimits, check_chain, check_zone
from geotools.steps.layout.coverage import band_gaps, dead_spot, level_pair, seen_half_width, solve_stack

__all__ = ["Judge", "Stack"]

Stack = tuple[BeamPair, ...]
_ROUND_M = 10.0
#: Shortest zone that a threat must be seen at to count as answered.
_FROM_M = 30.0
_TRIAL_HEIGHTS_M = np.arange(0.3, 4.01, 0.2)


class Judge:
    """Checks of one site; what the model says of a stack is worked out once."""

    def __init__(self, site: Site, kinds: dict[str, HeadType]) -> None:
        self.site, self.kinds = site, kinds
        self._beams: dict[tuple[Stack, float], list[BeamField]] = {}
        self._dead: dict[tuple[Stack, float], float] = {}
        self._seen: dict[tuple[Stack, float], NDArray[np.float64]] = {}
        self._answers: dict[Stack, list[Target]] = {}
        self._targets = []
        for threat in site.threats:
            t = site.all_targets[threat]
            self._targets.append(Target(threat, t.height_m, t.width_m, t.base_m))

    def stack_of(self, levels: Iterable[Level]) -> Stack:
        """The heads of a post as the model takes them."""
        return tuple(level_pair(level.level, self.kinds[level.head_type], level.height_m) for level in levels)

    def _stack_in(self, zone: Zone) -> Stack:
        """A zone's stack; heads of unlike height at both ends count with their mean."""
        return tuple(
            level_pair(pair.level, pair.head_type, round((pair.tx_height_m + pair.rx_height_m) / 2, 2))
            for pair in zone.pairs
        )

    @staticmethod
    def _key(stack: Stack, length_m: float) -> tuple[Stack, float]:
        return stack, max(_ROUND_M, float(np.ceil(length_m / _ROUND_M)) * _ROUND_M)

    def _solved(self, stack: Stack, length_m: float) -> list[BeamField]:
        key = self._key(stack, length_m)
        if key not in self._beams:
            self._beams[key] = solve_stack(stack, key[1])
        return self._beams[key]

    def _spots(self, stack: Stack, length_m: float) -> dict[str, float]:
        detection = self.site.detection
        return dead_spot(
            self._solved(stack, length_m),
            self._targets,
            threshold=detection.threshold,
            half_width_m=detection.half_width_m,
        )

    def _answered(self, stack: Stack) -> list[Target]:
        """Threats that the stack sees at mid-span of every length of zone that the site allows.

        One that it sees at some lengths only (a jump through the edge of the beam) is no reason to run beams farther
        past their junctions: it passes elsewhere. It is listed as missed by the stack.
        """
        if stack not in self._answers:
            longest = self.site.layout.max_zone_m
            lengths = np.append(np.arange(min(_FROM_M, longest), longest, _ROUND_M), longest)
            spots = [self._spots(stack, float(length)) for length in lengths]
            self._answers[stack] = [t for t in self._targets if all(np.isfinite(spot[t.name]) for spot in spots)]
        return self._answers[stack]

    def run_past_m(self, stack: Stack, longest_m: float) -> float:
        """Longest dead spot before a head over all lengths of zone up to the longest, m."""
        lengths = np.append(np.arange(min(_FROM_M, longest_m), longest_m, _ROUND_M), longest_m)
        return max(self.dead_m(stack, float(length)) for length in lengths)

    def seen_m(self, stack: Stack, length_m: float) -> NDArray[np.float64]:
        """Distance from a head and half width in which every threat that the stack answers is seen, (2, n), m."""
        key = self._key(stack, length_m)
        if key not in self._seen:
            beams = self._solved(stack, length_m)
            x, half = seen_half_width(beams, self._answered(stack), threshold=self.site.detection.threshold)
            self._seen[key] = np.vstack([x, half])
        return self._seen[key]

    def dead_m(self, stack: Stack, length_m: float) -> float:
        """Longest dead spot before a head over the threats that the stack answers, m."""
        key = self._key(stack, length_m)
        if key not in self._dead:
            names = {target.name for target in self._answered(stack)}
            spots = [spot for name, spot in self._spots(stack, length_m).items() if name in names]
            self._dead[key] = max((spot for spot in spots if np.isfinite(spot)), default=0.0)
        return self._dead[key]

    def chain(
        self, zones: Sequence[Zone], ground: BaseGeometry, limits: LayoutLimits, *, closed: bool
    ) -> list[Conflict]:
        """Every rule on the zones of one course."""
        standing: list[ExaminedStrip] = []
        found: list[Conflict] = []
        for zone in zones:
            types = sorted({head.head_type.name for head in zone.heads})
            ranges = [
                (t, self.site.all_head_types[t].min_range_m, self.site.all_head_types[t].max_range_m) for t in types
            ]
            one = ExaminedStrip(
                zone.zone_id,
                zone.post(True),
                zone.post(False),
                tuple(head.head_id for head in zone.on_post(True)),
                tuple(head.head_id for head in zone.on_post(False)),
                zone.forward,
                tuple(ranges),
                self.dead_m(self._stack_in(zone), zone.along_fence.length),
                self.seen_m(self._stack_in(zone), zone.along_fence.length),
            )
            standing.append(one)
            found += check_zone(one, ground, limits)
            found += self._posts(zone)
        return found + check_chain(standing, limits, closed=closed)

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
                        "turn one head at both ends; refit its radome upright",
                    )

    def stacks(self, zones: Sequence[Zone]) -> list[Conflict]:
        """Threats that a stack lets pass over level ground, somewhere in their height band; once a kind of stack."""
        groups: dict[Stack, list[Zone]] = {}
        for zone in zones:
            groups.setdefault(self._stack_in(zone), []).append(zone)
        found = []
        for stack, members in groups.items():
            longest = max(members, key=lambda zone: zone.along_fence.length)
            length = longest.along_fence.length
            for target in self._targets:
                gaps = band_gaps(
                    self._solved(stack, length),
                    target,
                    threshold=self.site.detection.threshold,
                    half_width_m=self.site.detection.half_width_m,
                    clear_m=min(self.dead_m(stack, length) + 1.0, length / 4),
                )
                for gap in gaps:
                    x, y = longest.along_fence.to_map(length / 2)
                    band = (
                        f"from {gap.low_m:.1f} to {gap.high_m:.1f} m"
                        if gap.high_m > gap.low_m
                        else f"at {gap.low_m:.1f} m"
                    )
                    found.append(
                        Conflict(
                            f"stack misses {target.name}",
                            longest.zone_id if len(members) == 1 else f"{members[0].zone_id} to {members[-1].zone_id}",
                            (),
                            (float(x), float(y)),
                            f"underside {band} passes with a modulation of {gap.modulation:.2f} over level ground",
                            f"{self.site.detection.threshold:.2f} over the whole height band",
                            self._another_head(stack, target, gap.low_m, gap.high_m, length),
                        )
                    )
        return found

    def _another_head(self, stack: Stack, target: Target, low_m: float, high_m: float, length_m: float) -> str:
        """One further head that closes a gap of the height band, by trial on the model."""
        for name, kind in sorted(self.kinds.items()):
            if not self.site.all_head_types[name].min_range_m <= length_m <= kind.max_range_m:
                continue
            for height in _TRIAL_HEIGHTS_M:
                if not low_m - 0.3 <= height <= high_m + target.height_m + 0.3:
                    continue
                beams = [
                    *self._solved(stack, length_m),
                    *self._solved((level_pair("trial", kind, float(height)),), length_m),
                ]
                left = band_gaps(
                    beams,
                    target,
                    threshold=self.site.detection.threshold,
                    half_width_m=self.site.detection.half_width_m,
                    clear_m=min(self.dead_m(stack, length_m) + 1.0, length_m / 4),
                    step_m=0.2,
                )
                if not any(gap.low_m <= high_m and gap.high_m >= low_m for gap in left):
                    return f"a {name} head at {height:.1f} m closes this gap (tried on the model)"
        return (
            "no single further head closes this gap: change heights in [[stack]], shorten zones, or add another sensor"
        )
