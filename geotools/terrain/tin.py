"""From scattered ground points to cells: thinning, triangulation, distances; arrays in, arrays out."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import Delaunay, QhullError, cKDTree

from geotools.corridor import Array


@dataclass(frozen=True)
class CellGrid:
    """Square cells: left and top edge, size, rows and columns, all in one unit."""

    left: float
    top: float
    cell: float
    rows: int
    columns: int

    @classmethod
    def over(cls, bounds: tuple[float, float, float, float], cell: float) -> CellGrid:
        """Whole cells, at multiples of the cell size, that cover (left, bottom, right, top)."""
        left, bottom, right, top = bounds
        c0, c1 = np.floor(left / cell), np.ceil(right / cell)
        r0, r1 = np.floor(bottom / cell), np.ceil(top / cell)
        return cls(c0 * cell, r1 * cell, cell, max(int(r1 - r0), 1), max(int(c1 - c0), 1))

    def edges(self, rows: slice, columns: slice) -> tuple[float, float, float, float]:
        """Left, bottom, right, top of a piece."""
        return (
            self.left + columns.start * self.cell,
            self.top - rows.stop * self.cell,
            self.left + columns.stop * self.cell,
            self.top - rows.start * self.cell,
        )

    def centres(self, rows: slice, columns: slice) -> tuple[Array, Array]:
        """x and y of cell centres of a piece, each (rows, columns)."""
        x = self.left + (np.arange(columns.start, columns.stop) + 0.5) * self.cell
        y = self.top - (np.arange(rows.start, rows.stop) + 0.5) * self.cell
        xs, ys = np.meshgrid(x, y)
        return xs, ys


def thin(chunks: Iterable[Array], grid: CellGrid) -> tuple[Array, npt.NDArray[np.int64]]:
    """One point a cell, the mean of those in it, in the order of the cells; and how many points each stands for.

    The noise of dense lidar is averaged within a cell, and triangulation never meets more points than cells.
    """
    parts: list[tuple[npt.NDArray[np.int64], Array]] = []
    held = 0
    for chunk in chunks:
        if not len(chunk):
            continue
        column = np.floor((chunk[:, 0] - grid.left) / grid.cell).astype(np.int64)
        row = np.floor((grid.top - chunk[:, 1]) / grid.cell).astype(np.int64)
        parts.append(_sums(row * grid.columns + column, np.column_stack([chunk, np.ones(len(chunk))])))
        held += len(parts[-1][0])
        if held > 4_000_000 and len(parts) > 1:
            parts = [_merge(parts)]
            held = len(parts[0][0])
    if not parts:
        return np.empty((0, 3)), np.empty(0, dtype=np.int64)
    _, sums = _merge(parts)
    return sums[:, :3] / sums[:, 3:], sums[:, 3].astype(np.int64)


def _merge(parts: list[tuple[npt.NDArray[np.int64], Array]]) -> tuple[npt.NDArray[np.int64], Array]:
    return _sums(np.concatenate([cells for cells, _ in parts]), np.concatenate([sums for _, sums in parts]))


def _sums(cells: npt.NDArray[np.int64], values: Array) -> tuple[npt.NDArray[np.int64], Array]:
    order = np.argsort(cells, kind="stable")
    cells = cells[order]
    first = np.flatnonzero(np.r_[True, np.diff(cells) > 0])
    return cells[first], np.add.reduceat(values[order], first, axis=0)


def interpolate(points: Array, x: Array, y: Array, reach: float) -> tuple[Array, Array]:
    """Heights on the Delaunay triangles of the points, and distances to them; NaN and inf farther than ``reach``.

    Parameters
    ----------
    points : (n, 3); ``x``, ``y`` : places, one shape.
    """
    heights, distance = np.full(x.size, np.nan), np.full(x.size, np.inf)
    if len(points):
        places = np.column_stack([x.ravel(), y.ravel()])
        distance = cKDTree(points[:, :2]).query(places, distance_upper_bound=reach)[0]
        near = np.isfinite(distance)
        if near.any() and len(points) >= 3:
            origin = points[:, :2].mean(axis=0)  # far from the origin of a map grid, triangulation loses digits
            places -= origin
            try:
                mesh = Delaunay(points[:, :2] - origin)
                # For a place beside all triangles, each of them would be looked through.
                hull = shapely.buffer(shapely.convex_hull(shapely.multipoints(mesh.points)), 1e-6)
                shapely.prepare(hull)
                near[near] = shapely.intersects_xy(hull, places[near])
                heights[near] = LinearNDInterpolator(mesh, points[:, 2])(places[near])
            except QhullError:
                pass  # all points on one line: there is no surface between them
    return heights.reshape(x.shape), distance.reshape(x.shape)


def on_faces(points: Array, faces: npt.NDArray[np.int64], grid: CellGrid) -> Array:
    """Heights at the cell centres on given triangles, NaN beside them; (rows, columns)."""
    heights = np.full((grid.rows, grid.columns), np.nan)
    column = (points[:, 0] - grid.left) / grid.cell - 0.5
    row = (grid.top - points[:, 1]) / grid.cell - 0.5
    for a, b, c in faces:
        cs, rs = column[[a, b, c]], row[[a, b, c]]
        c0, c1 = max(int(np.ceil(cs.min() - 1e-9)), 0), min(int(np.floor(cs.max() + 1e-9)), grid.columns - 1)
        r0, r1 = max(int(np.ceil(rs.min() - 1e-9)), 0), min(int(np.floor(rs.max() + 1e-9)), grid.rows - 1)
        double_area = (cs[1] - cs[0]) * (rs[2] - rs[0]) - (cs[2] - cs[0]) * (rs[1] - rs[0])
        if c1 < c0 or r1 < r0 or double_area == 0.0:
            continue
        cc, rr = np.meshgrid(np.arange(c0, c1 + 1), np.arange(r0, r1 + 1))
        w1 = ((cc - cs[0]) * (rs[2] - rs[0]) - (cs[2] - cs[0]) * (rr - rs[0])) / double_area
        w2 = ((cs[1] - cs[0]) * (rr - rs[0]) - (cc - cs[0]) * (rs[1] - rs[0])) / double_area
        w0 = 1.0 - w1 - w2
        inside = (w0 >= -1e-9) & (w1 >= -1e-9) & (w2 >= -1e-9)
        z = w0 * points[a, 2] + w1 * points[b, 2] + w2 * points[c, 2]
        heights[rr[inside], cc[inside]] = z[inside]
    return heights
