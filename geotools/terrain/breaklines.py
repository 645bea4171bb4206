"""Breaklines as edges of the triangles: where lines meet they share a vertex, and are split until nothing crosses them.

A piece whose closed circle over its own length (the diametral circle) holds no other point is an edge of every
Delaunay triangulation of the points, and of any part of them that holds both its ends: tiles then agree. So pieces are
split until that is so. Near a vertex where lines meet, splits stand at powers of two from it, or two lines at a sharp
angle would split each other for ever (J. Ruppert, J. Algorithms 18, 1995; J. R. Shewchuk, Comput. Geom. 22, 2002; from
memory). Vertices set on a line take their height from it, linear between its own vertices. Arrays in, arrays out; the
heights are in metres, the rest in map units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from geotools.corridor import Array
from geotools.errors import NumericInputError

__all__ = ["Conforming", "Network", "conforming", "network"]

Numbers = NDArray[np.intp]
MAX_PIECES = 2_000_000
#: Next to nothing, so that a point upon a piece's circle counts as in it: its edge could as well run the other way.
_EDGE = 1.0 + 1e-6


@dataclass(frozen=True)
class Network:
    """Lines with common vertices wherever they meet.

    vertices : (n, 3). pieces : (m, 2) numbers of vertices.
    disagreement : (n,) by how much the heights of lines that meet at a vertex differ; the vertex has their mean.
    """

    vertices: Array
    pieces: Numbers
    disagreement: Array


@dataclass(frozen=True)
class Conforming:
    """Lines whose pieces are edges of the triangulation.

    vertices : (n, 3). pieces : (m, 2) numbers of vertices.
    apart : (points,) false for points that lie upon a line, which replaces them.
    off_m : by how much those stand above the line, in the order of their numbers.
    stubborn : (k,) numbers of pieces that something lies too close to.
    """

    vertices: Array
    pieces: Numbers
    apart: NDArray[np.bool_]
    off_m: Array
    stubborn: Numbers


def network(lines: Sequence[Array], tolerance: float) -> Network:
    """Lines joined where they meet or cross.

    Parameters
    ----------
    lines : each (k, 3). tolerance : what lies closer is one place.
    """
    given = np.concatenate(lines)
    starts = np.cumsum([0, *map(len, lines)])
    first = np.setdiff1d(np.arange(len(given) - 1), starts[1:-1] - 1)
    origin = given[:, :2].mean(axis=0)
    given = given - [*origin, 0.0]
    vertices, place, apart = _merged(given, np.zeros(len(given)), tolerance)
    pieces = _distinct(place[np.column_stack([first, first + 1])])
    segment, along, vertex, height = _meetings(vertices, pieces, tolerance)
    new = vertex < 0
    vertex[new] = len(vertices) + np.arange(int(new.sum()))
    a, b = vertices[pieces[segment, 0]], vertices[pieces[segment, 1]]
    crossing = np.column_stack([(a + along[:, None] * (b - a))[new, :2], height[new]])
    # what each line says of the height where another stands on it; a crossing gets one vertex from either line
    said = (a + along[:, None] * (b - a))[~new]
    stood = vertices[vertex[~new]]
    everything = np.vstack([vertices, crossing])
    differ = np.concatenate([apart, np.zeros(len(crossing))])
    np.maximum.at(differ, vertex[~new], np.abs(said[:, 2] - stood[:, 2]))
    pieces = _cut(pieces, segment, along, vertex)
    vertices, place, apart = _merged(everything, differ, tolerance)
    vertices[:, :2] += origin
    return Network(vertices, _distinct(place[pieces]), apart)


def _merged(vertices: Array, differ: Array, tolerance: float) -> tuple[Array, Numbers, Array]:
    """Vertices of one place made one; the new number of each; the spread of heights, or what was known of it."""
    # Coincident vertices first: among many of them there would be too many pairs.
    _, coarse = np.unique(np.round(vertices[:, :2] / tolerance), axis=0, return_inverse=True)
    coarse = coarse.reshape(-1)
    count = np.bincount(coarse)
    middle = np.column_stack([np.bincount(coarse, vertices[:, k]) / count for k in range(2)])
    pairs = cKDTree(middle).query_pairs(tolerance, output_type="ndarray")
    joined = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(middle), len(middle)))
    place = connected_components(joined, directed=False)[1][coarse]
    count = np.bincount(place)
    low, high, known = np.full(len(count), np.inf), np.full(len(count), -np.inf), np.zeros(len(count))
    np.minimum.at(low, place, vertices[:, 2])
    np.maximum.at(high, place, vertices[:, 2])
    np.maximum.at(known, place, differ)
    mean = np.column_stack([np.bincount(place, vertices[:, k]) / count for k in range(3)])
    return mean, place.astype(np.intp), np.maximum(high - low, known)


def _distinct(pieces: Numbers) -> Numbers:
    """Pieces that have a length, each once."""
    pieces = np.sort(pieces[pieces[:, 0] != pieces[:, 1]], axis=1)
    return np.unique(pieces, axis=0) if len(pieces) else pieces


def _meetings(vertices: Array, pieces: Numbers, tolerance: float) -> tuple[Numbers, Array, Numbers, Array]:
    """Where a piece is to be cut: its number, the share of its length, the vertex there (-1: a new one), its height."""
    xy = vertices[:, :2]
    segments = shapely.linestrings(xy[pieces])
    i, j = shapely.STRtree(segments).query(segments, predicate="dwithin", distance=tolerance)
    i, j = i[i != j], j[i != j]
    start, way = xy[pieces[i, 0]], xy[pieces[i, 1]] - xy[pieces[i, 0]]
    squared = (way**2).sum(axis=1)
    found = []
    touched = np.zeros(len(i), dtype=bool)
    for end in range(2):
        corner = pieces[j, end]
        own = (corner == pieces[i, 0]) | (corner == pieces[i, 1])
        away = xy[corner] - start
        share = (away * way).sum(axis=1) / squared
        off = np.abs(_cross(way, away)) / np.sqrt(squared)
        on = ~own & (off <= tolerance) & (share > 0.0) & (share < 1.0)
        touched |= on | own
        found.append((i[on], share[on], corner[on], vertices[corner[on], 2]))
    # a vertex of i upon j keeps the two from crossing elsewhere
    lookup = i.astype(np.int64) * len(pieces) + j
    turned = j.astype(np.int64) * len(pieces) + i
    free = ~touched & ~np.isin(turned, lookup[touched])
    i, j = i[free], j[free]
    if len(i):
        start, way = start[free], way[free]
        other, across = xy[pieces[j, 0]], xy[pieces[j, 1]] - xy[pieces[j, 0]]
        turn = _cross(way, across)
        slanted = turn != 0.0
        safe = np.where(slanted, turn, 1.0)
        share = _cross(other - start, across) / safe
        across_share = _cross(other - start, way) / safe
        on = slanted & (share > 0.0) & (share < 1.0) & (across_share > 0.0) & (across_share < 1.0)
        i, share = i[on], share[on]
        z = vertices[pieces[i], 2]
        found.append((i, share, np.full(len(i), -1, dtype=np.intp), z[:, 0] + share * (z[:, 1] - z[:, 0])))
    segment, along, vertex, height = (np.concatenate(column) for column in zip(*found, strict=True))
    return segment, along, vertex, height


def _cross(a: Array, b: Array) -> Array:
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


def _cut(pieces: Numbers, segment: Numbers, along: Array, vertex: Numbers) -> Numbers:
    """Pieces cut at the vertices that stand on them."""
    m = np.arange(len(pieces))
    number = np.concatenate([m, segment, m])
    at = np.concatenate([np.zeros(len(m)), along, np.ones(len(m))])
    who = np.concatenate([pieces[:, 0], vertex, pieces[:, 1]])
    order = np.lexsort((at, number))
    number, who = number[order], who[order]
    same = number[1:] == number[:-1]
    return np.column_stack([who[:-1][same], who[1:][same]])


def conforming(net: Network, points: Array, *, longest: float, shortest: float, tolerance: float) -> Conforming:
    """Split the lines until every piece is an edge of the Delaunay triangulation of its vertices and the points.

    Parameters
    ----------
    points : (n, 3) measured elsewhere. longest : no piece stays longer. shortest : none is split below it.
    tolerance : a point closer to a line than this lies upon it, and gives way to it.

    NumericInputError where the lines would be split into more than ``MAX_PIECES``.
    """
    vertices, pieces = _split_evenly(net.vertices, net.pieces, longest)
    corners = len(net.vertices)
    apart, off = _points_on(vertices, pieces, points, tolerance)
    kept = points[apart]
    tree = cKDTree(kept[:, :2]) if len(kept) else None
    unsettled = np.ones(len(pieces), dtype=bool)
    while True:
        a, b = vertices[pieces[:, 0], :2], vertices[pieces[:, 1], :2]
        middle, radius = (a + b) / 2, np.hypot(*(b - a).T) / 2
        close = _vertex_within(vertices, pieces, middle, radius)
        if tree is not None and unsettled.any():
            unsettled[unsettled] = tree.query(middle[unsettled])[0] <= radius[unsettled] * _EDGE
            close |= unsettled
        split = close & (radius >= shortest)
        if not split.any():
            return Conforming(vertices, pieces, apart, off, np.flatnonzero(close))
        if len(pieces) + int(split.sum()) > MAX_PIECES:
            raise NumericInputError("breaklines run too close together", expected=f"at most {MAX_PIECES} pieces")
        new = _new_vertices(vertices, pieces[split], corners)
        numbers = len(vertices) + np.arange(len(new))
        halves = [np.column_stack([pieces[split, 0], numbers]), np.column_stack([numbers, pieces[split, 1]])]
        vertices = np.vstack([vertices, new])
        pieces = np.vstack([pieces[~split], *halves])
        unsettled = np.concatenate([unsettled[~split], np.ones(2 * len(new), dtype=bool)])


def _split_evenly(vertices: Array, pieces: Numbers, longest: float) -> tuple[Array, Numbers]:
    a, b = vertices[pieces[:, 0]], vertices[pieces[:, 1]]
    parts = np.maximum(np.ceil(np.hypot(*(b - a)[:, :2].T) / longest), 1.0)
    if parts.sum() > MAX_PIECES:
        raise NumericInputError("the breaklines are too long", expected=f"at most {MAX_PIECES} pieces")
    counts = parts.astype(np.intp)
    owner = np.repeat(np.arange(len(pieces)), counts - 1)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(counts - 1) - (counts - 1), counts - 1) + 1
    share = step / counts[owner]
    new = a[owner] + share[:, None] * (b - a)[owner]
    return np.vstack([vertices, new]), _cut(pieces, owner, share, len(vertices) + np.arange(len(new)))


def _points_on(vertices: Array, pieces: Numbers, points: Array, tolerance: float) -> tuple[NDArray[np.bool_], Array]:
    """Which points lie upon no line, and the height of the others above it."""
    apart = np.ones(len(points), dtype=bool)
    if not len(points) or not len(pieces):
        return apart, np.empty(0)
    a, b = vertices[pieces[:, 0]], vertices[pieces[:, 1]]
    middle, radius = (a + b)[:, :2] / 2, np.hypot(*(b - a)[:, :2].T) / 2
    near = cKDTree(points[:, :2]).query_ball_point(middle, radius + tolerance)
    piece = np.repeat(np.arange(len(pieces)), [len(found) for found in near])
    point = np.concatenate([np.asarray(found, dtype=np.intp) for found in near])
    way, away = (b - a)[piece], points[point] - a[piece]
    share = np.clip((way * away)[:, :2].sum(axis=1) / (way[:, :2] ** 2).sum(axis=1), 0.0, 1.0)
    rest = away - share[:, None] * way
    on = np.hypot(rest[:, 0], rest[:, 1]) <= tolerance
    apart[point[on]] = False
    _, once = np.unique(point[on], return_index=True)
    return apart, rest[on, 2][once]


def _vertex_within(vertices: Array, pieces: Numbers, middle: Array, radius: Array) -> NDArray[np.bool_]:
    """Whether a vertex other than its ends lies in a piece's circle."""
    if len(vertices) < 3:
        return np.zeros(len(pieces), dtype=bool)
    distance, who = cKDTree(vertices[:, :2]).query(middle, k=3)
    own = (who == pieces[:, :1]) | (who == pieces[:, 1:])
    return (~own & (distance <= radius[:, None] * _EDGE)).any(axis=1)


def _new_vertices(vertices: Array, pieces: Numbers, corners: int) -> Array:
    """Where pieces are split: half way, or at a power of two from an end that is a vertex of the lines themselves."""
    flip = (pieces[:, 0] >= corners) & (pieces[:, 1] < corners)
    a = vertices[np.where(flip, pieces[:, 1], pieces[:, 0])]
    b = vertices[np.where(flip, pieces[:, 0], pieces[:, 1])]
    length = np.hypot(*(b - a)[:, :2].T)
    shell = 2.0 ** np.round(np.log2(length / 2)) / length
    share = np.where(pieces.min(axis=1) < corners, shell, 0.5)
    return a + share[:, None] * (b - a)
