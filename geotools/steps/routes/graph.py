"""The graph of places between which a straight trench may run, with its price; shortest ways through it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from geotools.steps.routes.ground import TrenchGround, TrenchPrices

__all__ = ["Places", "RouteGraph", "build_graph"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
#: Places that each is joined to by a straight trench, the nearest: beyond them ways lead through others.
_NEIGHBOURS = 40
#: How far beside a road a trench turns, and from how far ways straight across a road are looked for, m.
_BESIDE_ROAD_M, _NEAR_ROAD_M = 0.1, 100.0
#: Prices of nothing would be no edge of a sparse matrix.
_LEAST = 1e-9


@dataclass(frozen=True)
class Places:
    """Places that trenches may join.

    Attributes
    ----------
    xy : (n, 2) array
        Where they are, m.
    names : tuple of str
        Source or post; empty for a bend or a joint.
    sources : int
        How many of them, the first ones, are source points.
    """

    xy: Floats
    names: tuple[str, ...]
    sources: int


@dataclass(frozen=True)
class RouteGraph:
    """Places and the straight trenches between them.

    Attributes
    ----------
    places : Places
        The nodes; all sources together count as one, node 0, in ``ends``.
    ends : (m, 2) array of int
        Places that each trench joins.
    cost : (m,) array
        Price of each.
    """

    places: Places
    ends: Ints
    cost: Floats

    def node(self, place: npt.ArrayLike) -> Ints:
        """Nodes of places: those of all sources are one."""
        return np.maximum(np.asarray(place, np.intp) - self.places.sources + 1, 0)

    @property
    def nodes(self) -> int:
        """How many nodes there are."""
        return len(self.places.xy) - self.places.sources + 1

    def without(self, kept: npt.NDArray[np.bool_]) -> RouteGraph:
        """The graph with some of its trenches alone."""
        return RouteGraph(self.places, self.ends[kept], self.cost[kept])

    def cheapest(self) -> dict[tuple[int, int], int]:
        """Trench between each two nodes, the cheapest where sources give several; both orders."""
        found: dict[tuple[int, int], int] = {}
        for k in np.argsort(self.cost, kind="stable"):
            a, b = (int(v) for v in self.node(self.ends[k]))
            if a != b and (a, b) not in found:
                found[a, b] = found[b, a] = int(k)
        return found

    def shortest(self, start: Sequence[int]) -> tuple[Floats, Ints]:
        """Least prices from nodes to all nodes, (k, nodes), inf where no way leads, and the node before on the way."""
        pairs = self.cheapest()
        one_way = {pair: k for pair, k in pairs.items() if pair[0] < pair[1]}
        row, column = (np.array([pair[i] for pair in one_way], np.intp) for i in (0, 1))
        cost = np.maximum(self.cost[list(one_way.values())], _LEAST)
        matrix = csr_matrix((cost, (row, column)), (self.nodes, self.nodes))
        away, before = dijkstra(matrix, directed=False, indices=list(start), return_predecessors=True)
        return np.asarray(away), np.asarray(before, np.intp)


def build_graph(
    ground: TrenchGround,
    prices: TrenchPrices,
    sources: Mapping[str, Floats],
    posts: Mapping[str, Floats],
    chords: Sequence[tuple[str, str]],
) -> RouteGraph:
    """All places that a trench may join, and the straight trenches on allowed ground between near ones.

    Parameters
    ----------
    ground : TrenchGround
        Where trenches may run.
    prices : TrenchPrices
        What they cost.
    sources, posts : mapping of str to (2,) array
        Source points, and where the trench passes each post, m.
    chords : sequence of (str, str)
        Posts of one zone: a trench from a source may join that between them where it meets it square.
    """
    named = {**sources, **posts}
    joints = [_foot(np.asarray(s), posts[a], posts[b]) for s in sources.values() for a, b in chords]
    corners = _corners(ground)
    extra = [np.asarray(p)[None] for p in joints if p is not None] + ([corners] if len(corners) else [])
    extra += [_across(ground, np.asarray(place)) for place in named.values()]
    xy = np.concatenate([np.array(list(named.values())).reshape(-1, 2), *extra])
    kept = np.ones(len(xy), bool)
    kept[len(named) :] = ground.inside(shapely.points(xy[len(named) :]))
    xy = xy[kept]
    places = Places(xy, (*named, *[""] * (len(xy) - len(named))), len(sources))
    ends = _pairs(xy, len(sources))
    lines = shapely.linestrings(xy[ends])
    free = ground.inside(lines)
    ends, lines = ends[free], lines[free]
    return RouteGraph(places, ends, ground.cost(lines, prices))


def _foot(source: Floats, a: Floats, b: Floats) -> Floats | None:
    along = b - a
    share = float((source - a) @ along / (along @ along)) if (along @ along) > 0 else 0.0
    return a + share * along if 0.0 < share < 1.0 else None


def _corners(ground: TrenchGround) -> Floats:
    """Corners of the allowed ground and of roads, about which a cheapest way may turn."""
    about = [one.shape.buffer(_BESIDE_ROAD_M, join_style="mitre") for one in ground.crossed if one.kind == "road"]
    found = [shapely.get_coordinates(shape) for shape in (ground.allowed, *about)]
    return np.unique(np.concatenate(found).round(3), axis=0).reshape(-1, 2)


def _across(ground: TrenchGround, place: Floats) -> Floats:
    """Places on both sides of each road, straight across from a place: beneath it the shortest way is the cheapest."""
    found: list[Floats] = []
    for one in ground.crossed:
        if one.kind != "road":
            continue
        near = shapely.get_coordinates(shapely.shortest_line(shapely.Point(place), one.shape))[1]
        away = float(np.hypot(*(near - place)))
        if not 1e-6 < away <= _NEAR_ROAD_M:
            continue
        ahead = (near - place) / away
        under = one.shape.intersection(shapely.LineString([near, near + _NEAR_ROAD_M * ahead]))
        met = shapely.get_coordinates(under)
        if len(met):
            beyond = np.sort((met - near) @ ahead)
            far = near + (beyond[1] if len(beyond) > 1 else beyond[0]) * ahead
            found += [near - _BESIDE_ROAD_M * ahead, far + _BESIDE_ROAD_M * ahead]
    return np.array(found).reshape(-1, 2)


def _pairs(xy: Floats, sources: int) -> Ints:
    """Near places two by two; sources with all."""
    count = len(xy)
    _, near = cKDTree(xy).query(xy, k=min(_NEIGHBOURS + 1, count))
    near = np.asarray(near).reshape(count, -1)
    first = np.repeat(np.arange(count), near.shape[1])
    pairs = [np.column_stack([first, near.ravel()])]
    for s in range(sources):
        pairs.append(np.column_stack([np.full(count, s), np.arange(count)]))
    every = np.sort(np.concatenate(pairs), axis=1)
    every = np.unique(every, axis=0)
    apart = np.hypot(*(xy[every[:, 0]] - xy[every[:, 1]]).T) > 1e-6
    return every[apart].astype(np.intp)
