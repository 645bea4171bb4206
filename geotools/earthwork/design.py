"""Grading every zone that needs it onto one design surface, and the proof on the whole of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely import Point

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.apart import drain_as_before, runs_that_meet
from geotools.earthwork.falls import WaterCrossing
from geotools.earthwork.groups_graded import Asked, GroupsGraded
from geotools.earthwork.proof import LEAST_M
from geotools.earthwork.second_looks import Laid, hold_together
from geotools.earthwork.tolerance import Loose
from geotools.earthwork.zones import GradeSettings, ZoneGrading, grade_group, is_answer, strip_groups
from geotools.plan.model import Zone
from geotools.terrain.design import DesignSurface, Kept

__all__ = ["DEPTH_CLASSES", "Graded", "depth_classes", "grade_zones", "graded_zones"]

#: Limits of the depth classes of the earthworks layer, metres.
DEPTH_CLASSES = (0.0, 0.05, 0.10, 0.20, 0.50)


@dataclass(frozen=True)
class Graded:
    """A zone after all grading: its heads, the programme it was part of, dead length before and on the whole design.

    loose : the worst that comes of it on the whole design within tolerance; None where that was not computed.
    """

    zone: Zone
    grading: ZoneGrading
    dead_before_m: float
    dead_after_m: float
    loose: Loose | None = None

    @property
    def volumes(self) -> tuple[float, float, float, float]:
        """Cut m3, fill m3, worked area m2 and greatest depth m over the cells nearest to this zone."""
        return self.grading.volumes(self.grading.own(self.zone.zone_id))

    @property
    def crossings(self) -> list[WaterCrossing]:
        """Ways for water through the works that are nearest to this zone."""
        mine = []
        for crossing in self.grading.crossings:
            x, y = np.mean(crossing.line, axis=0)[:2]
            away = [Point(x, y).distance(zone.line.line()) for zone in self.grading.zones]
            if self.grading.zones[int(np.argmin(away))].zone_id == self.zone.zone_id:
                mine.append(crossing)
        return mine

    @property
    def clear(self) -> bool:
        """Whether the run on the whole design surface found nobody getting through."""
        return self.dead_after_m == 0.0


def grade_zones(
    perimeter: Perimeter,
    surface: DesignSurface,
    zones: Sequence[Zone],
    settings: GradeSettings,
    *,
    keep: Kept | None = None,
    known: Mapping[str, ZoneGrading] | None = None,
    before: GroupsGraded | None = None,
) -> tuple[list[Graded], Perimeter]:
    """Grade the zones, changing `surface`; then run the detection of every zone again on the finished surface.

    zones : those to grade, with their heads as they are to stand. Zones whose strips overlap share one programme; where
    that finds no surface, each is tried alone. known : gradings of zones by themselves that are at hand; those that
    meet no other works are taken as they are. before : works of groups found before, with these settings on this
    terrain; a group for which nothing has changed has its works again.

    Returns
    -------
    The graded zones in the order given, and the whole perimeter as it will be, solved on the design.
    """
    groups = GroupsGraded() if before is None else before
    laid = _first_works(perimeter, surface, zones, settings, keep=keep, known=known or {}, groups=groups)
    final, loose = hold_together(perimeter, surface, laid, settings, groups, keep=keep)
    graded = [
        Graded(
            final.zones[z.zone_id],
            laid[z.zone_id][1],
            perimeter.dead_length(z.zone_id, perimeter.dead(z.zone_id)),
            final.dead_length(z.zone_id, final.dead(z.zone_id)),
            loose.get(z.zone_id),
        )
        for z in zones
    ]
    return graded, final


def _first_works(
    perimeter: Perimeter,
    surface: DesignSurface,
    zones: Sequence[Zone],
    settings: GradeSettings,
    *,
    keep: Kept | None,
    known: Mapping[str, ZoneGrading],
    groups: GroupsGraded,
) -> Laid:
    """Works of every zone, laid in: one programme for zones whose works meet, each looked at once."""
    laid: Laid = {}
    asked_of = {zone.zone_id: zone for zone in zones}

    def together(asked: Asked) -> ZoneGrading:
        first, *more = asked.zones
        if not more and first.zone_id in known:
            return known[first.zone_id]
        works = groups.get(asked)
        if works is None:
            works = grade_group(perimeter, surface, asked.zones, settings, keep=keep)
            groups.put(asked, works)
        return works

    def attempt(asked: Asked) -> list[ZoneGrading]:
        group = asked.zones
        parts = [known[z.zone_id] for z in group if z.zone_id in known]
        if 1 < len(group) == len(parts) and all(is_answer(part) for part in parts):
            runs = runs_that_meet(parts)
            if len(runs) > 1:
                made = [together(asked.part(perimeter, [group[number] for number in run])) for run in runs]
                if drain_as_before(surface, made, settings):
                    return made
        return [together(asked)]

    def alone_now(zone: Zone) -> ZoneGrading:
        return together(Asked.of(perimeter, [zone], surface, settings))

    for turn in _turns(strip_groups(zones, settings.reach_m)):
        # groups of one turn do not see each other, so each is laid in as soon as its turn to be reported comes
        now = [Asked.of(perimeter, group, surface, settings) for group in turn]
        for found in perimeter.together(attempt, now):
            for grading in found:
                group = [asked_of[zone.zone_id] for zone in grading.zones]
                parts = [grading]
                if len(group) > 1 and not (grading.clear and grading.buildable):
                    alone = _one_after_another(surface, group, alone_now)
                    if not grading.clear or all(part.clear and part.buildable for part in alone):
                        parts = alone
                    else:
                        for part in reversed(alone):
                            surface.undo(part.strip, np.ones(len(part.strip.x), bool))
                if parts[0] is grading:
                    surface.apply(grading.strip, grading.design)
                for part in parts:
                    laid.update({zone.zone_id: (asked_of[zone.zone_id], part) for zone in part.zones})
    # in the order given, which is that of later looks too
    return {zone_id: laid[zone_id] for zone_id in asked_of}


def _one_after_another(
    surface: DesignSurface, group: Sequence[Zone], attempt: Callable[[Zone], ZoneGrading]
) -> list[ZoneGrading]:
    """Zones that share a strip each graded by itself, the next on the ground that the last has left."""
    made = []
    for zone in group:
        made.append(attempt(zone))
        surface.apply(made[-1].strip, made[-1].design)
    return made


def graded_zones(
    perimeter: Perimeter,
    final: Perimeter,
    surface: DesignSurface,
    settings: GradeSettings,
    reasons: Mapping[str, str],
) -> list[Graded]:
    """Zones whose ground a finished design works, each with its own cells.

    Parameters
    ----------
    perimeter, final : Perimeter
        As it stands, and as proposed on the design, solved.
    surface : DesignSurface
        The design.
    settings : GradeSettings
        Widths of the works.
    reasons : mapping of str to str
        By zone that is to be graded, why.
    """
    reach = settings.reach_m
    blank = surface.blank()
    worked = {}
    for zone_id in reasons:
        zone = final.zones[zone_id]
        strip = blank.strip_cells({zone_id: zone.line}, reach)
        row, column = surface.locate(strip.x, strip.y)
        change = surface.change[row, column].astype(float)
        if (np.abs(change) >= LEAST_M).any():
            worked[zone_id] = strip, strip.cells.ground + change
    made = []
    for zone_id, (strip, design) in worked.items():
        near = [final.zones[n] for n in final.neighbours(zone_id) if n in worked]
        after = final.dead_length(zone_id, final.dead(zone_id))
        before = perimeter.dead_length(zone_id, perimeter.dead(zone_id))
        grading = ZoneGrading((final.zones[zone_id], *near), strip, design, (), after == 0.0, 0, reasons[zone_id], None)
        one = Graded(final.zones[zone_id], grading, before, after)
        if one.volumes[2] > 0.0:
            made.append(one)
    return made


def _turns(groups: list[list[Zone]]) -> list[list[list[Zone]]]:
    """Groups that may be worked at once: no two neighbours, and the last apart from the first it may close up with."""
    last = [groups.pop()] if len(groups) % 2 and len(groups) > 1 else []
    return [turn for turn in (groups[0::2], groups[1::2], last) if turn]


def depth_classes(change: np.ndarray) -> npt.NDArray[np.int16]:
    """Class of each cell: 0 unmoved, k for a fill and -k for a cut in the k-th depth class."""
    size = np.abs(change)
    number = np.searchsorted(np.array(DEPTH_CLASSES[1:]), size, side="right") + 1
    return np.where(size < LEAST_M, 0, np.sign(change) * number).astype(np.int16)
