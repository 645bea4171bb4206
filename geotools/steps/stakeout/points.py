"""Posts as a survey instrument takes them: one row a post, a sidecar that says in which system, and check distances."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Literal

import numpy as np
from pyproj import CRS

from geotools.io.crs import metres_per_unit, unit_name
from geotools.io.tables import csv_text
from geotools.plan import cautions
from geotools.plan.paper_state import PaperState
from geotools.plan.point_sidecar import PointFile

__all__ = [
    "CHECKS",
    "CODE",
    "ORDERS",
    "POINTS",
    "SIDECAR",
    "Post",
    "checks_text",
    "points_text",
    "posts_of",
    "sidecar_text",
]

POINTS, SIDECAR, CHECKS = "stakeout_points.csv", "stakeout_points.txt", "stakeout_checks.csv"
#: Feature code of every point.
CODE = "POST"
Order = Literal["PNEZ", "PENZ"]
#: Columns in the order that controllers of satellite receivers take by default, and total stations (common practice,
#: no source; both kinds can be set to either).
ORDERS: dict[str, str] = {"PNEZ": "satellite receiver", "PENZ": "total station"}


@dataclass(frozen=True)
class Post:
    """One post to set out.

    Attributes
    ----------
    post_id, zone_id : str
        Its name, and the zone it belongs to.
    easting, northing : float
        In the plan's own map unit.
    x, y : float
        The same in metres.
    level_m : float
        Of the finished ground, m.
    scale : float
        Point scale factor of the projection there: grid distance over ground distance.
    """

    post_id: str
    zone_id: str
    easting: float
    northing: float
    x: float
    y: float
    level_m: float
    scale: float


def posts_of(rows: Sequence[Mapping[str, Any]], scale: Sequence[float]) -> list[Post]:
    """Posts in the order of their first head; ``rows`` : of the sheet, ``scale`` : point scale factor of each."""
    found: dict[str, Post] = {}
    for row, k in zip(rows, scale, strict=True):
        at = row["geometry"]
        post = Post(
            row["post_id"], row["zone_id"], row["easting"], row["northing"], at.x, at.y, row["finished_m"], float(k)
        )
        found.setdefault(post.post_id, post)
    return [found[name] for name in sorted(found)]


def points_text(posts: Sequence[Post], plan_crs: CRS, order: str) -> str:
    """P,N,E,Z,code or P,E,N,Z,code: coordinates and level of the finished ground in the plan's map unit, 3 decimals."""
    per_metre = 1.0 / metres_per_unit(plan_crs)
    rows = [
        {
            "P": post.post_id,
            "N": f"{post.northing:.3f}",
            "E": f"{post.easting:.3f}",
            "Z": f"{post.level_m * per_metre:.3f}",
            "code": CODE,
        }
        for post in posts
    ]
    return csv_text([*order, "code"], rows)


def checks_text(posts: Sequence[Post], plan_crs: CRS, paper: PaperState, closed: Collection[str]) -> str:
    """Distances to measure between posts that were set out: along each zone, and over to the next zone's posts.

    Grid distances are in the plan's map unit, ground distances in metres as a tape or a total station measures them
    without reduction, levels in metres. ``closed`` names the fence lines whose last zone meets the first.
    """
    by_fence: dict[str, dict[str, list[Post]]] = {}
    for post in posts:
        by_fence.setdefault(post.zone_id.rpartition("-Z")[0], {}).setdefault(post.zone_id, []).append(post)
    pairs = [
        (a, b, "along the zone") for zones in by_fence.values() for ends in zones.values() for a, b in pairwise(ends)
    ]
    for fence, zones in by_fence.items():
        ends = list(zones.values())
        if fence in closed and len(ends) > 2:
            ends.append(ends[0])
        for here, there in pairwise(ends):
            pairs.append((here[-1], there[0], "over the junction"))
            pairs.append((here[0], there[0], "first post to first post"))
    unit = metres_per_unit(plan_crs)
    rows = []
    for a, b, what in pairs:
        grid = float(np.hypot(b.x - a.x, b.y - a.y))
        rows.append(
            {
                "from_post": a.post_id,
                "to_post": b.post_id,
                "check": what,
                "grid_distance": f"{grid / unit:.3f}",
                "map_unit": unit_name(plan_crs),
                "ground_distance_m": f"{grid / (0.5 * (a.scale + b.scale)):.3f}",
                "level_difference_m": f"{b.level_m - a.level_m:.3f}",
                **paper.fields,
                "caution": cautions.SERVICES,
            }
        )
    return csv_text(list(rows[0]) if rows else ["from_post"], rows)


def sidecar_text(posts: Sequence[Post], plan_crs: CRS, datum: str, paper: PaperState, site: str, order: str) -> str:
    """What the points are, for whoever loads them: system, units, datum, state, order of the columns, cautions."""
    scale = float(np.mean([post.scale for post in posts])) if posts else 1.0
    columns = (
        f"{', '.join(order)}, code ({ORDERS[order]}): P post, N northing, E easting, Z level of the finished ground"
    )
    file = PointFile(POINTS, len(posts), columns, site, paper.words, plan_crs, datum)
    return file.sidecar(
        [
            f"point scale factor at the posts: {scale:.6f} on average; ground distance = grid distance / scale factor",
            f"code: {CODE} for every point; heads stand in stakeout.csv, distances to check in {CHECKS}",
        ],
        (
            cautions.SERVICES,
            "Measure two known points, and the distances of the check table, before anything is built.",
            cautions.EXPOSURE,
            cautions.SENSITIVE,
        ),
    )
