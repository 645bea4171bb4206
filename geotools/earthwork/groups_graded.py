"""Works of groups of zones that were found before, for designs that are put together again with a change elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.zone_grading import ZoneGrading
from geotools.plan.model import Zone

__all__ = ["Asked", "GroupsGraded"]


@dataclass(frozen=True, eq=False)
class Asked:
    """All that the works of a group hang on, where settings, terrain and what is kept are the same.

    zones : the group, with its heads. around : zones that an answer for them may hang on. parts : works of each by
    itself. surface : content of the design surface they are found on.
    """

    zones: tuple[Zone, ...]
    around: tuple[Zone, ...]
    parts: tuple[ZoneGrading, ...]
    surface: bytes

    @classmethod
    def of(cls, perimeter: Perimeter, zones: Sequence[Zone], parts: Sequence[ZoneGrading], surface: bytes) -> Asked:
        """What is asked of a group on a perimeter."""
        return cls(tuple(zones), perimeter.around([zone.zone_id for zone in zones]), tuple(parts), surface)

    def same(self, other: Asked) -> bool:
        """Whether the answer is the same; works are the same where they are the very ones."""
        parts = zip(self.parts, other.parts, strict=False)
        return (
            self.surface == other.surface
            and self.zones == other.zones
            and self.around == other.around
            and len(self.parts) == len(other.parts)
            and all(mine is its for mine, its in parts)
        )


class GroupsGraded:
    """The last works of each group, with what they hang on."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, ...], tuple[Asked, ZoneGrading]] = {}

    def get(self, asked: Asked) -> ZoneGrading | None:
        """The works, None where they have to be found."""
        known = self._found.get(_names(asked))
        return known[1] if known is not None and known[0].same(asked) else None

    def put(self, asked: Asked, found: ZoneGrading) -> None:
        """Keep works, in place of the group's last ones."""
        self._found[_names(asked)] = asked, found


def _names(asked: Asked) -> tuple[str, ...]:
    return tuple(zone.zone_id for zone in asked.zones)
