"""The fence line cut into stretches of one verdict each, from the verdicts of its zones' stations."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from shapely import LineString, STRtree, get_coordinates, line_interpolate_point, line_locate_point
from shapely.ops import substring

from geotools.detection.chain import chain_vertices
from geotools.detection.verdicts import StationVerdicts
from geotools.plan.model import FenceChain

__all__ = ["Stretch", "fence_edges", "places_along", "run_back", "stretches"]

Floats = NDArray[np.float64]

#: Places of the fence that are kept apart, m.
_ALONG_FENCE_M = 0.25
#: Beams that run back this near beside each other leave no ground between them that they protect: one strip, m.
_NO_ROOM_M = 4.0
#: Cosine of the angle up to which beams count as running opposite ways (25 degrees), and places along one that are
#: looked at, shares of its length.
_OPPOSITE, _ALONG_ZONE = 0.906, (0.1, 0.3, 0.5, 0.7, 0.9)
#: A post this near to a fence's end stands at it, m.
_AT_END_M = 1.0


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
    edges = fence_edges(fence)
    places = places_along(chain, fence, (edges[:-1] + edges[1:]) / 2)
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


def fence_edges(fence: LineString) -> Floats:
    """Where the pieces of a fence line begin and end whose verdicts are kept apart, (n + 1,) m along it."""
    return np.linspace(0.0, fence.length, max(int(np.ceil(fence.length / _ALONG_FENCE_M)), 1) + 1)


def places_along(chain: FenceChain, fence: LineString, along_m: Floats) -> list[tuple[str | None, float]]:
    """Zone, and share of its own chainage, that answer for each place of the fence; None where no beam does."""
    if not chain.zones:
        return [(None, 0.0)] * along_m.size
    vertices = chain_vertices([zone.along_fence for zone in chain.zones], chain.closed)
    pieces = np.array([LineString(pair) for pair in pairwise(vertices)])
    points = line_interpolate_point(fence, along_m)
    _, nearest = STRtree(pieces).query_nearest(points, all_matches=False)
    on_chain = line_interpolate_point(pieces[nearest], line_locate_point(pieces[nearest], points))
    last, back = len(pieces) - 1, run_back(chain)
    found: list[tuple[str | None, float]] = []
    beyond_end: dict[int, list[tuple[int, float]]] = {}
    for place, (point, met, number) in enumerate(zip(points, on_chain, nearest.tolist(), strict=True)):
        zone = chain.zones[number]
        if zone.zone_id in back:
            found.append((None, 0.0))
            continue
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


def run_back(chain: FenceChain) -> list[str]:
    """Zones of a closed fence line beside which others run back the other way, with no ground between: they go there
    and back in place of round, and whoever crosses the fence beside them need not cross them to get in.
    """
    if not chain.closed:
        return []
    lines = np.array([zone.along_fence.line() for zone in chain.zones])
    run = np.diff(get_coordinates(lines).reshape(-1, 2, 2), axis=1)[:, 0]
    ways = run / np.hypot(*run.T)[:, None]
    points = line_interpolate_point(lines[:, None], np.array(_ALONG_ZONE), normalized=True)
    place, other = STRtree(lines).query(points.ravel(), predicate="dwithin", distance=np.nextafter(_NO_ROOM_M, 0.0))
    number = place // len(_ALONG_ZONE)
    opposite = np.einsum("ij,ij->i", ways[number], ways[other]) < -_OPPOSITE
    beside = np.zeros(points.size, dtype=bool)
    beside[place[opposite]] = True
    back = beside.reshape(points.shape).sum(axis=1) > len(_ALONG_ZONE) / 2
    return [zone.zone_id for zone, runs_back in zip(chain.zones, back, strict=True) if runs_back]
