"""Surveyed points that are hardly ground: low and high noise, and places full of plants; named with their place.

Nothing is taken out: a well or a manhole is a hole, too. Whoever knows the place decides.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.spatial import cKDTree

from geotools.corridor import Array

Kind = Literal["low", "high", "rough"]

__all__ = ["OddPoints", "odd_point_words", "odd_points"]

#: Neighbours that a point is compared with; one of them may share its fate.
_NEIGHBOURS, _COMPANIONS = 10, 1
#: Below or above all of them by so much, and by more than they are away (1 in 1): no ground, m.
_OFF_M = 0.5
#: A plane through the neighbours leaves so much, root mean square: plants, rubble or roofs, m.
_ROUGH_M = 0.25
#: So many rough points side by side make a place of plants; fewer are edges.
_ROUGH_SHARE, _PLACE_M, _LEAST_ROUGH = 0.6, 4.0, 12
#: Points looked at in one go, and farther ones beside them that they are compared with.
_BAND, _HALO = 400_000, 20_000


@dataclass(frozen=True)
class OddPoints:
    """Points of one kind: how many, the one that stands out most (m in the plan's own directions), by how much, m."""

    kind: Kind
    count: int
    x: float
    y: float
    off_m: float


def odd_points(points: Array, metres_a_unit: float = 1.0) -> list[OddPoints]:
    """What of surveyed points is hardly ground, each kind once.

    Parameters
    ----------
    points : (n, 3) array
        Places in map units, heights in metres; sorted from south to north.
    metres_a_unit : float
        Of the map.
    """
    if len(points) <= _NEIGHBOURS:
        return []
    kinds: dict[Kind, list[Array]] = {"low": [], "high": [], "rough": []}
    for start in range(0, len(points), _BAND):
        first, last = max(start - _HALO, 0), min(start + _BAND + _HALO, len(points))
        near = points[first:last] * [metres_a_unit, metres_a_unit, 1.0]
        mine = slice(start - first, min(start + _BAND, len(points)) - first)
        for kind, found in _of_band(near, mine).items():
            kinds[kind].append(found)
    return [
        OddPoints(kind, len(rows), *(rows[np.abs(rows[:, 2]).argmax()] / [metres_a_unit, metres_a_unit, 1.0]).tolist())
        for kind, parts in kinds.items()
        if len(rows := np.concatenate(parts))
    ]


def _of_band(points: Array, mine: slice) -> dict[Kind, Array]:
    """Place and size of what stands out, (m, 3) each."""
    tree = cKDTree(points[:, :2])
    away, index = tree.query(points[mine, :2], k=min(_NEIGHBOURS + 1, len(points)))
    z, about = points[mine, 2], np.sort(points[index[:, 1:], 2], axis=1)
    reach = np.maximum(_OFF_M, np.median(away[:, 1:], axis=1))
    below, above = about[:, _COMPANIONS] - z, z - about[:, -1 - _COMPANIONS]
    xy = points[mine, :2]
    off: dict[Kind, np.ndarray] = {"low": below > reach, "high": above > reach}
    found: dict[Kind, Array] = {
        kind: np.column_stack([xy[flags], size[flags]])
        for (kind, flags), size in zip(off.items(), (below, above), strict=True)
    }
    rough = _off_plane(points, index, z) > _ROUGH_M
    crowded = np.empty((0, 3))
    if rough.sum() >= _LEAST_ROUGH:
        places = cKDTree(xy)
        asked = np.flatnonzero(rough)
        here = places.query_ball_point(xy[asked], _PLACE_M)
        share = np.array([rough[near].mean() if len(near) >= _LEAST_ROUGH else 0.0 for near in here])
        inside = asked[share > _ROUGH_SHARE]
        crowded = np.column_stack([xy[inside], above[inside]])
    return {**found, "rough": crowded}


def _off_plane(points: Array, index: np.ndarray, z: Array) -> Array:
    """What the plane through each point and its neighbours leaves of their heights, root mean square, (n,) m."""
    at = points[index]
    flat = at[..., :2] - at[..., :2].mean(axis=1, keepdims=True)
    height = at[..., 2] - at[..., 2].mean(axis=1, keepdims=True)
    square = np.einsum("nki,nkj->nij", flat, flat) + 1e-9 * np.eye(2)
    slope = np.linalg.solve(square, np.einsum("nki,nk->ni", flat, height)[..., None])[..., 0]
    return np.asarray(np.sqrt(np.mean((height - np.einsum("nki,ni->nk", flat, slope)) ** 2, axis=1)))


_WORDS = {
    "low": "{count} point(s) lie below all about them, at x {x:.1f}, y {y:.1f} by {off:.1f} m: low noise, a well or a "
    "manhole? Take out what is no ground",
    "high": "{count} point(s) stand above all about them, at x {x:.1f}, y {y:.1f} by {off:.1f} m: high noise, a post, "
    "a bird? Take out what is no ground",
    "rough": "{count} points lie in places without a surface, such as at x {x:.1f}, y {y:.1f}: plants, rubble or roofs "
    "among the ground? What is modelled there is not the ground",
}


def odd_point_words(found: list[OddPoints]) -> list[str]:
    """A sentence for each kind."""
    return [_WORDS[one.kind].format(count=one.count, x=one.x, y=one.y, off=one.off_m) for one in found]
