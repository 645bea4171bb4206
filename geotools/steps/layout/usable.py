"""The ground that beams and posts may use, and the line they follow in it: beside one fence, or between two."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from geotools.plan.fence_checks import refuse_open
from geotools.plan.fence_pairs import fence_pairs
from geotools.steps.layout.lines import MITRE_LIMIT, midway_line, setback_line

__all__ = ["Course", "courses"]

#: Bends smaller than this are survey noise, not corners: a beam is far wider.
SMOOTHING_M = 0.25
_THIN_M = 0.05


@dataclass(frozen=True)
class Course:
    """One fence, or pair of fences, to lay out along; metres.

    fence_id : of the fence that is followed (the outer of two).
    fence : that fence. line : what the beams follow, running the fence's own way.
    ground : what beams and posts may use. obstacles : fences and keep-outs, for measuring free widths.
    inward : +1 where the protected ground is to the left of the line, else -1.
    no_posts : ground that beams may cross and no post may stand on; empty where there is none.
    """

    fence_id: str
    fence: LineString
    line: LineString
    ground: BaseGeometry
    obstacles: tuple[BaseGeometry, ...]
    inward: float
    no_posts: BaseGeometry = field(default_factory=Polygon)


def _lengthened(line: LineString, by_m: float) -> LineString:
    xy = shapely.get_coordinates(line)
    start, end = xy[0] - xy[1], xy[-1] - xy[-2]
    return LineString(
        np.vstack(
            [xy[0] + by_m * start / np.hypot(*start), xy[1:-1], xy[-1] + by_m * end / np.hypot(*end)]
            if len(xy) > 2
            else [xy[0] + by_m * start / np.hypot(*start), xy[-1] + by_m * end / np.hypot(*end)]
        )
    )


def _beside(fence: LineString, side: str, clear_m: float, end_m: float) -> tuple[BaseGeometry, float]:
    """The clear ground on one side of a fence, and the sign of that side (left is +1)."""
    joins = {"join_style": "mitre", "mitre_limit": MITRE_LIMIT}
    if fence.is_ring:
        area = Polygon(fence)
        ccw = shapely.is_ccw(shapely.LinearRing(fence.coords))
        inside = side == "inside" or ((side == "left") == bool(ccw) and side in ("left", "right"))
        moved = area.buffer(-clear_m if inside else clear_m, **joins)
        ground = area.difference(moved) if inside else moved.difference(area)
        return ground, 1.0 if inside == bool(ccw) else -1.0
    sign = 1.0 if side == "left" else -1.0
    return _lengthened(fence, end_m).buffer(sign * clear_m, single_sided=True, **joins), sign


def _between(outer: LineString, inner: LineString, end_m: float) -> tuple[BaseGeometry, float]:
    if outer.is_ring:
        ccw = shapely.is_ccw(shapely.LinearRing(outer.coords))
        return Polygon(outer).difference(Polygon(inner)), 1.0 if ccw else -1.0
    a, b = _lengthened(outer, end_m), _lengthened(inner, end_m)
    far, near = a.coords[-1], a.coords[0]
    if np.hypot(*np.subtract(b.coords[0], near)) > np.hypot(*np.subtract(b.coords[0], far)):
        b = b.reverse()
    ring = Polygon([*a.coords, *list(b.coords)[::-1]])
    return ring, 1.0 if shapely.is_ccw(shapely.LinearRing(ring.exterior.coords)) else -1.0


def courses(
    fences: Mapping[str, LineString],
    *,
    side: str,
    setback_m: float,
    clear_m: float,
    end_m: float = 2.0,
    keep_outs: Sequence[BaseGeometry] = (),
) -> list[Course]:
    """What is laid out along, one course a fence (or a pair of them), in the order of their names.

    Parameters
    ----------
    fences : lines by name, m. side : ``inside``, ``outside`` (closed fences), ``left``, ``right``, or ``between`` two.
    setback_m : from fence to beam line. clear_m : from fence to the edge of the clear ground.
    end_m : how far an open line's ground runs on past its ends, so that a post at the very end stands in it.
    keep_outs : buildings, tanks, roads...: polygons, lines or points that no beam may touch.

    Raises
    ------
    InfeasibleError : beams are to stand inside an open fence, a fence has no partner, or the set-back does not fit.
    """
    found = []
    blocks = [shape if shape.geom_type.endswith("Polygon") else shape.buffer(_THIN_M) for shape in keep_outs]
    if side == "between":
        for outer, inner in fence_pairs(fences):
            line = midway_line(fences[outer], fences[inner]).simplify(SMOOTHING_M)
            ground, inward = _between(fences[outer], fences[inner], end_m)
            found.append((outer, fences[outer], line, ground, inward, {outer, inner}))
    else:
        for name in sorted(fences):
            fence = fences[name]
            refuse_open(name, fence, side)
            ground, inward = _beside(fence, side, clear_m, end_m)
            line = setback_line(fence, setback_m, side=side, name=name).simplify(SMOOTHING_M)
            found.append((name, fence, line, ground, inward, {name}))
    result = []
    for name, fence, line, ground, inward, own in found:
        others = [other.buffer(_THIN_M) for key, other in fences.items() if key not in own]
        taken = [shape for shape in (*others, *blocks) if shape.intersects(ground)]
        free = ground.difference(shapely.union_all(taken)) if taken else ground
        # slivers that no post could stand in only slow the search down
        parts = [part for part in shapely.get_parts(free) if part.area > 1.0]
        near = tuple(fences[key] for key in sorted(fences)) + tuple(keep_outs)
        result.append(Course(name, fence, line, shapely.union_all(parts), near, inward))
    return result
