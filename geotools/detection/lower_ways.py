"""Whether a threat that crosses at its fence's height would pass undetected lower, as on a plank that slopes down.

The verdicts hold for the fence's height alone; what is found here is their condition, by the one engine over level
ground.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from geotools.beam import Target
from geotools.detection.cases import Rules
from geotools.detection.level_answers import LevelAnswers
from geotools.detection.level_ground import Stack
from geotools.plan.model import Zone
from geotools.site import Site

__all__ = ["LowerWay", "lower_ways", "passing_lower"]

#: Heads that hang within as much of each other count as one height here, m: stacks that a remedy has moved by
#: centimetres pass the same bands, which are tried every 0.1 m.
_ALIKE_M = 0.05


@dataclass(frozen=True)
class LowerWay:
    """Heights below the fence's at which a threat crosses undetected over level ground.

    Attributes
    ----------
    threat : str
        Its name.
    zones : tuple of Zone
        Where.
    heights : str
        Heights of its underside, in words.
    modulation : float
        Least that it meets there.
    """

    threat: str
    zones: tuple[Zone, ...]
    heights: str
    modulation: float


def lower_ways(site: Site, rules: Rules, zones: Sequence[Zone]) -> list[LowerWay]:
    """Ways below the fence's height that pass, for every threat that crosses at that height.

    Parameters
    ----------
    site : Site
        Its threats, and the longest zone that it allows.
    rules : Rules
        From :func:`rules_of`, with the height of each fence line.
    zones : sequence of Zone
        Zones with their heads as they stand.
    """
    over = [threat for threat in site.threats if site.all_targets[threat].over_fence]
    if not over:
        return []
    beside: dict[tuple[Target, ...], list[Zone]] = {}
    for zone in zones:
        beside.setdefault(rules.targets_of(zone), []).append(zone)
    found = []
    for members in beside.values():
        level = LevelAnswers(rules.of_fence(members[0].fence_id), site.layout.max_zone_m)
        for passing in level.passing(members, over, _alike):
            gap = passing.gap
            found.append(LowerWay(gap.threat, passing.zones, gap.heights, gap.modulation))
    return found


def _alike(stack: Stack) -> tuple[tuple[str, str, int, int], ...]:
    """What stacks have in common that count as one kind."""
    return tuple(
        (pair.level, pair.head_type.name, round(pair.tx_height_m / _ALIKE_M), round(pair.rx_height_m / _ALIKE_M))
        for pair in stack
    )


def passing_lower(ways: Sequence[LowerWay]) -> dict[tuple[str, str], str]:
    """The heights in words, by zone and threat."""
    found: dict[tuple[str, str], list[str]] = {}
    for way in ways:
        for zone in way.zones:
            found.setdefault((zone.zone_id, way.threat), []).append(way.heights)
    return {key: ", ".join(heights) for key, heights in found.items()}
