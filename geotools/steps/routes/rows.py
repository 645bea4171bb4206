"""Rows of the layers that routes writes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.site import Site
from geotools.steps.routes.ground import Crossed, TrenchGround, TrenchPrices
from geotools.steps.routes.loops import Loop
from geotools.steps.routes.network import CableNetwork
from geotools.steps.routes.supply import Voltages

__all__ = ["PostLoad", "add_voltages", "crossing_rows", "lost_heads", "route_rows", "supply_rows"]

Row = dict[str, Any]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class PostLoad:
    """A post: its zone, where it stands, m, and how many heads hang on it."""

    zone_id: str
    xy: Floats
    heads: int


def lost_heads(network: CableNetwork, posts: Mapping[str, PostLoad], loops: Sequence[Loop]) -> list[int]:
    """Heads lost when each branch is cut, with the loops laid."""
    spared = frozenset().union(*(loop.spares for loop in loops))
    heads = network.sums([posts[b.post].heads if b.post else 0 for b in network.branches])
    return [0 if k in spared else int(heads[k]) for k in range(len(network.branches))]


def route_rows(
    site: Site,
    ground: TrenchGround,
    prices: TrenchPrices,
    network: CableNetwork,
    cable_m: Sequence[float],
    posts: Mapping[str, PostLoad],
    loops: Sequence[Loop],
) -> list[Row]:
    """Rows of the layer routes, without voltages: branches first, then spare loops."""
    settings = site.routes
    laid = list(loops) if settings.spare_loops else []
    lines = [shapely.LineString(b.line) for b in network.branches] + [shapely.LineString(loop.line) for loop in loops]
    shapes = np.array(lines, object)
    length, under, drains, fences = ground.lengths(shapes)
    cost = ground.cost(shapes, prices)
    lost, looped = lost_heads(network, posts, laid), lost_heads(network, posts, loops)
    fed = network.fed()
    rows: list[Row] = []
    for k, line in enumerate(lines):
        loop = k >= len(network.branches)
        one_cable = float(length[k]) + 2 * settings.slack_m if loop else float(cable_m[k])
        row: Row = {
            "route_id": f"R{k + 1:03d}",
            "kind": "spare loop" if loop else "trench",
            "laid": settings.spare_loops if loop else True,
            "length_m": float(length[k]),
            "road_m": float(under[k]),
            "drains": int(drains[k]),
            "fences": int(fences[k]),
            "cable_m": one_cable * settings.cables,
            "conduit_m": float(length[k]) * settings.conduits,
            # the coils at posts and sources are cable without a trench
            "cost": float(cost[k]) + (one_cable - float(length[k])) * settings.cables * site.bill.cable_m,
            "geometry": line,
        }
        if not loop:
            branch = network.branches[k]
            zones = sorted({posts[post].zone_id for post in fed[k]}) if lost[k] else []
            row |= {
                "source_id": branch.source,
                "from_place": branch.start,
                "to_place": branch.end,
                "heads_lost": lost[k],
                "zones_lost": " ".join(zones) or None,
                "heads_lost_with_loops": looped[k],
            }
        rows.append(row)
    return rows


def add_voltages(rows: Sequence[Row], found: Voltages) -> None:
    """Put current, drop and voltage into the rows of the branches."""
    for row, current, drop, end in zip(rows, found.current, found.drop, found.end, strict=False):
        row |= {"current_a": float(current), "drop_v": float(drop), "voltage_v": float(end)}


def crossing_rows(rows: Sequence[Row], crossed: Sequence[Crossed]) -> list[Row]:
    """Rows of the layer route_crossings: one for each meeting of a branch with a thing."""
    found: list[Row] = []
    for row in rows:
        for one in crossed:
            met = row["geometry"].intersection(one.shape)
            for part in shapely.get_parts(met):
                number = sum(r["route_id"] == row["route_id"] for r in found) + 1
                if part.is_empty:
                    continue
                found.append(
                    {
                        "crossing_id": f"{row['route_id']}-X{number:02d}",
                        "route_id": row["route_id"],
                        "kind": one.kind,
                        "crossed": one.words,
                        "length_m": float(part.length) if part.length > 0 else None,
                        "geometry": part.interpolate(0.5, normalized=True) if part.length > 0 else part.centroid,
                    }
                )
    return found


def supply_rows(
    site: Site,
    network: CableNetwork,
    cable_m: Sequence[float],
    found: Voltages,
    posts: Mapping[str, PostLoad],
    sources: Mapping[str, Floats],
) -> list[Row]:
    """Rows of the layer supply: sources, then posts."""
    settings = site.routes
    at = {b.post: k for k, b in enumerate(network.branches) if b.post}
    rows: list[Row] = []
    for name, xy in sources.items():
        first = [k for k, b in enumerate(network.branches) if b.source == name and b.parent < 0]
        heads = sum(posts[post].heads for post, k in at.items() if network.branches[k].source == name)
        rows.append(
            {
                "place_id": name,
                "kind": "source",
                "source_id": name,
                "heads": heads,
                "power_w": heads * settings.head_w,
                "current_a": float(sum(found.current[k] for k in first)),
                "way_m": 0.0,
                "voltage_v": settings.voltage_v,
                "drop_share": 0.0,
                "geometry": shapely.Point(xy),
            }
        )
    for post, held in posts.items():
        row: Row = {"place_id": post, "kind": "post", "zone_id": held.zone_id, "heads": held.heads, "state": "no way"}
        row |= {"power_w": held.heads * settings.head_w, "geometry": shapely.Point(held.xy)}
        if post in at:
            k = at[post]
            drop = 1.0 - float(found.end[k]) / settings.voltage_v
            row |= {
                "source_id": network.branches[k].source,
                "current_a": held.heads * settings.head_w / float(found.end[k]),
                "way_m": float(sum(cable_m[j] for j in network.way(k))),
                "voltage_v": float(found.end[k]),
                "drop_share": drop,
                "state": "within" if drop <= settings.max_drop + 1e-12 else "beyond",
            }
        rows.append(row)
    return rows
