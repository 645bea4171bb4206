"""Rows of the layers of a layout that are not about heads: broken rules, free widths, areas."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from shapely import LineString, MultiPolygon

from geotools.plan import ids
from geotools.plan.model import Zone
from geotools.steps.layout.checks import Conflict
from geotools.steps.layout.usable import Course
from geotools.steps.layout.width import FreeWidth

__all__ = ["areas", "conflict_rows", "junction_names", "width_rows"]

Row = dict[str, Any]


def junction_names(zones: Sequence[Zone], met: Sequence[bool]) -> list[tuple[str | None, str | None]]:
    """Names of the junctions at both ends of every zone; ``met`` : whether each zone meets the one after it."""
    count = len(zones)
    names: list[tuple[str | None, str | None]] = []
    for k in range(count):
        before = ids.junction_id(zones[k].fence_id, k or count) if met[k - 1] else None
        after = ids.junction_id(zones[k].fence_id, k + 1) if met[k] else None
        names.append((before, after))
    return names


def conflict_rows(conflicts: Sequence[Conflict]) -> list[Row]:
    """Rows of the broken rules; names are made of rule and place, so they stay from run to run."""
    rows, times = [], dict[str, int]()
    for conflict in conflicts:
        stem = f"{conflict.rule.replace(' ', '-')}/{conflict.zone_id.replace(' ', '+')}"
        times[stem] = times.get(stem, 0) + 1
        rows.append(
            {
                "conflict_id": stem if times[stem] == 1 else f"{stem}/{times[stem]}",
                "step": "layout",
                "rule": conflict.rule,
                "zone_id": conflict.zone_id,
                "head_ids": " ".join(conflict.heads),
                "found": conflict.found,
                "expected": conflict.expected,
                "mend": conflict.mend,
                "geometry": shapely.Point(conflict.at),
            }
        )
    return rows


def width_rows(course: Course, widths: FreeWidth, needed: float) -> list[Row]:
    """Rows of the free widths of a course, each a line from obstacle to obstacle; ``needed`` : width of the beam, m."""
    line = course.line
    at = shapely.get_coordinates(shapely.line_interpolate_point(line, widths.chainage))
    ahead = (
        np.mod(widths.chainage + 0.05, line.length)
        if line.is_closed
        else np.minimum(widths.chainage + 0.05, line.length)
    )
    behind = np.mod(widths.chainage - 0.05, line.length) if line.is_closed else np.maximum(widths.chainage - 0.05, 0.0)
    d = shapely.get_coordinates(shapely.line_interpolate_point(line, ahead)) - shapely.get_coordinates(
        shapely.line_interpolate_point(line, behind)
    )
    d /= np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)[:, None]
    left = np.column_stack([-d[:, 1], d[:, 0]])
    rows = []
    for k, s in enumerate(widths.chainage):
        total = float(widths.total[k])
        a, b = at[k] + widths.left[k] * left[k], at[k] - widths.right[k] * left[k]
        rows.append(
            {
                "width_id": f"{course.fence_id}-W{k + 1:04d}",
                "fence_id": course.fence_id,
                "chainage_m": float(s),
                "left_m": float(widths.left[k]),
                "right_m": float(widths.right[k]),
                "width_m": total,
                "needed_m": needed,
                "fits": "yes" if total >= needed else "no",
                "geometry": LineString([a, b] if total > 1e-6 else [a - 0.01 * left[k], a + 0.01 * left[k]]),
            }
        )
    return rows


def areas(shape: shapely.Geometry) -> MultiPolygon:
    """The polygons of a shape, as one geometry."""
    return MultiPolygon([part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"])
