"""The line the beams follow: at a set-back from one fence, or midway between two."""

from __future__ import annotations

import numpy as np
from shapely import (
    LineString,
    MultiLineString,
    Point,
    Polygon,
    is_ccw,
    line_interpolate_point,
    shortest_line,
)
from shapely.geometry.base import BaseGeometry

from geotools.errors import InfeasibleError

_JOIN = {"join_style": "mitre", "mitre_limit": 5.0}
#: Vertices that bend the line by less than this are survey noise, not corners: a beam is far wider.
SMOOTHING_M = 0.25


def _only_line(found: BaseGeometry, fence_id: str, setback_m: float) -> LineString:
    parts = list(found.geoms) if isinstance(found, MultiLineString) else [found]
    parts = [part for part in parts if isinstance(part, LineString) and part.length > 0]
    if len(parts) != 1:
        raise InfeasibleError(
            "the set-back leaves no single line along the fence",
            where=f"fence line {fence_id}",
            found=f"{len(parts)} pieces at a set-back of {setback_m:g} m",
            expected="one line",
            mend="choose a smaller layout.setback_m, or split the fence line where it narrows",
        )
    return parts[0]


def _rotated_to(line: LineString, place: Point) -> LineString:
    """A closed line that begins at its vertex nearest to a place, so that numbering starts where the fence starts."""
    coords = np.asarray(line.coords)[:-1, :2]
    first = int(np.argmin(np.hypot(coords[:, 0] - place.x, coords[:, 1] - place.y)))
    ring = np.roll(coords, -first, axis=0)
    return LineString(np.vstack([ring, ring[:1]]))


def setback_line(fence: LineString, side: str, setback_m: float, fence_id: str) -> LineString:
    """The line at ``setback_m`` on that side of a fence, running the fence's own way.

    ``inside`` and ``outside`` need a closed fence, ``left`` and ``right`` are seen along it. InfeasibleError where the
    set-back swallows the area or breaks the line, or an open fence is asked for its inside.
    """
    if side in ("inside", "outside"):
        if not fence.is_ring:
            raise InfeasibleError(
                "an open fence line has no inside",
                where=f"fence line {fence_id}",
                found=f"layout.side = {side!r}",
                expected="left or right, seen along the line as it was drawn",
                mend="set layout.side, or close the line",
            )
        area = Polygon(fence)
        moved = area.buffer(-setback_m if side == "inside" else setback_m, **_JOIN)
        if moved.is_empty or moved.geom_type != "Polygon":
            raise InfeasibleError(
                "the set-back leaves no single line along the fence",
                where=f"fence line {fence_id}",
                found=f"{moved.geom_type} at a set-back of {setback_m:g} m",
                mend="choose a smaller layout.setback_m, or split the site where it narrows",
            )
        ring = LineString(moved.exterior.coords)
        if is_ccw(ring) != is_ccw(fence):
            ring = ring.reverse()
        return _rotated_to(ring, Point(fence.coords[0]))
    moved = fence.offset_curve(setback_m if side == "left" else -setback_m, **_JOIN)
    line = _only_line(moved, fence_id, setback_m)
    return _rotated_to(line, Point(fence.coords[0])) if fence.is_ring else line


def midway_line(fence: LineString, other: LineString, spacing_m: float = 1.0) -> LineString:
    """The line midway between two fences, point by point along the first."""
    count = max(int(np.ceil(fence.length / spacing_m)), 1) + 1
    stations = np.linspace(0.0, fence.length, count)
    bridges = shortest_line(line_interpolate_point(fence, stations), other)
    middles = [bridge.interpolate(0.5, normalized=True) for bridge in bridges]
    line = LineString([(p.x, p.y) for p in middles])
    if fence.is_ring:
        line = LineString([*list(line.coords)[:-1], line.coords[0]])
    return line


def smoothed(line: LineString) -> LineString:
    """The line without vertices that bend it less than a beam could notice."""
    return line.simplify(SMOOTHING_M)
