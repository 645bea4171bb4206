"""The line a layout follows (set back from one fence, or midway between two) and the candidate junctions about it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from geotools.errors import InfeasibleError, NumericInputError, place_words
from geotools.steps.layout.candidate_nodes import Candidates

__all__ = ["Candidates", "candidates", "crests", "midway_line", "setback_line"]

MITRE_LIMIT = 10.0


def setback_line(fence: LineString, setback_m: float, *, side: str = "inside", name: str = "") -> LineString:
    """The line at a set-back from a fence, corners mitred; it runs the way the fence runs.

    Parameters
    ----------
    fence : closed or open line, m.
    setback_m : distance from the fence, above zero.
    side : ``inside`` or ``outside`` of a closed fence, ``left`` or ``right`` seen along it.
    name : of the fence, for messages.

    Raises
    ------
    InfeasibleError : the ground beside the fence is too narrow for this set-back.
    """
    if not setback_m > 0:
        raise NumericInputError("the set-back is not above zero", found=setback_m, expected="metres")
    if side not in {"inside", "outside", "left", "right"}:
        raise NumericInputError("the side of the fence is unknown", found=side, expected="inside, outside, left, right")
    if not fence.is_closed:
        sign = 1.0 if side in {"inside", "left"} else -1.0
        moved = fence.offset_curve(sign * setback_m, join_style="mitre", mitre_limit=MITRE_LIMIT)
        parts = [part for part in shapely.get_parts(moved) if part.length > 0]
    else:
        ccw = bool(shapely.is_ccw(shapely.LinearRing(fence.coords)))
        inside = side == "inside" or (side in {"left", "right"} and (side == "left") == ccw)
        area = Polygon(fence).buffer(-setback_m if inside else setback_m, join_style="mitre", mitre_limit=MITRE_LIMIT)
        parts = [LineString(part.exterior) for part in shapely.get_parts(area) if not part.is_empty]
    if len(parts) != 1:
        raise InfeasibleError(
            "the set-back leaves no single line along the fence",
            where=f"fence line {name}" if name else None,
            found=f"{len(parts)} pieces at a set-back of {setback_m:g} m",
            expected="one line",
            mend="choose a smaller layout.setback_m, or split the fence line where it narrows",
        )
    line = parts[0]
    if fence.is_closed:
        if shapely.LinearRing(line.coords).is_ccw != shapely.LinearRing(fence.coords).is_ccw:
            line = line.reverse()
        line = _start_near(line, fence.coords[0])
    return line


def _start_near(ring: LineString, point: Sequence[float]) -> LineString:
    """The same closed line, started at its corner nearest to a point."""
    xy = shapely.get_coordinates(ring)[:-1]
    first = int(np.argmin(np.hypot(*(xy - np.asarray(point)[:2]).T)))
    xy = np.roll(xy, -first, axis=0)
    return LineString(np.vstack([xy, xy[:1]]))


def _halfway(points: NDArray, line: LineString, chainage: NDArray[np.float64]) -> NDArray[np.float64]:
    on_line = shapely.line_interpolate_point(line, chainage)
    return (shapely.get_coordinates(points) + shapely.get_coordinates(on_line)) / 2


def midway_line(fence: LineString, other: LineString, *, step_m: float = 1.0, tolerance_m: float = 0.05) -> LineString:
    """The line midway between two fences that need not be parallel; it runs the way the first one runs.

    Each point is halfway from a point of the first fence to the nearest point of the second, then points
    that lie within ``tolerance_m`` of a straight line are dropped.

    Raises
    ------
    InfeasibleError : the fences touch, or the line between them crosses itself.
    """
    if fence.is_closed != other.is_closed:
        raise NumericInputError("one fence is closed and the other is open", expected="two closed or two open lines")
    if fence.intersects(other):
        place = fence.intersection(other).representative_point()
        raise InfeasibleError(
            "the two fences touch: there is no clear zone between them",
            where=f"x {place.x:.1f}, y {place.y:.1f}",
            mend="draw the fences apart, or lay out one of them with a set-back",
        )
    at = shapely.points(shapely.get_coordinates(shapely.segmentize(fence, step_m)))
    across = shapely.line_locate_point(other, at)
    jump = np.diff(across)
    if other.is_closed:
        jump = (jump + other.length / 2) % other.length - other.length / 2
    middle = _halfway(at, other, across)
    # at a corner that points towards the other fence many of its points share one nearest point: go by the other's
    pieces, last = [], 0
    for k in np.flatnonzero(np.abs(jump) > 2 * step_m):
        between = across[k] + jump[k] * np.linspace(0, 1, int(np.abs(jump[k]) / step_m) + 2)[1:-1]
        from_other = shapely.line_interpolate_point(other, np.mod(between, other.length))
        pieces += [middle[last : k + 1], _halfway(from_other, fence, shapely.line_locate_point(fence, from_other))]
        last = int(k) + 1
    middle = np.vstack([*pieces, middle[last:]])
    keep = np.append(True, np.hypot(*np.diff(middle, axis=0).T) > 1e-6)
    line = LineString(middle[keep]).simplify(tolerance_m)
    if not line.is_simple:
        raise InfeasibleError(
            "the line midway between the two fences crosses itself",
            mend="check that the two fences run side by side all the way",
        )
    if line.is_closed:
        line = _start_near(line, middle[0])
    return line


def crests(
    chainage: ArrayLike, ground_m: ArrayLike, *, window_m: float = 40.0, rise_m: float = 0.1
) -> NDArray[np.float64]:
    """Chainages where the ground stands highest above the straight line across a window: where a split may pay.

    Parameters
    ----------
    chainage, ground_m : (n,) profile, m, rising chainage.
    window_m : the rise is measured above the chord from ``window_m / 2`` before to as much after.
    rise_m : least rise.
    """
    s, z = np.asarray(chainage, dtype=np.float64), np.asarray(ground_m, dtype=np.float64)
    half = window_m / 2
    rise = z - (np.interp(s - half, s, z) + np.interp(s + half, s, z)) / 2
    inner = (s >= s[0] + half) & (s <= s[-1] - half) & (rise >= rise_m)
    peak = np.zeros(s.size, dtype=bool)
    peak[1:-1] = (rise[1:-1] >= rise[:-2]) & (rise[1:-1] > rise[2:])
    found: list[float] = []
    for k in np.flatnonzero(inner & peak)[np.argsort(-rise[inner & peak], kind="stable")]:
        if all(abs(s[k] - other) >= half / 2 for other in found):
            found.append(float(s[k]))
    return np.sort(np.array(found))


def _corner_chainages(line: LineString, turn_deg: float) -> NDArray[np.float64]:
    xy = shapely.get_coordinates(line)
    legs = np.diff(xy, axis=0)
    at = np.append(0.0, np.cumsum(np.hypot(legs[:, 0], legs[:, 1])))
    heading = np.arctan2(legs[:, 1], legs[:, 0])
    if line.is_closed:
        turn = np.diff(np.append(heading[-1], heading))
        place = at[:-1]
    else:
        turn, place = np.diff(heading), at[1:-1]
    turn = np.abs((turn + np.pi) % (2 * np.pi) - np.pi)
    return place[turn >= np.radians(turn_deg)]


def _stations(length: float, fixed: NDArray[np.float64], step_m: float, *, closed: bool) -> NDArray[np.float64]:
    """Fixed stations, and evenly spaced ones between them."""
    ends = np.unique(np.round(np.concatenate([[0.0], fixed, [length]]), 3))
    ends = ends[np.append(True, np.diff(ends) > 0.01)]
    pieces = [
        np.linspace(a, b, max(1, int(np.ceil((b - a) / step_m - 1e-9))), endpoint=False)
        for a, b in itertools.pairwise(ends)
    ]
    stations = np.concatenate(pieces)
    return stations if closed else np.append(stations, length)


def _mitred_normals(line: LineString, chainage: NDArray[np.float64]) -> NDArray[np.float64]:
    """Vector to the left that carries a point onto the line's parallel at 1 m, corners mitred."""
    step = 1e-3
    length = line.length
    ahead, behind = chainage + step, chainage - step
    if line.is_closed:
        ahead, behind = np.mod(ahead, length), np.mod(behind, length)
    else:
        ahead, behind = np.minimum(ahead, length), np.maximum(behind, 0.0)
    at, fore, aft = (
        shapely.get_coordinates(shapely.line_interpolate_point(line, np.asarray(c))) for c in (chainage, ahead, behind)
    )

    def left(vector: NDArray[np.float64], fallback: NDArray[np.float64]) -> NDArray[np.float64]:
        size = np.hypot(vector[:, 0], vector[:, 1])
        usable = size > step / 2
        vector = np.where(usable[:, None], vector, fallback)
        size = np.hypot(vector[:, 0], vector[:, 1])
        return np.column_stack([-vector[:, 1], vector[:, 0]]) / np.maximum(size, 1e-12)[:, None]

    n1, n2 = left(at - aft, fore - at), left(fore - at, at - aft)
    cosine = np.sum(n1 * n2, axis=1)
    # a hairpin has no mitre: its parallel is limited to three times the offset
    return (n1 + n2) / np.maximum(1 + cosine, 2 / 9)[:, None]


def _to_nearest(
    chainage: NDArray[np.float64], places: NDArray[np.float64], round_m: float | None
) -> NDArray[np.float64]:
    """Way along the line to the nearest of some places in order; ``round_m`` : length of a closed line."""
    after = np.searchsorted(places, chainage)
    near = [places[np.maximum(after - 1, 0)], places[np.minimum(after, places.size - 1)]]
    gap = np.min([np.abs(chainage - place) for place in near], axis=0)
    if round_m is None:
        return gap
    far = np.maximum(np.abs(chainage - places[0]), np.abs(chainage - places[-1]))
    return np.minimum(gap, round_m - far)


@dataclass(frozen=True)
class PostOffsets:
    """Where beside a line posts may stand.

    Attributes
    ----------
    offsets_m : sequence of float
        Anywhere, m to the left.
    bend_offsets_m : sequence of float
        Near corners, and wherever the line itself leaves the usable ground, as well; m to the left.
    bend_reach_m : float
        How far from a corner counts as near it, m.
    """

    offsets_m: Sequence[float] = (0.0,)
    bend_offsets_m: Sequence[float] = ()
    bend_reach_m: float = 0.0


#: On the line itself and nowhere else.
ON_THE_LINE = PostOffsets()


def candidates(
    line: LineString,
    region: BaseGeometry,
    *,
    step_m: float,
    beside: PostOffsets = ON_THE_LINE,
    forced: Sequence[float] = (),
    wanted: Sequence[float] = (),
    corner_deg: float = 10.0,
) -> Candidates:
    """Candidate junctions: stations along a line (corners, crests, gates and evenly between), points beside each.

    Parameters
    ----------
    line : the line that the layout follows, m.
    region : ground that heads and beams may use.
    step_m : largest distance between stations.
    beside : where beside the line; points outside the region are left out.
    forced : chainages that every chain must have a junction at (the two sides of a gate).
    wanted : further chainages to offer (crests).
    corner_deg : a bend of at least this gets a station.

    Raises
    ------
    InfeasibleError : a forced chainage, or an end of an open line, has no point inside the region.
    """
    must = np.asarray(sorted(forced), dtype=np.float64)
    corners = _corner_chainages(line, corner_deg)
    fixed = np.concatenate([corners, must, np.asarray(wanted, dtype=np.float64)])
    s = _stations(line.length, np.clip(fixed, 0.0, line.length), step_m, closed=line.is_closed)
    is_forced = np.zeros(s.size, dtype=bool)
    for chainage in must:
        gap = np.abs(s - np.clip(chainage, 0.0, line.length))
        if line.is_closed:
            gap = np.minimum(gap, line.length - gap)
        is_forced[int(np.argmin(gap))] = True
    # the nearest to the line first, so that equal costs choose it
    side = np.array(sorted({*beside.offsets_m, *beside.bend_offsets_m}, key=lambda o: (abs(o), o)))
    usual = np.isin(side, np.asarray(beside.offsets_m, dtype=np.float64))
    at = shapely.get_coordinates(shapely.line_interpolate_point(line, s))
    xy = at[:, None, :] + side[None, :, None] * _mitred_normals(line, s)[:, None, :]
    flat = xy.reshape(-1, 2)
    back = shapely.line_locate_point(line, shapely.points(flat)).reshape(xy.shape[:2])
    drift = np.abs(back - s[:, None])
    if line.is_closed:
        drift = np.minimum(drift, line.length - drift)
    shapely.prepare(region)
    inside = shapely.contains_xy(region, flat[:, 0], flat[:, 1]).reshape(xy.shape[:2])
    # inside a bend the parallel is shorter than the line: points that belong to another chainage would run backwards
    offset_corner = np.abs(np.hypot(*(xy - at[:, None, :]).transpose(2, 0, 1)) - np.abs(side)[None, :]) > 1e-6
    bend = ~shapely.contains_xy(region, at[:, 0], at[:, 1])
    if corners.size:
        bend |= _to_nearest(s, np.sort(corners), line.length if line.is_closed else None) <= beside.bend_reach_m
    usable = inside & ((drift <= 0.25 * step_m) | offset_corner) & (usual[None, :] | bend[:, None])
    row, column = np.nonzero(usable)
    needed = is_forced.copy()
    if not line.is_closed:
        needed[[0, -1]] = True
    missing = np.flatnonzero(needed & ~usable.any(axis=1))
    if missing.size:
        k = missing[0]
        raise InfeasibleError(
            "a junction that must be there has no clear ground",
            where=f"{place_words(s[k])} (x {at[k, 0]:.1f}, y {at[k, 1]:.1f})",
            expected="a point inside the corridor, clear of fences and keep-outs",
            mend="widen the corridor there, move the gate's limits or the keep-out, or draw lines that meet as one",
        )
    _, station = np.unique(row, return_inverse=True)
    return Candidates(flat.reshape(xy.shape)[row, column], s[row], side[column], station, is_forced[row])
