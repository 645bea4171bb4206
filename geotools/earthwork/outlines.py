"""Where the works end on the map: the limit on which design and existing ground meet, and outlines of some cells."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
import shapely
import shapely.geometry
from rasterio import Affine
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from shapely import MultiPolygon, Polygon

from geotools.io.grids import outline
from geotools.terrain.design import DesignSurface

__all__ = ["area_of", "domain_of"]

Whole = npt.NDArray[np.int64]

#: How far the limit may be drawn outwards to make it straight, in cells.
_STRAIGHTER = 0.75


def domain_of(surface: DesignSurface, row: Whole, column: Whole) -> MultiPolygon:
    """The ground on which the design differs from the terrain, with its notches filled so that its edges are straight.

    Levels are interpolated between the centres of cells, so a changed cell reaches to the centres of its neighbours; on
    the limit and beyond it the design is the terrain.

    Parameters
    ----------
    surface : DesignSurface
        The design.
    row, column : (n,) arrays of int
        Cells whose level is changed, at least one.
    """
    parts: list[Polygon] = []
    for r, c in _pieces(row, column):
        # one square between four centres, counted by the cell at its upper left
        squares = np.zeros((np.ptp(r) + 2, np.ptp(c) + 2), bool)
        for down in (0, 1):
            for right in (0, 1):
                squares[r - r.min() + down, c - c.min() + right] = True
        x, y = surface.centres(r.min() - 1, c.min() - 1)
        t = surface.transform
        for exact in outline(squares, Affine(t.a, 0.0, float(x), 0.0, t.e, float(y))).geoms:
            parts.append(_straightened(exact, _STRAIGHTER * surface.cell_m))
    whole = shapely.union_all(parts)
    return whole if isinstance(whole, MultiPolygon) else MultiPolygon([whole])


def _straightened(exact: Polygon, most: float) -> Polygon:
    """The polygon with notches no deeper than ``most`` filled: nothing of it is lost."""
    turned = shapely.geometry.polygon.orient(exact)
    rings = [_filled(np.asarray(ring.coords)[:-1, :2], most) for ring in (turned.exterior, *turned.interiors)]
    made = Polygon(rings[0], [hole for hole in rings[1:] if len(hole) > 2])
    return made if made.is_valid and made.buffer(1e-6).covers(exact) else exact


def _filled(ring: npt.NDArray[np.float64], most: float) -> npt.NDArray[np.float64]:
    """A ring, its ground to the left, without the vertices at the bottom of shallow notches."""
    kept = list(range(len(ring)))
    changed = True
    while changed and len(kept) > 3:
        changed = False
        k = 0
        while k < len(kept) and len(kept) > 3:
            before, after = kept[k - 1], kept[(k + 1) % len(kept)]
            a, b = ring[before], ring[after]
            span = (after - before) % len(ring)
            between = ring[(before + np.arange(1, span)) % len(ring)] - a
            length = float(np.hypot(*(b - a)))
            # distance to the left of the new edge: where all lies there, filling takes in ground and loses none
            left = ((b[0] - a[0]) * between[:, 1] - (b[1] - a[1]) * between[:, 0]) / max(length, 1e-9)
            if length > 0 and left.min() >= -1e-9 and left.max() <= most:
                del kept[k]
                changed = True
            else:
                k += 1
    return ring[kept]


def area_of(surface: DesignSurface, row: Whole, column: Whole) -> Iterator[Polygon]:
    """Outlines of cells, along their edges; where no cell is given, none."""
    for r, c in _pieces(row, column):
        mask = np.zeros((np.ptp(r) + 1, np.ptp(c) + 1), bool)
        mask[r - r.min(), c - c.min()] = True
        t = surface.transform
        yield from outline(mask, Affine(t.a, 0.0, t.c + c.min() * t.a, 0.0, t.e, t.f + r.min() * t.e)).geoms


def _pieces(row: Whole, column: Whole) -> Iterator[tuple[Whole, Whole]]:
    """Cells that lie together, at most one cell between them: works far apart need no grid that holds them all."""
    if not len(row):
        return
    cells = np.unique(np.stack([row, column], axis=1), axis=0)
    pairs = cKDTree(cells).query_pairs(2.5, p=np.inf, output_type="ndarray")
    joined = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(cells), len(cells)))
    count, piece = connected_components(joined, directed=False)
    for number in range(count):
        mine = cells[piece == number]
        yield mine[:, 0], mine[:, 1]
