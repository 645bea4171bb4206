"""Free width of a corridor along a line, the width a beam needs, and where the one is less than the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

from geotools.beam.antenna import SPEED_OF_LIGHT
from geotools.beam.closed_form import fresnel_radius
from geotools.errors import NumericInputError

__all__ = [
    "FreeWidth",
    "NarrowStretch",
    "beam_half_width",
    "beam_outline",
    "free_width",
    "narrow_stretches",
    "unit_normals",
]


@dataclass(frozen=True)
class FreeWidth:
    """Free distance square to a line, all arrays of length n, metres.

    chainage : distance along the line.
    left, right : distance to the first obstacle on either side, at most the search distance.
    """

    chainage: NDArray[np.float64]
    left: NDArray[np.float64]
    right: NDArray[np.float64]

    @property
    def total(self) -> NDArray[np.float64]:
        """Left and right together, metres."""
        return self.left + self.right


@dataclass(frozen=True)
class NarrowStretch:
    """A stretch of corridor that is too narrow; chainages and widths in metres."""

    start: float
    end: float
    worst_at: float
    width: float
    needed: float


def beam_half_width(
    from_tx_m: ArrayLike,
    from_rx_m: ArrayLike,
    frequency_hz: float,
    *,
    zones: float = 1.0,
    margin_m: float = 0.0,
) -> NDArray[np.float64]:
    """Half of the width that must be clear of fences: ``zones`` times the first Fresnel radius, plus a margin.

    The radius is that of ITU-R P.530-18, 17.3 sqrt(d1 d2 / (f d)) (m, km, GHz).

    Parameters
    ----------
    from_tx_m, from_rx_m : distance along the beam from each head, m, zero or more (any shapes that broadcast).
    frequency_hz : carrier frequency, Hz.
    zones : first Fresnel radii to keep clear.
    margin_m : added everywhere, m.
    """
    d1, d2 = np.broadcast_arrays(np.asarray(from_tx_m, dtype=np.float64), np.asarray(from_rx_m, dtype=np.float64))
    if not frequency_hz > 0:
        raise NumericInputError("a frequency is not above zero", found=frequency_hz, expected="Hz")
    if np.any(d1 < 0) or np.any(d2 < 0):
        raise NumericInputError("a distance along a beam is below zero", expected="metres from either head")
    # at a beam without length the radius is 0, not 0 / 0
    radius = fresnel_radius(SPEED_OF_LIGHT / frequency_hz, d1, np.where(d1 + d2 > 0, d2, 1.0))
    return zones * radius + margin_m


def beam_outline(
    start: ArrayLike,
    end: ArrayLike,
    frequency_hz: float,
    *,
    zones: float = 1.0,
    margin_m: float = 0.0,
    points: int = 33,
) -> shapely.Polygon:
    """The strip a beam needs, as a polygon that holds the curve (its sides touch it from outside).

    Parameters
    ----------
    start, end : (2,) map coordinates of the heads, m.
    points : points along each side.
    """
    a, b = np.asarray(start, dtype=np.float64)[:2], np.asarray(end, dtype=np.float64)[:2]
    length = float(np.hypot(*(b - a)))
    if not length > 0:
        raise NumericInputError("a beam's two heads stand on one point", found=a, expected="two different points")
    # the curve is a stretched half circle: the corners of the polygon whose sides touch that circle
    step = np.pi / points
    turn = step * (np.arange(points) + 0.5)
    along = 0.5 * length * (1 - np.cos(turn) / np.cos(step / 2))
    widest = beam_half_width(0.5 * length, 0.5 * length, frequency_hz, zones=zones)
    half = widest * np.sin(turn) / np.cos(step / 2) + margin_m
    u = (b - a) / length
    v = np.array([-u[1], u[0]])
    axis = a + along[:, None] * u
    ring = np.vstack([axis + half[:, None] * v, (axis - half[:, None] * v)[::-1]])
    return shapely.Polygon(ring)


def unit_normals(line: shapely.LineString, chainage: NDArray[np.float64]) -> tuple[NDArray, NDArray]:
    """Points on the line, and the unit vector to the left there (at a bend: of the mean direction)."""
    step = min(0.01, line.length / 10)
    at = shapely.get_coordinates(shapely.line_interpolate_point(line, chainage))
    if line.is_closed:
        before, after = np.mod(chainage - step, line.length), np.mod(chainage + step, line.length)
    else:
        before, after = np.clip(chainage - step, 0, line.length), np.clip(chainage + step, 0, line.length)
    ahead = shapely.get_coordinates(shapely.line_interpolate_point(line, after))
    behind = shapely.get_coordinates(shapely.line_interpolate_point(line, before))
    direction = ahead - behind
    direction /= np.maximum(np.hypot(direction[:, 0], direction[:, 1]), 1e-12)[:, None]
    return at, np.column_stack([-direction[:, 1], direction[:, 0]])


def _edges_of(obstacles: Sequence[BaseGeometry]) -> tuple[NDArray, NDArray]:
    """All straight pieces of the obstacles' outlines, as start and end points (m, 2)."""
    starts, ends = [], []
    for part in shapely.get_parts(np.asarray(obstacles, dtype=object)):
        lines = shapely.get_parts(part.boundary) if part.geom_type == "Polygon" else [part]
        for line in lines:
            xy = shapely.get_coordinates(line)
            if len(xy) == 1:
                xy = np.repeat(xy, 2, axis=0)
            starts.append(xy[:-1])
            ends.append(xy[1:])
    if not starts:
        return np.empty((0, 2)), np.empty((0, 2))
    return np.vstack(starts), np.vstack(ends)


def _ray_hits(
    origin: NDArray, direction: NDArray, reach: float, pieces: tuple[NDArray, NDArray], tree: shapely.STRtree
) -> NDArray[np.float64]:
    starts, ends = pieces
    far = np.full(len(origin), float(reach))
    rays = shapely.linestrings(np.stack([origin, origin + reach * direction], axis=1))
    ray, piece = tree.query(rays, predicate="intersects")
    if ray.size == 0:
        return far
    p, u = origin[ray], direction[ray]
    a, along = starts[piece], ends[piece] - starts[piece]
    cross = u[:, 0] * along[:, 1] - u[:, 1] * along[:, 0]
    toward = a - p
    parallel = np.abs(cross) < 1e-12
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (toward[:, 0] * along[:, 1] - toward[:, 1] * along[:, 0]) / cross
    # a piece that lies along the ray: its nearer end
    nearer = np.minimum(np.sum(toward * u, axis=1), np.sum((ends[piece] - p) * u, axis=1))
    distance = np.where(parallel, nearer, distance)
    np.minimum.at(far, ray, np.clip(distance, 0.0, reach))
    return far


def free_width(
    line: shapely.LineString,
    obstacles: Sequence[BaseGeometry],
    chainage: ArrayLike,
    *,
    reach_m: float = 50.0,
) -> FreeWidth:
    """Distance from a line to the first obstacle on either side, square to the line.

    Parameters
    ----------
    line : the line that chainage is counted along, m.
    obstacles : fences, gates, buildings and other keep-outs: points, lines or polygons (their outlines count).
    chainage : (n,) where to look, m.
    reach_m : how far to look; nothing met counts as this distance.
    """
    s = np.atleast_1d(np.asarray(chainage, dtype=np.float64))
    if line.is_empty or not line.length > 0:
        raise NumericInputError("the corridor's line has no length", found=line.wkt[:80])
    starts, ends = _edges_of(obstacles)
    if not len(starts):
        return FreeWidth(s, np.full(s.size, reach_m), np.full(s.size, reach_m))
    at, left = unit_normals(line, s)
    tree = shapely.STRtree(shapely.linestrings(np.stack([starts, ends], axis=1)))
    return FreeWidth(
        s,
        _ray_hits(at, left, reach_m, (starts, ends), tree),
        _ray_hits(at, -left, reach_m, (starts, ends), tree),
    )


def narrow_stretches(chainage: ArrayLike, width: ArrayLike, needed: ArrayLike) -> list[NarrowStretch]:
    """The stretches where ``width`` is less than ``needed``, their ends interpolated between the chainages.

    Parameters
    ----------
    chainage, width, needed : (n,), m; ``needed`` may be one number.
    """
    s, free = np.asarray(chainage, dtype=np.float64), np.asarray(width, dtype=np.float64)
    want = np.broadcast_to(np.asarray(needed, dtype=np.float64), free.shape)
    spare = free - want
    short = spare < 0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], short, [False]]).astype(int)))
    found = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        last = after - 1
        worst = first + int(np.argmin(spare[first:after]))
        start, end = s[first], s[last]
        if first > 0:
            start = np.interp(0.0, [spare[first], spare[first - 1]], [s[first], s[first - 1]])
        if after < s.size:
            end = np.interp(0.0, [spare[last], spare[after]], [s[last], s[after]])
        found.append(NarrowStretch(float(start), float(end), float(s[worst]), float(free[worst]), float(want[worst])))
    return found
