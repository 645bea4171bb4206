"""A verdict for every station of a zone, and for every metre of fence.

``detected`` is earned: detected by the best estimate and in at least 95 % of the worlds that what is not known exactly
allows, under both of the receiver's laws. ``unproven`` is what is detected by the best estimate alone, ``undetected``
what a crossing without an alarm exists for, ``no_beam`` what no zone covers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, STRtree, line_interpolate_point, line_locate_point
from shapely.ops import substring

from geotools.beam.response import StripResponse
from geotools.detection.cases import Case
from geotools.detection.chain import chain_vertices
from geotools.detection.envelope import LevelRange, crossable_within, swept
from geotools.detection.hidden import DEEP_ENOUGH_M, hidden_depth, open_in_a_hidden_dip
from geotools.detection.perimeter import Perimeter
from geotools.detection.second_opinion import open_in_3d, rows_in_question
from geotools.detection.unknowns import Unknowns, drawn_modulation
from geotools.plan.model import FenceChain

__all__ = ["CONFIDENCE", "VERDICTS", "StationVerdicts", "Stretch", "ZoneVerdicts", "judge_stations", "stretches"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

VERDICTS = ("detected", "unproven", "undetected", "no_beam")
#: Share of the worlds in which a place must be detected.
CONFIDENCE = 0.95
#: Worlds that every zone is tried in; a zone that keeps this much over the threshold in all of them is tried no more.
_FIRST, _AMPLE = 8, 0.5
#: Places of the fence that are kept apart, m.
_ALONG_FENCE_M = 0.25
#: A post this near to a fence's end stands at it, m.
_AT_END_M = 1.0


@dataclass(frozen=True)
class StationVerdicts:
    """What is said of one zone and threat at each of its n chainages.

    Attributes
    ----------
    dead : (n,) bool
        Somebody crosses here by the best estimate.
    open_share : (n,) array
        Share of the worlds in which somebody crosses here.
    law : (n,) bool
        Somebody crosses here without moving the received level by as much as its threshold.
    known : bool
        Whether the survey's accuracy is stated, so that a share means anything.
    missed : (n,) bool
        Somebody crosses here if a dip lies here that the survey could have missed.
    missed_m : float
        How deep such a dip could be, m.
    beside : (n,) bool, or None
        Somebody crosses here by the field in three dimensions; None where that was not computed.
    answered : (n,) bool, or None
        Whether the ground of the zone and of what it meets here is known, so that anything may be said; None for all.
    """

    dead: Flags
    open_share: Floats
    law: Flags
    known: bool
    missed: Flags
    missed_m: float = 0.0
    beside: Flags | None = None
    answered: Flags | None = None

    @classmethod
    def unanswered(cls, count: int) -> StationVerdicts:
        """Of a zone whose ground is not known: nothing may be said of any of its stations."""
        none = np.zeros(count, bool)
        return cls(none, np.zeros(count), none, False, none, answered=none)

    def detected(self) -> Flags:
        """Stations that count as detected, (n,)."""
        sure = self.open_share <= 1.0 - CONFIDENCE
        agreed = True if self.beside is None else ~self.beside
        agreed = agreed if self.answered is None else agreed & self.answered
        return np.asarray(self.known & ~self.dead & ~self.missed & sure & ~self.law & agreed)

    def verdict(self, row: int) -> tuple[str, float | None, str]:
        """Verdict, confidence and cause at a station."""
        share = float(self.open_share[row])
        if self.answered is not None and not self.answered[row]:
            return "unproven", None, "no_ground"
        if self.dead[row]:
            return "undetected", max(share, 0.5) if self.known else None, ""
        if not self.known:
            return "unproven", None, "survey_unstated"
        if self.missed[row]:
            return "unproven", 1.0 - share, "survey_spacing"
        if share > 1.0 - CONFIDENCE:
            return "unproven", 1.0 - share, "not_known_exactly"
        if self.beside is not None and self.beside[row]:
            return "unproven", 1.0 - share, "field_3d"
        if self.law[row]:
            return "unproven", 1.0 - share, "receiver_law"
        return "detected", 1.0 - share, ""


@dataclass(frozen=True)
class Stretch:
    """A piece of fence with one verdict for one threat.

    from_m, to_m : along the fence line. zone_id : empty where no beam. cause : why it is no better. missed_m : depth of
    a dip that the survey could have missed here. in_3d : whether the field in three dimensions was solved too.
    """

    fence_id: str
    threat: str
    from_m: float
    to_m: float
    verdict: str
    zone_id: str
    cause: str
    confidence: float | None
    line: LineString
    missed_m: float = 0.0
    in_3d: bool = False


@dataclass(frozen=True)
class ZoneVerdicts:
    """Verdicts of one zone.

    Attributes
    ----------
    stations : dict of str to StationVerdicts
        By threat.
    worlds : list of mapping of str to (n, k) array
        Modulation of its own heads in the worlds that were drawn.
    dead_in : list of mapping of str to (n,) bool
        Stations that are crossed in each of them.
    ample : bool
        The first worlds left so much in hand that no more were drawn.
    """

    stations: dict[str, StationVerdicts]
    worlds: list[Mapping[str, Floats]]
    dead_in: list[Mapping[str, Flags]]
    ample: bool


def judge_stations(perimeter: Perimeter, zone_id: str, unknowns: Unknowns, field: str = "2d") -> ZoneVerdicts:
    """Verdicts of a zone's stations; neighbours as they stand.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    zone_id : str
        The zone.
    unknowns : Unknowns
        What is not known exactly.
    field : str
        Where the field in three dimensions is solved too: ``2d`` nowhere, ``3d`` everywhere, ``auto`` where the ground
        beside the beam may decide.
    """
    dead = perimeter.dead(zone_id)
    answered = ~perimeter.unanswered(zone_id) if perimeter.silent else None
    if unknowns.draws == 0:
        nothing = {
            t: StationVerdicts(f, np.zeros(f.size), np.zeros_like(f), False, np.zeros_like(f), answered=answered)
            for t, f in dead.items()
        }
        return ZoneVerdicts(nothing, [], [], ample=True)
    asked = rows_in_question(perimeter, zone_id, field)
    beside = open_in_3d(perimeter, zone_id, asked) if asked.any() else {}
    missed_m, missed = _missed(perimeter, zone_id, unknowns)
    owns = drawn_modulation(perimeter, zone_id, unknowns, range(min(_FIRST, unknowns.draws)))
    ample = not any(flags.any() for own in owns for flags in perimeter.dead(zone_id, own, headroom=_AMPLE).values())
    if not ample and unknowns.draws > _FIRST:
        owns += drawn_modulation(perimeter, zone_id, unknowns, range(_FIRST, unknowns.draws))
    tried: list[Mapping[str, Flags]] = [perimeter.dead(zone_id, own) for own in owns]
    law = {} if ample else _within_envelope(perimeter, zone_id, unknowns.envelope)
    stations = {
        threat: StationVerdicts(
            flags,
            np.mean([one[threat] for one in tried], axis=0),
            law.get(threat, np.zeros_like(flags)),
            unknowns.survey is not None,
            missed.get(threat, np.zeros_like(flags)),
            missed_m,
            beside.get(threat),
            answered,
        )
        for threat, flags in dead.items()
    }
    return ZoneVerdicts(stations, owns, tried, ample)


def _missed(perimeter: Perimeter, zone_id: str, unknowns: Unknowns) -> tuple[float, dict[str, Flags]]:
    """Depth of a dip that the survey could have missed, and the stations that are crossed in one, by threat."""
    depth = 0.0 if unknowns.hidden is None else hidden_depth(perimeter, zone_id, unknowns.hidden)
    return depth, open_in_a_hidden_dip(perimeter, zone_id, depth) if depth > DEEP_ENOUGH_M else {}


def _within_envelope(perimeter: Perimeter, zone_id: str, threshold: float | None) -> dict[str, Flags]:
    """Stations that are crossed without moving any receiver's level by the threshold, by threat."""
    if threshold is None:
        return {}
    grid = perimeter.grids[zone_id]
    case = Case(perimeter.zones[zone_id], perimeter.strip(zone_id), level=True)
    (found,) = perimeter.responses([case])
    cover = perimeter.cover(zone_id)
    answer = {}
    for number, threat in enumerate(perimeter.rules.targets):
        beams = [_range(one, number, grid.spacing_m) for one in found if one.level is not None]
        if not beams:
            continue
        # where a neighbour's beam detects, no way leads on
        free = cover[threat] < perimeter.rules.threshold
        over = partial(perimeter.crossed_over, zone_id, number)
        steppable = partial(perimeter.steppable, zone_id)
        answer[threat] = crossable_within(beams, threshold, over, open_nodes=free, steppable=steppable)
    return answer


def _range(one: StripResponse, number: int, spacing_m: tuple[float, float]) -> LevelRange:
    assert one.level is not None
    return swept(one.level[number], one.quiet_level, spacing_m)


def stretches(
    chain: FenceChain, fence: LineString, threats: Sequence[str], judged: Mapping[str, Mapping[str, StationVerdicts]]
) -> list[Stretch]:
    """The fence line cut into pieces of one verdict each, for every threat; their lengths add up to the fence.

    Parameters
    ----------
    chain : FenceChain
        Its zones with heads, in order.
    fence : LineString
        The fence line, m.
    threats : sequence of str
        In the site's order.
    judged : mapping of str to mapping of str to StationVerdicts
        By zone and threat.
    """
    edges = np.linspace(0.0, fence.length, max(int(np.ceil(fence.length / _ALONG_FENCE_M)), 1) + 1)
    places = _stations(chain, fence, (edges[:-1] + edges[1:]) / 2)
    found = []
    for threat in threats:
        said: list[tuple[str, float | None, str, str]] = []
        for zone_id, share in places:
            if zone_id is None:
                said.append(("no_beam", None, "no_beam", ""))
                continue
            stations = judged[zone_id][threat]
            said.append((*stations.verdict(int(np.rint(share * (stations.dead.size - 1)))), zone_id))
        made = _runs(chain.fence_id, threat, fence, edges, said)
        found += [_noted(one, judged[one.zone_id][threat]) if one.zone_id else one for one in made]
    return found


def _noted(one: Stretch, stations: StationVerdicts) -> Stretch:
    return replace(one, missed_m=stations.missed_m, in_3d=stations.beside is not None)


def _runs(
    fence_id: str, threat: str, fence: LineString, edges: Floats, said: Sequence[tuple[str, float | None, str, str]]
) -> list[Stretch]:
    keys = [(verdict, cause, zone_id) for verdict, _, cause, zone_id in said]
    cuts = [0, *(i for i in range(1, len(keys)) if keys[i] != keys[i - 1]), len(keys)]
    made = []
    for first, last in pairwise(cuts):
        verdict, cause, zone_id = keys[first]
        shares = [c for _, c, _, _ in said[first:last] if c is not None]
        a, b = float(edges[first]), float(edges[last])
        line = substring(fence, a, b)
        made.append(Stretch(fence_id, threat, a, b, verdict, zone_id, cause, min(shares, default=None), line))
    return made


def _stations(chain: FenceChain, fence: LineString, along_m: Floats) -> list[tuple[str | None, float]]:
    """Zone, and share of its own chainage, that answer for each place of the fence; None where no beam does."""
    if not chain.zones:
        return [(None, 0.0)] * along_m.size
    vertices = chain_vertices([zone.along_fence for zone in chain.zones], chain.closed)
    pieces = np.array([LineString(pair) for pair in pairwise(vertices)])
    points = line_interpolate_point(fence, along_m)
    _, nearest = STRtree(pieces).query_nearest(points, all_matches=False)
    on_chain = line_interpolate_point(pieces[nearest], line_locate_point(pieces[nearest], points))
    last = len(pieces) - 1
    found: list[tuple[str | None, float]] = []
    beyond_end: dict[int, list[tuple[int, float]]] = {}
    for place, (point, met, number) in enumerate(zip(points, on_chain, nearest.tolist(), strict=True)):
        zone = chain.zones[number]
        length = zone.line.length
        along, at = (float(zone.line.from_map(p.x, p.y)[0]) for p in (point, met))
        loose = not chain.closed and (
            (number == 0 and pieces[0].project(point) <= 0.0)
            or (number == last and pieces[last].project(point) >= pieces[last].length)
        )
        beyond = max(-at, at - length, *((-along, along - length) if loose else ()))
        covered = beyond <= 1e-6
        if loose and not covered:
            beyond_end.setdefault(number, []).append((place, beyond))
        found.append((zone.zone_id, float(np.clip(at / length, 0.0, 1.0))) if covered or loose else (None, 0.0))
    for ends in beyond_end.values():
        # a post a step inside its fence's end stands at it; fence that goes on has no beam
        if max(beyond for _, beyond in ends) > _AT_END_M:
            for place, _ in ends:
                found[place] = (None, 0.0)
    return found
