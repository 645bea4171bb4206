"""Zones that stand over each other: two stacks of heads that guard the same ground."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely import STRtree

from geotools.plan.model import Zone

__all__ = ["overlapping_words"]

#: Share of the smaller strip that has to be covered; strips of neighbours overlap by a few metres at their junction.
_SHARE = 0.5
#: Zones of one fence drawn twice run the same way or the opposite one, but for this much, degrees; at a tight corner
#: the strips of short zones cover each other as far, and cross.
_SAME_WAY_DEG = 20.0


def overlapping_words(zones: Sequence[Zone], half_width_m: float) -> list[str]:
    """A sentence for each two zones of which one covers half of the other's strip or more."""
    areas = np.array([zone.line.rectangle(0.0, zone.line.length, half_width_m) for zone in zones])
    if not len(areas):
        return []
    found = []
    for a, b in zip(*STRtree(areas).query(areas, predicate="intersects"), strict=True):
        if a >= b or _between_deg(zones[a], zones[b]) > _SAME_WAY_DEG:
            continue
        common, smaller = areas[a].intersection(areas[b]).area, min(areas[a].area, areas[b].area)
        if common > _SHARE * smaller:
            found.append(
                f"{zones[a].zone_id} and {zones[b].zone_id} stand over each other: {100 * common / smaller:.0f} % of "
                "the smaller strip; is a fence in the file twice, or a zone copied?"
            )
    return found


def _between_deg(first: Zone, second: Zone) -> float:
    """Angle between the lines of two zones, whichever way they run, degrees: 0 to 90."""
    turn = abs(first.line.azimuth_deg - second.line.azimuth_deg) % 180.0
    return min(turn, 180.0 - turn)
