"""All zones of one chain together: weakest crossings, dead spots with their causes, the detection floor."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geotools.beam.response import StripResponse
from geotools.beam.strip import HIGHEST_TOP_M
from geotools.corridor import BeamLine
from geotools.detection.cases import Case
from geotools.detection.causes import Suspect, causes
from geotools.detection.chains import Tile
from geotools.detection.crossing import Corridor, ThreatResult
from geotools.detection.patch import Patch
from geotools.detection.perimeter import Perimeter
from geotools.detection.spots import find_spots
from geotools.detection.standing_answers import StandingAnswers, StandingQuestions
from geotools.plan.model import DeadSpot, Zone

__all__ = ["Findings", "find", "joined_floor"]

Floats = NDArray[np.float64]
_AT_ONCE = 32


@dataclass(frozen=True)
class Findings:
    """What was found on one tile of a chain.

    Attributes
    ----------
    perimeter : Perimeter
        The perimeter that was solved.
    asked : list of str
        Zones that were examined.
    patches : dict of str to Patch
        Every zone's strip with its values.
    standing : dict of str to tuple of float
        Decibels of each beam of a zone.
    threats : dict of str to ThreatResult
        By threat, per zone of the tile in its order.
    spots : dict of (str, str) to list of (DeadSpot, str)
        By threat and zone in question, each spot with its cause.
    answers : dict of str to StandingAnswers
        What else was asked of the zones as they stand, by zone.
    """

    perimeter: Perimeter
    asked: list[str]
    patches: dict[str, Patch]
    standing: dict[str, tuple[float, ...]]
    threats: dict[str, ThreatResult]
    spots: dict[tuple[str, str], list[tuple[DeadSpot, str]]]
    answers: dict[str, StandingAnswers] = field(default_factory=dict)

    def place(self, zone_id: str) -> int:
        """A zone's place in the lists of the threats."""
        return self.perimeter.topology(zone_id)[1]

    def weakest(self, threat: str, zone_id: str) -> float:
        """Modulation of a zone's weakest crossing."""
        return self.threats[threat].weakest[self.place(zone_id)]


def find(
    perimeter: Perimeter,
    tile: Tile,
    progress: Callable[[int], None] = lambda done: None,
    questions: StandingQuestions | None = None,
) -> Findings:
    """Examine one tile.

    Parameters
    ----------
    perimeter : Perimeter
        With the tile's zones.
    tile : Tile
        The tile.
    progress : Callable
        Is given the number of zones solved so far.
    questions : StandingQuestions, optional
        What else is asked of its zones as they stand: of the same fields, which are solved once.
    """
    if questions is None:
        questions = StandingQuestions({}, {})
    standing, floors, found_of = _solve(perimeter, progress, questions)
    ids = list(perimeter.zones)
    patches = {
        zone_id: Patch(
            zone_id,
            perimeter.grids[zone_id],
            perimeter.levels(zone_id),
            np.array(list(perimeter.seen(zone_id).values())),
            joined_floor(perimeter, zone_id, floors),
        )
        for zone_id in ids
    }
    topology, _ = perimeter.topology(ids[0])
    corridor = Corridor(topology)
    drawn = set(tile.core)
    threats = {
        name: corridor.threat([patches[zone_id].best[number] for zone_id in ids], drawn)
        for number, name in enumerate(perimeter.rules.targets)
    }
    found = {
        (name, zone_id): find_spots(
            patches[zone_id],
            number,
            result.stations[place],
            result.steps[place],
            perimeter.rules.threshold,
        )
        for number, (name, result) in enumerate(threats.items())
        for place, zone_id in enumerate(ids)
        if place in drawn
    }
    spots, answers = _with_causes(perimeter, tile, found), questions.answers(perimeter, found_of)
    return Findings(perimeter, tile.asked, patches, standing, threats, spots, answers)


def _solve(
    perimeter: Perimeter, progress: Callable[[int], None], questions: StandingQuestions
) -> tuple[dict[str, tuple[float, ...]], dict[str, Floats], dict[tuple[str, str], list[StripResponse]]]:
    """Standing levels and own detection floor of every zone, and what heads give in each case of the questions.

    What a zone's heads give is kept by the perimeter.
    """
    standing: dict[str, tuple[float, ...]] = {}
    floors: dict[str, Floats] = {}
    found_of: dict[tuple[str, str], list[StripResponse]] = {}
    zones = list(perimeter.zones.values())
    for start in range(0, len(zones), _AT_ONCE):
        part = zones[start : start + _AT_ONCE]
        cases = [Case(zone, perimeter.strip(zone.zone_id), floor=True) for zone in part]
        names = {zone.zone_id for zone in part}
        more = {key: case for key, case in questions.cases.items() if key[0] in names}
        responses = perimeter.responses([*cases, *more.values()])
        found_of.update(zip(more, responses[len(cases) :], strict=True))
        for zone, found in zip(part, responses, strict=False):
            best = np.max([one.modulation for one in found], axis=0)
            perimeter.hold(zone.zone_id, dict(zip(perimeter.rules.targets, best, strict=True)))
            floors[zone.zone_id] = np.min([one.floor for one in found if one.floor is not None], axis=0)
            standing[zone.zone_id] = tuple(one.standing_level_db for one in found)
            progress(len(standing))
    return standing, floors, found_of


def joined_floor(perimeter: Perimeter, zone_id: str, floors: dict[str, Floats]) -> Floats:
    """A zone's detection floor with what its neighbours' beams add."""
    topology, place = perimeter.topology(zone_id)
    ids, ground = perimeter.in_chain(zone_id), perimeter.levels(zone_id).ravel()
    floor = floors[zone_id].ravel().copy()
    for link in topology.links(place):
        other = ids[link.other]
        # where no height alarms there is nothing to interpolate: the highest top looked at stands in
        there = link.look_up(np.minimum(floors[other], perimeter.levels(other) + HIGHEST_TOP_M))
        known = there < ground[link.nodes] + 0.99 * HIGHEST_TOP_M
        floor[link.nodes] = np.where(known, np.minimum(floor[link.nodes], there), floor[link.nodes])
    return np.asarray(floor.reshape(floors[zone_id].shape))


def _bends(zones: tuple[Zone, ...], closed: bool, place: int) -> tuple[float, float]:
    """Turn of the chain, degrees, at the transmitter and the receiver end of a zone; NaN where the chain ends."""

    def bend(a: BeamLine, b: BeamLine) -> float:
        return abs((b.azimuth_deg - a.azimuth_deg + 180.0) % 360.0 - 180.0)

    count, line = len(zones), zones[place].along_fence
    before = bend(zones[place - 1].along_fence, line) if place or closed else np.nan
    after = bend(line, zones[(place + 1) % count].along_fence) if place < count - 1 or closed else np.nan
    return (before, after) if zones[place].forward else (after, before)


def _with_causes(
    perimeter: Perimeter, tile: Tile, found: dict[tuple[str, str], list[DeadSpot]]
) -> dict[tuple[str, str], list[tuple[DeadSpot, str]]]:
    chain = tile.chain
    place = {zone.zone_id: number for number, zone in enumerate(chain.zones)}
    suspects = {
        (threat, zone_id): Suspect(
            zone_id,
            threat,
            tuple(spot.rows for spot in spots),
            _bends(chain.zones, chain.closed, place[zone_id]),
        )
        for (threat, zone_id), spots in found.items()
        if spots
    }
    named = dict(zip(suspects, causes(perimeter, list(suspects.values())), strict=True))
    return {key: list(zip(spots, named.get(key, []), strict=True)) for key, spots in found.items()}
