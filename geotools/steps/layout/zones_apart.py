"""Which zones of a course meet one another: not those with ground between them whose level is not known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely import LineString

from geotools.plan.model import Zone
from geotools.steps.layout.checks import Conflict
from geotools.steps.layout.edges import Field
from geotools.steps.layout.usable import Course

__all__ = ["in_chains", "left_without_zone", "meets_next"]

RULE = "no data for a zone"

#: Spacing of the places that are looked at along a course, m.
_STEP_M = 1.0
#: Zones with more of the way between them unknown than this share do not meet.
_SHARE = 0.5


def meets_next(zones: Sequence[Zone], line: LineString, known: Field, *, closed: bool) -> list[bool]:
    """Whether each zone has a junction with the one after it: not where unknown ground lies between the two.

    Parameters
    ----------
    zones : sequence of Zone
        Of one course, in order.
    line : LineString
        That the course follows, m.
    known : Field
        Ground height at any points, m; not finite where it is not known.
    closed : bool
        Whether the last zone may meet the first.

    Returns
    -------
    list of bool
        One for each zone; the last of an open course meets none.
    """
    met = []
    for place, zone in enumerate(zones):
        after = zones[(place + 1) % len(zones)] if closed and len(zones) > 1 else (*zones, None)[place + 1]
        met.append(after is not None and not _apart(zone, after, line, known))
    return met


def _apart(zone: Zone, after: Zone, line: LineString, known: Field) -> bool:
    leaves, enters = (float(line.project(shapely.Point(post))) for post in (zone.post(False), after.post(True)))
    way = (enters - leaves) % line.length if line.is_closed else enters - leaves
    # beams that overlap, as they do at a junction, have no way between them
    if not 0.0 < way <= line.length / 2:
        return False
    chainage = leaves + np.linspace(0.0, way, max(int(way / _STEP_M), 1) + 1)
    at = shapely.get_coordinates(shapely.line_interpolate_point(line, np.mod(chainage, line.length)))
    return bool(np.mean(~np.isfinite(known(at[:, 0], at[:, 1]))) > _SHARE)


def in_chains(zones: Sequence[Zone], met: Sequence[bool]) -> list[tuple[list[Zone], bool]]:
    """The zones of a course in chains whose zones meet one another, and whether each chain closes upon itself.

    ``met`` : one for each zone, as :func:`meets_next` gives it.
    """
    if not zones:
        return []
    if all(met):
        return [(list(zones), True)]
    first = list(met).index(False) + 1
    found: list[list[Zone]] = [[]]
    for place in [*range(first, len(zones)), *range(first)]:
        found[-1].append(zones[place])
        if not met[place]:
            found.append([])
    return [(chain, False) for chain in found if chain]


def left_without_zone(
    zones: Sequence[Zone], met: Sequence[bool], course: Course, longest_m: float, *, closed: bool
) -> list[Conflict]:
    """A conflict for every stretch of unknown ground that no zone spans."""
    found = []
    for place, meets in enumerate(met):
        if meets or (not closed and place == len(zones) - 1):
            continue
        zone, after = zones[place], zones[(place + 1) % len(zones)]
        ends = [float(course.fence.project(shapely.Point(post))) for post in (zone.post(False), after.post(True))]
        way = (ends[1] - ends[0]) % course.fence.length
        middle = course.fence.interpolate((ends[0] + way / 2) % course.fence.length)
        found.append(
            Conflict(
                RULE,
                f"{zone.zone_id} {after.zone_id}",
                tuple(head.head_id for head in (*zone.on_post(False), *after.on_post(True))),
                (middle.x, middle.y),
                f"{way:.1f} m of fence without a zone, from {ends[0]:.1f} to {ends[1]:.1f} m along it: the terrain has "
                "no data there",
                f"levels for posts at most {longest_m:g} m apart",
                "survey that stretch, then lay out anew; until then it has no beam",
            )
        )
    return found
