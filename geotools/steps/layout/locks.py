"""What a person locked in the plan, and zones put together from what is locked and what a new design says."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.beam import HeadType
from geotools.plan import ids
from geotools.plan.model import Head, Zone
from geotools.site import Level
from geotools.steps.layout.held import HeldZone
from geotools.steps.layout.kernel import PostedSpan

__all__ = ["ZoneMaker", "held_zones", "is_locked", "locked_names"]

#: Posts nearer than this are one: a held post is handed through the design without change.
_SAME_M = 1e-6
_CHANNEL = ("channel", "all")


def is_locked(zone: Zone, at_start: bool) -> bool:
    """Whether one of a zone's posts stays where it stands: with the zone, or with a head of it."""
    return zone.locked or any(head.held or head.locked == "post" for head in zone.on_post(at_start))


def held_zones(zones: Sequence[Zone]) -> list[HeldZone]:
    """Zones as they stand, as the kernels take them; in the order and direction of the fence line."""
    return [
        HeldZone(zone.post(True), zone.post(False), (is_locked(zone, True), is_locked(zone, False)), zone.forward)
        for zone in zones
    ]


def locked_names(zones: Iterable[Zone]) -> list[str]:
    """What is locked, by name: whole zones, and heads of the others."""
    return [
        name
        for zone in zones
        for name in ([zone.zone_id] if zone.locked else [head.head_id for head in zone.heads if head.locked])
    ]


@dataclass(frozen=True)
class ZoneMaker:
    """Makes zones of a design.

    levels : the stack that the site file asks for. kinds : head types by name. level_at : ground level at a place, m.
    standing : zones as they stand, some of them locked in part.
    """

    levels: Sequence[Level]
    kinds: Mapping[str, HeadType]
    level_at: Callable[[float, float], float]
    standing: Sequence[Zone] = ()

    def zones(self, fence_id: str, posted: Sequence[PostedSpan]) -> list[Zone]:
        """The zones of one fence line in order; locked ones keep their names, the others take those that are left."""
        stood = [self._stood(span) for span in posted]
        first = {zone.zone_id: k for k, zone in reversed(list(enumerate(stood))) if zone is not None}
        taken = set(first)
        free = (
            name for n in range(1, 2 * len(posted) + len(taken) + 1) if (name := ids.zone_id(fence_id, n)) not in taken
        )
        made = []
        for number, (span, before) in enumerate(zip(posted, stood, strict=True), start=1):
            own = before is not None and first[before.zone_id] == number - 1
            name = before.zone_id if own and before is not None else next(free)
            heads = self._heads(name, span, before)
            zone = Zone.of_heads(name, heads, fence_id=fence_id, number=number)
            made.append(
                replace(
                    zone,
                    earthwork_m3=span.earthwork_m3,
                    left_open_m=span.dead_m,
                    locked=before is not None and before.locked,
                )
            )
        return made

    def _stood(self, span: PostedSpan) -> Zone | None:
        """The zone that holds a post of this one."""
        for zone in self.standing:
            for at_start, place in ((True, span.start), (False, span.end)):
                if is_locked(zone, at_start) and np.hypot(*(zone.post(at_start) - place)) < _SAME_M:
                    return zone
        return None

    def _heads(self, zone_id: str, span: PostedSpan, before: Zone | None) -> list[Head]:
        if before is not None and before.locked:
            return list(before.heads)
        old = {(head.at_start, head.level): head for head in (before.heads if before is not None else ())}
        keeps = {key: head for key, head in old.items() if head.held}
        channels = {head.channel for head in old.values() if head.locked in _CHANNEL}
        channel = channels.pop() if len(channels) == 1 else None
        asked: dict[str, Level] = {level.level: level for level in self.levels}
        names = [*asked, *sorted({level for _, level in keeps} - set(asked))]
        heads = []
        for at_start, (x, y) in ((True, span.start), (False, span.end)):
            ground_m = self.level_at(float(x), float(y))
            sends = span.starts_with_tx == at_start
            for name in names:
                stays = keeps.get((at_start, name))
                partner = keeps.get((not at_start, name))
                if stays is not None:
                    heads.append(replace(stays, head_id=ids.head_id(zone_id, name, transmitter=sends)))
                    continue
                level = asked.get(name)
                kind = partner.head_type if partner else self.kinds[asked[name].head_type]
                height = level.height_m if level else partner.height_m if partner else 0.0
                plane = partner.polarisation if partner else str(level.polarisation if level else "vertical")
                lock = old[at_start, name].locked if (at_start, name) in old else ""
                heads.append(
                    Head(
                        ids.head_id(zone_id, name, transmitter=sends),
                        name,
                        kind,
                        at_start,
                        sends,
                        float(x),
                        float(y),
                        ground_m,
                        height,
                        plane,
                        channel,
                        lock,
                    )
                )
        return heads
