"""What every pair of heights of one level would give, answered beforehand: for a page on which heights are moved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geotools.beam.strip import HIGHEST_TOP_M
from geotools.detection.cases import Case
from geotools.detection.findings import joined_floor
from geotools.detection.height_search import opened_m
from geotools.detection.perimeter import Perimeter

__all__ = ["HeightAnswer", "answers_ahead", "floors_of", "gap_of", "heights_to_try"]

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
#: Heads are not set nearer than this (common practice, no source).
_STEP_M = 0.05


@dataclass(frozen=True)
class HeightAnswer:
    """What a pair of heights gives.

    Attributes
    ----------
    tx_height_m, rx_height_m : float
        Heights of the level's heads above ground, m.
    dead : dict of str to (n,) array
        Chainages at which each threat gets across undetected, whatever the zones beside detect taken in.
    gap_m : (n,) array
        Crawl gap met by crossing straight over, m; as the layer profiles has it.
    beside_m : float
        Metres of the zones beside that the change opens.
    """

    tx_height_m: float
    rx_height_m: float
    dead: dict[str, Flags]
    gap_m: Array
    beside_m: float


def heights_to_try(limits: tuple[float, float], now: float, most: int = 7) -> list[float]:
    """Heights between the limits, in steps that heads are set in, with today's among them.

    Parameters
    ----------
    limits : (float, float)
        Lowest and highest, m above ground.
    now : float
        Today's, m; it is in the list even where it is outside the limits.
    most : int
        How many there may be beside today's.
    """
    low, high = limits
    steps = int(np.ceil((high - low) / _STEP_M / max(most - 1, 1) - 1e-9))
    tried = np.append(np.arange(low, high - 1e-9, max(steps, 1) * _STEP_M), high)
    heights = {round(float(h), 4) for h in tried if abs(h - now) > _STEP_M / 10}
    return sorted({*heights, round(now, 4)})


def floors_of(perimeter: Perimeter) -> dict[str, Array]:
    """Every zone's own detection floor as it stands, (n, k) levels in m; what its heads give is kept as well."""
    zones = list(perimeter.zones.values())
    cases = [Case(zone, perimeter.strip(zone.zone_id), floor=True) for zone in zones]
    floors = {}
    for zone, found in zip(zones, perimeter.responses(cases), strict=True):
        best = np.max([one.modulation for one in found], axis=0)
        perimeter.hold(zone.zone_id, dict(zip(perimeter.rules.targets, best, strict=True)))
        floors[zone.zone_id] = np.min([one.floor for one in found if one.floor is not None], axis=0)
    return floors


def gap_of(perimeter: Perimeter, zone_id: str, floors: Mapping[str, Array]) -> Array:
    """A zone's crawl gap at its chainages, (n,) m, as the layer profiles has it; ``floors`` : of `floors_of`."""
    floor = joined_floor(perimeter, zone_id, dict(floors))
    return np.asarray(np.minimum(floor - perimeter.levels(zone_id), HIGHEST_TOP_M).min(axis=1))


def answers_ahead(
    perimeter: Perimeter,
    floors: Mapping[str, Array],
    zone_id: str,
    level: str,
    heights: Sequence[tuple[float, float]],
) -> list[HeightAnswer]:
    """What the zone's heads would detect with one level's heads at each of these heights, the rest as it stands.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    floors : mapping of str to (n, k) array
        Of `floors_of`.
    zone_id, level : str
        The zone, and the level of its stack whose heads move.
    heights : sequence of (float, float)
        Transmitter and receiver height of each case, m above ground.
    """
    zone, ground = perimeter.zones[zone_id], perimeter.strip(zone_id)
    moving = replace(zone, pairs=tuple(p for p in zone.pairs if p.level == level))
    rest = replace(zone, pairs=tuple(p for p in zone.pairs if p.level != level))
    cases = [Case(moving.with_heights(level, *pair), ground, floor=True) for pair in heights]
    found = perimeter.responses([*cases, Case(rest, ground, floor=True)])
    still = found.pop()
    answers = []
    for pair, (one,) in zip(heights, found, strict=True):
        every = [one, *still]
        best = np.max([response.modulation for response in every], axis=0)
        own_floor = np.min([response.floor for response in every if response.floor is not None], axis=0)
        around = perimeter.dead_around({zone_id: dict(zip(perimeter.rules.targets, best, strict=True))})
        gap = gap_of(perimeter, zone_id, {**floors, zone_id: own_floor})
        answers.append(HeightAnswer(*pair, around.pop(zone_id), gap, opened_m(perimeter, around)))
    return answers
