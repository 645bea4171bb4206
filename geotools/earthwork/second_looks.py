"""Zones looked at again once all works stand together, until everything holds within its tolerances."""

from __future__ import annotations

from dataclasses import replace

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.group import Heads
from geotools.earthwork.groups_graded import Asked, GroupsGraded
from geotools.earthwork.known import Known
from geotools.earthwork.tolerance import Loose, Withstood, worst_in_tolerance
from geotools.earthwork.zone_grading import GradeSettings, ZoneGrading
from geotools.earthwork.zones import grade_group
from geotools.plan.model import Zone
from geotools.terrain.design import DesignSurface, Kept

__all__ = ["FINAL_DRAWS", "Laid", "hold_together"]

#: How often zones are graded anew: because a neighbour they counted on has changed, or for draws that were not tried.
_SECOND_LOOKS = 3
#: Draws of each kind of uneven building that a design is tried in once everything stands together.
FINAL_DRAWS = 12
#: A head that stands this far off its height is moved, m.
_MOVED_M = 5e-3

#: Zones that are graded, as they stood before, with the works they are part of.
Laid = dict[str, tuple[Zone, ZoneGrading]]


def hold_together(
    perimeter: Perimeter,
    surface: DesignSurface,
    laid: Laid,
    settings: GradeSettings,
    groups: GroupsGraded,
    *,
    keep: Kept | None = None,
) -> tuple[Perimeter, dict[str, Loose | None]]:
    """Grade zones anew that do not hold within tolerance beside the others, in the very states that they fail in.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands.
    surface : DesignSurface
        With all works laid in; changed with them.
    laid : dict of str to (Zone, ZoneGrading)
        By zone; changed.
    settings : GradeSettings
        How zones are graded.
    groups : GroupsGraded
        What was found before; added to.
    keep : Kept, optional
        Cells where nothing may be moved.

    Returns
    -------
    The perimeter as it will be, solved; and for each zone that is clear the worst that comes of it within tolerance,
    None where the whole is not clear there as drawn.
    """
    closer = replace(settings, draws=FINAL_DRAWS)
    # a further look at a zone asks much of what the one before has asked
    solved: dict[str, Known] = {}
    for look in range(_SECOND_LOOKS + 1):
        final = _whole(perimeter, surface, laid)
        loose = {z: _loose(final, surface, z, settings, groups.withstood) for z, (_, one) in laid.items() if one.clear}
        again = [z for z, found in loose.items() if found is None or found.metres > 0.0]
        if not again or look == _SECOND_LOOKS:
            break
        changed = False
        for zone_id in again:  # one after the other, so that the second counts on the first as it now is
            zone, old = laid[zone_id]
            surface.undo(old.strip, old.own(zone_id))
            new = {z: (_of(one, z),) for z, (_, one) in laid.items()}
            around = perimeter.with_zones(new | {zone_id: (zone,)}, surface)
            asked = Asked.of(around, [zone], surface, closer)
            works = groups.get(asked)
            if works is None:
                known, heads = solved.setdefault(zone_id, Known()), _moved(zone, _of(old, zone_id))
                works = grade_group(around, surface, [zone], closer, keep=keep, known=known, heads=heads)
                groups.put(asked, works)
            changed |= works is not old
            laid[zone_id] = zone, works
            surface.apply(works.strip, works.design)
        if not changed:
            break
    return final, loose


def _of(grading: ZoneGrading, zone_id: str) -> Zone:
    """A zone with its heads as the works found them."""
    return next(zone for zone in grading.zones if zone.zone_id == zone_id)


def _moved(before: Zone, after: Zone) -> Heads:
    """Which of a zone's lowest heads works have moved."""
    pairs = before.pairs[0], after.pairs[0]
    ends = [(one.tx_height_m, one.rx_height_m) for one in pairs]
    return frozenset((0, end) for end in (0, 1) if abs(ends[0][end] - ends[1][end]) > _MOVED_M)


def _loose(
    final: Perimeter, surface: DesignSurface, zone_id: str, settings: GradeSettings, withstood: Withstood
) -> Loose | None:
    """What comes of a zone within tolerance beside what its neighbours get; None where it is not clear as designed."""
    if any(dead.any() for dead in final.dead(zone_id).values()):
        return None
    return worst_in_tolerance(final, surface, [final.zones[zone_id]], settings, FINAL_DRAWS, withstood=withstood)


def _whole(before: Perimeter, surface: DesignSurface, laid: Laid) -> Perimeter:
    """Every zone, graded ones with their new heads, solved on the surface as it now is."""
    whole = before.with_zones({z: (_of(one, z),) for z, (_, one) in laid.items()}, surface)
    whole.solve_all()
    return whole
