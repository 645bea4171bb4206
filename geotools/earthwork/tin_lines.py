"""Lines of a triangulated design: where a zone's surface ends, and the breaklines on which its slope changes."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geotools.earthwork.tin import DesignTin

__all__ = ["CREASE", "SurfaceLines", "surface_lines"]

Array = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

#: A change of slope from which an edge is a breakline, rise over run (common practice, no source).
CREASE = 0.05


@dataclass(frozen=True)
class SurfaceLines:
    """Lines of one zone's surface.

    Parameters
    ----------
    limits : list of (n, 3) arrays
        Closed rings around it, first point not repeated: easting, northing and level in map units.
    breaklines : list of (n, 3) arrays
        Where its slope changes.
    """

    limits: list[Array]
    breaklines: list[Array]


def surface_lines(tin: DesignTin, zone_id: str) -> SurfaceLines:
    """The lines of a zone's part of the design."""
    mine = tin.of_zone(zone_id)
    limits = [tin.points[ring] for ring in _rings(mine)]
    edges = _creases(tin, set(map(tuple, np.sort(_edges(mine), axis=1).tolist())))
    if not len(edges):
        return SurfaceLines(limits, [])
    merged = shapely.line_merge(shapely.multilinestrings(shapely.linestrings(tin.points[edges])))
    chains = [shapely.get_coordinates(part, include_z=True) for part in shapely.get_parts(merged)]
    chains = [chain if tuple(chain[0]) <= tuple(chain[-1]) else chain[::-1] for chain in chains]
    return SurfaceLines(limits, sorted(chains, key=lambda chain: (tuple(chain[0]), tuple(chain[1]))))


def _edges(faces: Whole) -> Whole:
    """Edges of faces with their direction, (3 f, 2)."""
    return np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])


def _rings(faces: Whole) -> list[list[int]]:
    """Edges that only one face has, joined to rings in the order of the faces' corners."""
    there = {(a, b) for a, b in _edges(faces).tolist()}
    leaving = defaultdict(list)
    for a, b in sorted(there):
        if (b, a) not in there:
            leaving[a].append(b)
    rings = []
    for start in sorted(leaving):
        while leaving[start]:
            ring, at = [start], leaving[start].pop()
            while at != start:
                ring.append(at)
                at = leaving[at].pop()
            rings.append(ring)
    return rings


def _creases(tin: DesignTin, among: set[tuple[int, int]]) -> Whole:
    """Those of some edges, lower row first, whose two faces differ in slope by `CREASE`, (n, 2)."""
    corner = tin.points[tin.faces]
    u, v = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    normal = np.cross(u, v)
    slope = -normal[:, :2] / normal[:, 2:]
    faces_at = defaultdict(list)
    for number, (a, b) in enumerate(np.sort(_edges(tin.faces), axis=1).tolist()):
        faces_at[a, b].append(number % len(tin.faces))
    found = [
        edge
        for edge in sorted(among)
        if len(faces_at[edge]) == 2 and np.hypot(*(slope[faces_at[edge][0]] - slope[faces_at[edge][1]])) > CREASE
    ]
    return np.array(found, np.int64).reshape(-1, 2)
