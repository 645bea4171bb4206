"""Works of groups of zones that were found before, for designs that are put together again with a change elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.tolerance import Withstood
from geotools.earthwork.zone_grading import GradeSettings, ZoneGrading
from geotools.plan.model import Zone
from geotools.terrain.design import DesignSurface

__all__ = ["Asked", "GroupsGraded"]


@dataclass(frozen=True)
class Asked:
    """All that the works of a group hang on, where settings, terrain and what is kept are the same.

    zones : the group, with its heads. around : zones that an answer for them may hang on. draws : of each kind of
    uneven building. surface : digest of the design surface near those zones.
    """

    zones: tuple[Zone, ...]
    around: tuple[Zone, ...]
    draws: int
    surface: bytes

    @classmethod
    def of(cls, perimeter: Perimeter, zones: Sequence[Zone], surface: DesignSurface, settings: GradeSettings) -> Asked:
        """What is asked of a group on a perimeter and a design surface."""
        around = perimeter.around([zone.zone_id for zone in zones])
        # water is looked at as far as its rules say, bodies as far as the strips of the neighbours reach
        water = 0.0 if settings.water is None else settings.water.margin_m
        reach = settings.reach_m + water + perimeter.rules.half_width_m
        return cls(tuple(zones), around, settings.draws, surface.digest([zone.line for zone in around], reach))

    def part(self, perimeter: Perimeter, zones: Sequence[Zone]) -> Asked:
        """What is asked of some of the group's zones, on the surface as it was for all of them."""
        return replace(self, zones=tuple(zones), around=perimeter.around([zone.zone_id for zone in zones]))


class GroupsGraded:
    """The last works of each group, with what they hang on; and what the zones of a design withstood.

    withstood : see :class:`~geotools.earthwork.tolerance.Withstood`.
    """

    def __init__(self) -> None:
        self.withstood = Withstood()
        self._found: dict[tuple[int, tuple[str, ...]], tuple[Asked, ZoneGrading]] = {}

    def get(self, asked: Asked) -> ZoneGrading | None:
        """The works, None where they have to be found."""
        known = self._found.get(_names(asked))
        return known[1] if known is not None and known[0] == asked else None

    def put(self, asked: Asked, found: ZoneGrading) -> None:
        """Keep works, in place of the group's last ones."""
        self._found[_names(asked)] = asked, found


def _names(asked: Asked) -> tuple[int, tuple[str, ...]]:
    return asked.draws, tuple(zone.zone_id for zone in asked.zones)
