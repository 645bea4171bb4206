"""A zone's line moved sideways, over the room that the clear ground leaves it, or cut into shorter ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from shapely import Point
from shapely.geometry.base import BaseGeometry

from geotools.corridor import BeamLine
from geotools.plan.model import Zone

__all__ = [
    "MoveLimits",
    "move_words",
    "moved_sideways",
    "parts_of",
    "places_beside",
    "row_of",
    "row_places",
    "with_row",
]

#: First step of the search, m; one finer look is taken halfway beside the best place.
STEP_M = 0.5
_LIGHT_M_S = 299_792_458.0
#: What is further outside the clear ground than today's line is reported by more than this, m2 and m.
_ROUNDING = 1e-3


@dataclass(frozen=True)
class MoveLimits:
    """Where a line may be moved to.

    ground : by fence line the clear ground, m; a zone of another is not moved. margin_m : free distance beside the
    beam. post_clear_m : of a post from the edge of the ground. fresnel_zones : width of the beam, in radii of the
    first Fresnel zone (ITU-R P.530-18).
    """

    ground: Mapping[str, BaseGeometry] = field(default_factory=dict)
    margin_m: float = 0.3
    post_clear_m: float = 1.0
    fresnel_zones: float = 1.0


def moved_sideways(zone: Zone, offset_m: float) -> Zone:
    """The zone with both posts set so far to the left of the direction from transmitter to receiver, right below 0."""
    (x0, x1), (y0, y1) = zone.line.to_map([0.0, zone.line.length], offset_m)
    dx, dy = x0 - zone.line.x0, y0 - zone.line.y0
    heads = tuple(replace(head, x=head.x + dx, y=head.y + dy) for head in zone.heads)
    return replace(zone, line=BeamLine(float(x0), float(y0), float(x1), float(y1)), heads=heads)


def move_words(offset_m: float) -> str:
    """What is done, in words."""
    side = "left" if offset_m > 0 else "right"
    return f"move both posts {abs(offset_m):.2f} m to the {side}, as the transmitter faces"


def places_beside(zone: Zone, limits: MoveLimits, reach_m: float, step_m: float = STEP_M) -> list[float]:
    """Offsets at which the line keeps the limits that it keeps today, the nearest first, m; none where it has no room.

    Parameters
    ----------
    zone : Zone
        As it stands.
    limits : MoveLimits
        Where it may be moved to.
    reach_m : float
        The furthest it may be moved, m: its strip has to meet those of the zones beside.
    step_m : float
        Spacing of the places, m.
    """
    ground = limits.ground.get(zone.fence_id)
    if ground is None or not zone.pairs:
        return []
    wave = _LIGHT_M_S / min(pair.head_type.frequency_hz for pair in zone.pairs)
    half = limits.fresnel_zones * 0.5 * float(np.sqrt(wave * zone.line.length)) + limits.margin_m

    def outside(line: BeamLine) -> tuple[float, float]:
        """Beam outside the ground, m2, and what its posts lack of their free distance, m."""
        area = line.rectangle(0.0, line.length, half).difference(ground).area
        lacking = 0.0
        for x, y in ((line.x0, line.y0), (line.x1, line.y1)):
            post = Point(x, y)
            within = ground.boundary.distance(post) if ground.covers(post) else -ground.distance(post)
            lacking = max(lacking, limits.post_clear_m - within)
        return area, lacking

    now = outside(zone.line)
    count = int(reach_m / step_m + 1e-9)
    found = []
    for number in range(1, count + 1):
        for sign in (1, -1):
            there = outside(moved_sideways(zone, sign * number * step_m).line)
            # a line that breaks a limit as it stands must not break it further
            if all(a <= max(b, 0.0) + _ROUNDING for a, b in zip(there, now, strict=True)):
                found.append(sign * number * step_m)
    return found


def parts_of(
    zone: Zone, cuts: tuple[float, ...], reach_m: float, span: tuple[float, float] | None = None
) -> tuple[Zone, ...]:
    """Zones between the cuts, each running past them by so much, within the zone's own posts."""
    first, last = (0.0, zone.line.length) if span is None else span
    ends = (first, *cuts, last)
    made = []
    for number, (a, b) in enumerate(pairwise(ends)):
        low, high = max(a - reach_m, 0.0), min(b + reach_m, zone.line.length)
        (x0, x1), (y0, y1) = zone.line.to_map([low, high])
        name = f"{zone.zone_id}{chr(ord('a') + number)}"
        made.append(replace(zone, zone_id=name, line=BeamLine(x0, y0, x1, y1)))
    return tuple(made)


def row_of(zones: Sequence[Zone], zone_id: str, closed: bool, turn_deg: float = 10.0) -> list[Zone]:
    """The zones in a row with one: those that follow it and come before it without a corner, itself among them.

    zones : of one fence line, in its order. closed : whether the last meets the first. turn_deg : a corner.
    """
    names = [zone.zone_id for zone in zones]
    at = names.index(zone_id)
    own = zones[at].along_fence.azimuth_deg

    def in_line(zone: Zone) -> bool:
        return abs((zone.along_fence.azimuth_deg - own + 180.0) % 360.0 - 180.0) <= turn_deg

    found = [zones[at]]
    for step in (1, -1):
        number = at + step
        while closed or 0 <= number < len(zones):
            zone = zones[number % len(zones)]
            if zone in found or not in_line(zone):
                break
            found.insert(len(found) if step > 0 else 0, zone)
            number += step
    return found


def with_row(row: Sequence[Zone], zone_id: str, offset_m: float) -> dict[str, Zone]:
    """The zones of a row, all moved the way that takes one of them so far to its left, m."""
    lead = next(zone for zone in row if zone.zone_id == zone_id)
    return {zone.zone_id: moved_sideways(zone, offset_m if zone.forward == lead.forward else -offset_m) for zone in row}


def row_places(row: Sequence[Zone], zone_id: str, limits: MoveLimits, reach_m: float, step_m: float) -> list[float]:
    """Offsets to the left of one zone at which every zone of its row keeps the limits that it keeps today, m."""
    lead = next(zone for zone in row if zone.zone_id == zone_id)
    found = places_beside(lead, limits, reach_m, step_m)
    for zone in row:
        sign = 1.0 if zone.forward == lead.forward else -1.0
        room = {round(sign * place, 6) for place in places_beside(zone, limits, reach_m, step_m)}
        found = [place for place in found if round(place, 6) in room]
    return found
