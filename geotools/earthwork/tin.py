"""The design surface as few triangles, breaklines and points to set out, the same in every file for the site.

Points are added where the surface and the triangles lie furthest apart until they agree at every cell of the works
(greedy insertion; Garland and Heckbert, "Fast polygonal approximation of terrains and height fields", 1995, from
memory). The limit of the works is split until each of its pieces has no other point in its circle: then it is part of
any Delaunay triangulation of the points, and whoever triangulates the points gets these triangles (Shewchuk,
"Delaunay refinement algorithms for triangular mesh generation", 2002, section 3, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import Delaunay, cKDTree
from shapely import MultiPolygon

from geotools.corridor import BeamLine
from geotools.earthwork.outlines import domain_of
from geotools.earthwork.works import MapUnits
from geotools.terrain.design import DesignSurface

__all__ = ["TOLERANCE_M", "DesignTin", "design_tin"]

Array = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

#: How far triangles and design surface may lie apart at the cells of the works, and what is aimed at: the difference is
#: for who reads with other roundings.
TOLERANCE_M = 0.01
_AIM_M = 0.008
#: Decimals of coordinates in files, in map units.
DECIMALS = 3
#: Points inside are moved by so much at most, m: four on one circle could be triangulated in two ways.
_SHIFT_M = 0.004
_ROUNDS = 200


@dataclass(frozen=True)
class DesignTin:
    """Triangles of the design surface.

    Parameters
    ----------
    points : (p, 3) array
        Easting, northing and level in map units, rounded as files have them; point number k is row k - 1.
    faces : (f, 3) array of int
        Rows of ``points``, counter-clockwise seen from above.
    zone : (f,) array of int
        Which of ``zones`` each face belongs to: the one whose line is nearest.
    zones : tuple of str
        Names of the zones.
    edge : (p,) array of bool
        Whether a point lies on the limit of the works, on ground that is left as it is.
    """

    points: Array
    faces: Whole
    zone: Whole
    zones: tuple[str, ...]
    edge: npt.NDArray[np.bool_]

    def of_zone(self, zone_id: str) -> Whole:
        """Faces of one zone, (k, 3)."""
        return self.faces[self.zone == self.zones.index(zone_id)]


class _Builder:
    """Points that have been taken so far, by their rounded place, and the rings of the limit as rows of them.

    ``first`` : which rings are the outer ones; those that follow each are its holes.
    """

    def __init__(self, surface: DesignSurface, units: MapUnits) -> None:
        self.surface, self.units = surface, units
        self._row: dict[tuple[float, float], int] = {}
        self._places: list[tuple[float, float]] = []
        self._z = np.empty(0)
        self._straight: set[tuple[int, int]] = set()
        self.rings: list[list[int]] = []
        self.first: list[int] = []

    def rounded(self, values: Array) -> Array:
        """Lengths as files have them, m."""
        return np.asarray(np.round(self.units.out(values), DECIMALS) * self.units.metres)

    def add(self, xy: Array) -> int:
        """Row of the point at a place, which may be new."""
        x, y = (float(v) for v in self.rounded(xy))
        found = self._row.setdefault((x, y), len(self._places))
        if found == len(self._places):
            self._places.append((x, y))
        return found

    @property
    def xy(self) -> Array:
        """Places of the points, m."""
        return np.array(self._places, float).reshape(-1, 2)

    @property
    def z(self) -> Array:
        """Levels of the points as files have them, m."""
        new = self.xy[len(self._z) :]
        if len(new):
            self._z = np.r_[self._z, self.rounded(self.levels(new))]
        return self._z

    def levels(self, xy: Array) -> Array:
        """Levels of the design, m."""
        return np.asarray(self.surface.sample(xy[..., 0], xy[..., 1]), float)

    def region(self) -> shapely.Geometry:
        """The ground within the rings as they are now."""
        xy, ends = self.xy, [*self.first[1:], len(self.rings)]
        parts = []
        for begin, end in zip(self.first, ends, strict=True):
            outer, *holes = (xy[ring] for ring in self.rings[begin:end])
            parts.append(shapely.Polygon(outer, holes))
        return shapely.union_all(parts)

    def split(self, aside: Array, spacing_m: float) -> bool:
        """Split pieces of the limit that are long, bent, or have another point in their circle; whether any was."""
        xy = self.xy
        pairs = [pair for ring in self.rings for pair in zip(ring, [*ring[1:], ring[0]], strict=True)]
        ends = np.array(pairs)
        a, b = xy[ends[:, 0]], xy[ends[:, 1]]
        length = np.hypot(*(b - a).T)
        away, _ = cKDTree(xy - aside).query((a + b) / 2 - aside, k=1)
        share = np.where((away < length / 2 - 1e-4) | (length > spacing_m), 0.5, np.nan)
        unseen = [k for k in np.flatnonzero(np.isnan(share)) if pairs[k] not in self._straight]
        for k, bend in zip(unseen, self._bends(ends[unseen]), strict=True):
            if np.isfinite(bend):
                share[k] = bend
            else:
                self._straight.add(pairs[k])
        at = {pair: a[k] + share[k] * (b[k] - a[k]) for k, pair in enumerate(pairs) if np.isfinite(share[k])}
        before = len(self._places)
        for number, ring in enumerate(self.rings):
            made: list[int] = []
            for row, following in zip(ring, [*ring[1:], ring[0]], strict=True):
                made.append(row)
                if (row, following) in at and (new := self.add(at[row, following])) not in (row, following):
                    made.append(new)
            self.rings[number] = made
        return len(self._places) > before

    def _bends(self, ends: Whole) -> Array:
        """Where between two points each the design leaves the straight line most, as a share; NaN where it does not."""
        if not len(ends):
            return np.empty(0)
        xy, z = self.xy, self.z
        a, b = xy[ends[:, :1]], xy[ends[:, 1:]]
        longest = float(np.hypot(*(b - a).T).max())
        at = np.linspace(0.0, 1.0, max(int(np.ceil(longest / (self.surface.cell_m / 2))), 2) + 1)[1:-1]
        straight = z[ends[:, :1]] * (1 - at) + z[ends[:, 1:]] * at
        off = np.abs(self.levels(a + at[:, None] * (b - a)) - straight)
        worst = off.argmax(axis=1)
        return np.where(off[np.arange(len(ends)), worst] > _AIM_M, at[worst], np.nan)


def design_tin(
    surface: DesignSurface,
    row: Whole,
    column: Whole,
    lines: Mapping[str, BeamLine],
    units: MapUnits | None = None,
    spacing_m: float = 5.0,
) -> DesignTin:
    """Triangles that lie within `TOLERANCE_M` of the design surface at every worked cell.

    Parameters
    ----------
    surface : DesignSurface
        The design.
    row, column : (n,) arrays of int
        Cells whose level is changed.
    lines : mapping of str to BeamLine
        Zones with works.
    units : MapUnits, optional
        What files count in, metres if not given.
    spacing_m : float
        Greatest distance of points along the limit of the works, m.
    """
    builder = _Builder(surface, units or MapUnits())
    domain = domain_of(surface, row, column)
    for part in domain.geoms:
        builder.first.append(len(builder.rings))
        for ring in (part.exterior, *part.interiors):
            builder.rings.append([builder.add(place) for place in np.asarray(ring.coords)[:-1]])
    cells = _cells_within(surface, domain, row, column)
    x, y = surface.centres(cells[:, 0], cells[:, 1])
    centre = np.stack([x, y], axis=1)
    target = builder.levels(centre)
    shift = _shifts(cells)
    aside = builder.xy.mean(axis=0).round(0)
    taken = np.zeros(len(cells), bool)
    for _ in range(_ROUNDS):
        changed = builder.split(aside, spacing_m)
        places = builder.xy - aside
        faces = _triangles(places)
        # a finder of its own: the triangulation's solves a system for each triangle, slowly where cores are busy
        (px, py), (cx, cy) = places.T, (centre - aside).T
        from matplotlib.tri import Triangulation  # takes long to load, and whoever lists the steps needs none

        found = np.asarray(Triangulation(px, py, faces).get_trifinder()(cx, cy), dtype=np.intp)
        away = np.abs(_interpolated(places[faces[found]], builder.z[faces[found]], centre - aside) - target)
        away[taken | (found < 0)] = 0.0
        order = np.lexsort((-away, found))
        first = order[np.r_[True, np.diff(found[order]) > 0]]
        worst = first[away[first] > _AIM_M]
        for k in worst:
            builder.add(centre[k] + shift[k])
        taken[worst] = True
        if not changed and not len(worst):
            break
    return _finished(builder, faces, lines)


def _cells_within(surface: DesignSurface, domain: MultiPolygon, row: Whole, column: Whole) -> Whole:
    """The worked cells and those beside them that lie inside the domain, (n, 2) rows and columns."""
    near = np.array([(r, c) for r in (-1, 0, 1) for c in (-1, 0, 1)])
    every = np.unique((np.stack([row, column], axis=1)[:, None] + near).reshape(-1, 2), axis=0)
    x, y = surface.centres(every[:, 0], every[:, 1])
    inner = shapely.buffer(domain, -0.1 * surface.cell_m)
    shapely.prepare(inner)
    known = np.isfinite(surface.sample(x, y))
    return every[shapely.contains_xy(inner, x, y) & known]


def _shifts(cells: Whole) -> Array:
    """For each cell a place near its centre that no regular grid has, m; the same for the same cell."""
    mixed = (cells[:, 0] * 73_856_093) ^ (cells[:, 1] * 19_349_663)
    steps = int(_SHIFT_M * 1000)
    both = np.stack([mixed // 7, mixed // 1009], axis=1) % (2 * steps + 1) - steps
    return np.asarray(both / 1000.0)


def _triangles(xy: Array) -> Whole:
    """Delaunay triangulation, counter-clockwise, without triangles that have no area, (f, 3)."""
    faces = Delaunay(xy).simplices.astype(np.int64)
    double = _double_area(xy[faces])
    faces = np.where((double < 0)[:, None], faces[:, [0, 2, 1]], faces)
    return faces[np.abs(double) > 1e-6]


def _double_area(corners: Array) -> Array:
    """Twice the area of triangles (n, 3, 2), positive where they turn left."""
    (ax, ay), (bx, by) = (corners[:, 1] - corners[:, 0]).T, (corners[:, 2] - corners[:, 0]).T
    return np.asarray(ax * by - ay * bx)


def _interpolated(corners: Array, z: Array, places: Array) -> Array:
    """Levels at places in triangles (n, 3, 2) with levels (n, 3) at their corners."""
    whole = _double_area(corners)
    parts = [_double_area(np.stack([places, corners[:, k], corners[:, (k + 1) % 3]], axis=1)) for k in (1, 2, 0)]
    return np.asarray(sum(part * z[:, k] for k, part in enumerate(parts)) / whole)


def _finished(builder: _Builder, faces: Whole, lines: Mapping[str, BeamLine]) -> DesignTin:
    """The triangles of the works, each with its zone."""
    xy = builder.xy
    domain = builder.region()
    middle = xy[faces].mean(axis=1)
    shapely.prepare(domain)
    faces = faces[shapely.contains_xy(domain, middle[:, 0], middle[:, 1])]
    middle = xy[faces].mean(axis=1)
    away = []
    for line in lines.values():
        along, off = line.from_map(middle[:, 0], middle[:, 1])
        away.append(np.hypot(off, np.maximum(np.maximum(-along, along - line.length), 0.0)))
    edge = np.zeros(len(xy), bool)
    edge[[row for ring in builder.rings for row in ring]] = True
    # faces in an order of their own, whatever the triangulation's
    turns = (np.arange(3) + faces.argmin(axis=1)[:, None]) % 3
    rolled = np.take_along_axis(faces, turns, axis=1)
    order = np.lexsort(rolled.T[::-1])
    points = np.round(builder.units.out(np.c_[xy, builder.z]), DECIMALS)
    return DesignTin(points, rolled[order], np.argmin(away, axis=0)[order], tuple(lines), edge)
