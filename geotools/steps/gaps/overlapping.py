"""Zones that stand over each other: two stacks of heads that guard the same ground."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely import STRtree

from geotools.plan.model import Zone

__all__ = ["overlapping_words"]

#: Share of the smaller strip that has to be covered; strips of neighbours overlap by a few metres at their junction.
_SHARE = 0.5


def overlapping_words(zones: Sequence[Zone], half_width_m: float) -> list[str]:
    """A sentence for each two zones of which one covers half of the other's strip or more."""
    areas = np.array([zone.line.rectangle(0.0, zone.line.length, half_width_m) for zone in zones])
    if not len(areas):
        return []
    found = []
    for a, b in zip(*STRtree(areas).query(areas, predicate="intersects"), strict=True):
        if a >= b:
            continue
        common, smaller = areas[a].intersection(areas[b]).area, min(areas[a].area, areas[b].area)
        if common > _SHARE * smaller:
            found.append(
                f"{zones[a].zone_id} and {zones[b].zone_id} stand over each other: {100 * common / smaller:.0f} % of "
                "the smaller strip; is a fence in the file twice, or a zone copied?"
            )
    return found
