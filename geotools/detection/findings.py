"""All zones of one fence line together: coverage by neighbours, weakest crossings, dead spots with their causes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.corridor import BeamLine
from geotools.detection.causes import Doubt, causes
from geotools.detection.crossing import Corridor, ThreatResult
from geotools.detection.patch import Patch, joined
from geotools.detection.solve import Question, ZoneWork, examine
from geotools.detection.spots import Spot, find_spots
from geotools.detection.work import FenceWork

__all__ = ["Findings", "find"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Findings:
    """What was found on one fence line.

    patches : each zone by its own beams. best : per zone (threats, n, k) modulation, neighbours joined in.
    floor : per zone (n, k). standing : per zone, decibels of each beam. threats : by name.
    spots : by threat, per zone of the core, each spot with its cause.
    """

    patches: list[Patch]
    best: list[Floats]
    floor: list[Floats]
    standing: list[tuple[float, ...]]
    threats: dict[str, ThreatResult]
    spots: dict[str, list[list[tuple[Spot, str]]]]


def find(work: FenceWork, question: Question, progress: Callable[[int], None] = lambda done: None) -> Findings:
    """Examine one fence line."""
    zones = work.zones
    patches, standing = examine(zones, question, progress)
    best, floor, links = joined(patches)
    corridor = Corridor(zones, patches, links, work.closed)
    threats: dict[str, ThreatResult] = {}
    found: dict[str, list[list[Spot]]] = {}
    for number, target in enumerate(question.targets):
        result = corridor.threat([grid[number] for grid in best], work.core)
        threats[target.name] = result
        found[target.name] = [
            find_spots(patch, grid[number], levels, stations, steps, question.threshold)
            for patch, grid, levels, stations, steps in zip(
                patches, best, floor, result.stations, result.steps, strict=True
            )
        ]
    named = _with_causes(work, question, patches, best, found)
    return Findings(patches, best, floor, standing, threats, named)


def _bends(zones: Sequence[ZoneWork], closed: bool) -> list[tuple[float, float]]:
    """Turn of the chain, degrees, at the transmitter and the receiver end of each zone; NaN where the chain ends."""
    lines = [zone.line if zone.forward else zone.line.reversed() for zone in zones]

    def bend(a: BeamLine, b: BeamLine) -> float:
        return abs((b.azimuth_deg - a.azimuth_deg + 180.0) % 360.0 - 180.0)

    count = len(lines)
    ends = []
    for place, zone in enumerate(zones):
        before = bend(lines[place - 1], lines[place]) if place or closed else np.nan
        after = bend(lines[place], lines[(place + 1) % count]) if place < count - 1 or closed else np.nan
        ends.append((before, after) if zone.forward else (after, before))
    return ends


def _with_causes(
    work: FenceWork,
    question: Question,
    patches: Sequence[Patch],
    best: Sequence[Floats],
    found: dict[str, list[list[Spot]]],
) -> dict[str, list[list[tuple[Spot, str]]]]:
    bends = _bends(work.zones, work.closed)
    doubts, keys = [], []
    for number, target in enumerate(question.targets):
        for place in work.core:
            spots = found[target.name][place]
            if spots:
                own, both = patches[place].best[number], best[place][number]
                others = np.where(both > own, both, 0.0)
                rows = tuple((spot.first, spot.last) for spot in spots)
                doubts.append(Doubt(work.zones[place], target, rows, others, bends[place]))
                keys.append((target.name, place))
    names = dict(zip(keys, causes(doubts, question), strict=True))
    return {
        threat: [
            list(zip(spots, names.get((threat, place), []), strict=True)) if place in work.core else []
            for place, spots in enumerate(per_zone)
        ]
        for threat, per_zone in found.items()
    }
