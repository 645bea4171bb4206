"""Puts zones with their heads before the rules: the model says what a stack sees, the checks say what is broken."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from shapely.geometry.base import BaseGeometry

from geotools.beam import HeadType
from geotools.detection.cases import Rules, length_of
from geotools.detection.level_answers import LevelAnswers, PassingBand, named_in_runs
from geotools.detection.level_ground import LevelZone, Stack, dead_in_chain, level_pair
from geotools.detection.spots import runs
from geotools.plan.model import FenceChain, Zone
from geotools.site import Level, Site
from geotools.steps.layout.checks import Conflict, EndDetection, ExaminedStrip, LayoutLimits, check_chain, check_zone

__all__ = ["Judge", "Stack"]

_TRIAL_HEIGHTS_M = np.arange(0.3, 4.01, 0.2)
#: Further heads tried at once.
_TRIALS = 6


class Judge:
    """Checks of one site; what detection says of a stack over level ground is computed once."""

    def __init__(self, site: Site, kinds: dict[str, HeadType], rules: Rules) -> None:
        self.site, self.kinds, self.rules = site, kinds, rules
        self.level = LevelAnswers(rules, site.layout.max_zone_m)

    def stack_of(self, levels: Iterable[Level]) -> Stack:
        """The heads of a post as the model takes them."""
        return tuple(level_pair(level.level, self.kinds[level.head_type], level.height_m) for level in levels)

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
        threats = [t for t in self.level.answered(zone.pairs) if other is None or t in self.level.answered(other.pairs)]
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
        found = []
        for passing in self.level.passing(zones):
            gap = passing.gap
            x, y = passing.longest.line.to_map(gap.at_m, 0.0)
            found.append(
                Conflict(
                    f"stack misses {gap.threat}",
                    named_in_runs(passing.zones, zones),
                    (),
                    (float(x), float(y)),
                    f"{gap.heights} passes with a modulation of {gap.modulation:.2f} over level ground",
                    f"{self.rules.threshold:.2f} over the whole height band",
                    self._another_head(passing),
                )
            )
        return found

    def _another_head(self, passing: PassingBand) -> str:
        """One further head that closes a gap of the height band, by trial on the model."""
        gap, length_m = passing.gap, passing.longest.along_fence.length
        top_m = gap.high_m + self.rules.targets[gap.threat].height_m
        trials = [
            level_pair("trial", kind, float(height))
            for name, kind in sorted(self.kinds.items())
            if self.site.all_head_types[name].min_range_m <= length_m <= kind.max_range_m
            for height in _TRIAL_HEIGHTS_M
            if gap.low_m - 0.3 <= height <= top_m + 0.3
        ]
        for start in range(0, len(trials), _TRIALS):
            closing = passing.band.closing(gap, passing.clear_m, trials[start : start + _TRIALS])
            if closing is not None:
                kind, height = closing.head_type.name, closing.tx_height_m
                return f"a {kind} head at {height:.1f} m closes this gap (tried on the model)"
        return (
            "no single further head closes this gap: change heights in [[stack]], shorten zones, or add another sensor"
        )
