"""Crossings to walk: where, as what, which way, how fast, in which order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
from shapely import LineString, Point

from geotools.corridor import BeamLine
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.state import PlannedState
from geotools.engine.step import StepContext
from geotools.plan.model import Zone
from geotools.plan.schema import FENCE, VERDICTS
from geotools.steps.walktest.binding import Bindings
from geotools.steps.walktest.placing import EVEN, plan_crossings
from geotools.steps.walktest.reading import FILLED
from geotools.steps.walktest.results import plan_of

__all__ = ["crossing_line", "nearer_post", "outer_side", "planned_rows", "trials_by_zone"]

Row = dict[str, Any]
Flags = npt.NDArray[np.bool_]
Stretches = dict[tuple[str, str], list[LineString]]

#: Speeds to cross at, in turn, m/s; 0.15 to 5 m/s is the range of NRC Regulatory Guide 5.44 rev. 3 (1997, from memory).
_SPEEDS = {"walk": (0.5, 1.5), "run": (3.0, 5.0)}
_SLOW = (0.15, 0.30)
#: How far before and behind the strip a walker starts and stops, m.
_RUN_UP_M = 1.0


def outer_side(line: BeamLine, fence: gpd.GeoSeries, beams_inside: bool) -> float:
    """+1 where outside lies left of the beam line, -1 where it lies right: the fence stands there, or the other way."""
    middle = Point(*(float(v) for v in line.to_map(line.length / 2)))
    nearest = fence.iloc[int(np.argmin(fence.distance(middle).to_numpy()))]
    at = nearest.interpolate(nearest.project(middle))
    offset = float(line.from_map(at.x, at.y)[1])
    side = 1.0 if offset > 0 else -1.0
    return side if beams_inside else -side


def crossing_line(line: BeamLine, chainage_m: float, half_width_m: float, outer: float, inward: bool) -> LineString:
    """The way of somebody who crosses a zone at a chainage, with a run-up on both sides of the strip."""
    reach = outer * (half_width_m + _RUN_UP_M)
    x, y = line.to_map(chainage_m, [reach, -reach] if inward else [-reach, reach])
    return LineString(zip(x, y, strict=True))


def nearer_post(zone: Zone, chainage_m: float) -> tuple[str, float]:
    """The nearer post of a zone, and the distance from it towards the other, m."""
    far = zone.line.length - chainage_m
    if chainage_m <= far:
        return zone.post_id(zone.forward), chainage_m
    return zone.post_id(not zone.forward), far


def trials_by_zone(ctx: StepContext, perimeter: Perimeter) -> dict[str, int]:
    """Crossings of each threat in each zone: as many as the plan needs, in every zone or over the whole site.

    Over the whole site they are shared by the length along which the zones answer, one at least in each.
    """
    wanted = ctx.site.walktest
    needed = ctx.params["trials"] or plan_of(wanted).most
    if wanted.scope == "zone":
        return dict.fromkeys(perimeter.zones, needed)
    names = list(perimeter.zones)
    lengths = np.array([float(np.count_nonzero(perimeter.counted(z))) for z in names])
    share = needed * lengths / lengths.sum()
    counts = np.maximum(np.floor(share), 1).astype(int)
    for place in np.argsort(-(share - np.floor(share)), kind="stable"):
        if counts.sum() >= needed:
            break
        counts[place] += 1
    return dict(zip(names, counts.tolist(), strict=True))


def _unproven(ctx: StepContext, state: PlannedState) -> Stretches:
    """Stretches that gaps left unproven, by zone and threat; none where gaps has not run, or for another state."""
    if not ctx.workspace.has(VERDICTS) or state.proposes:
        return {}
    verdicts = ctx.read(VERDICTS)
    # a walk test changes verdicts: where to walk is for the model's own to say
    said = verdicts["verdict"].where(verdicts["basis"] != "walk_test", verdicts["model_verdict"])
    found: Stretches = {}
    for row in verdicts[said == "unproven"].itertuples():
        found.setdefault((row.zone_id, row.threat), []).append(row.geometry)
    return found


def _on_stretches(line: BeamLine, along: npt.NDArray[np.float64], stretches: Sequence[LineString]) -> Flags:
    """Places along a zone that lie on one of the stretches of fence, (n,)."""
    on = np.zeros(along.size, bool)
    for stretch in stretches:
        x, y = np.asarray(stretch.coords)[:, :2].T
        chainage, _ = line.from_map(x, y)
        on |= (along >= chainage.min() - 1e-6) & (along <= chainage.max() + 1e-6)
    return on


def planned_rows(ctx: StepContext, state: PlannedState) -> list[Row]:
    """Rows of the layer walk_test without prediction, in the order of zones, threats and numbers."""
    perimeter, fence = state.perimeter, ctx.read(FENCE).geometry
    lowest = state.beams.sort_values("tx_height_m").drop_duplicates("zone_id")
    heads = {b.zone_id: (b.tx_head_id, b.rx_head_id) for b in lowest.itertuples()}
    inside = ctx.site.layout.side != "outside"
    bindings, trials, unproven = Bindings(state), trials_by_zone(ctx, perimeter), _unproven(ctx, state)
    rows: list[Row] = []
    for done, (zone_id, zone) in enumerate(perimeter.zones.items()):
        ctx.progress(done, len(perimeter.zones), f"crossings of {zone_id}")
        outer = outer_side(zone.line, fence, inside)
        for row in _zone_rows(ctx, zone, perimeter, trials[zone_id], unproven):
            inward = row["direction"] == "inward"
            line = crossing_line(zone.line, row["chainage_m"], perimeter.rules.half_width_m, outer, inward)
            post, distance = nearer_post(zone, row["chainage_m"])
            near_sender = row["chainage_m"] <= zone.line.length / 2
            rows.append(
                {
                    **row,
                    "from_post": post,
                    "from_post_m": distance,
                    "face_head_id": heads[zone_id][0 if near_sender else 1],
                    "state": state.paper.kind,
                    **bindings.codes(zone_id, line),
                    "void": None,
                    **dict.fromkeys(FILLED),
                    "geometry": line,
                }
            )
    _set_order(rows)
    return rows


def _zone_rows(ctx: StepContext, zone: Zone, perimeter: Perimeter, trials: int, unproven: Stretches) -> list[Row]:
    zone_id, grid = zone.zone_id, perimeter.grids[zone.zone_id]
    # past the place where the next zone takes over nobody gets anywhere by crossing this line
    counted = perimeter.counted(zone_id)
    along = grid.chainage_m[counted]
    dead = perimeter.dead(zone_id)
    rows: list[Row] = []
    for threat, modulation in perimeter.straight_over(zone_id).items():
        weak = {
            "undetected": dead[threat][counted],
            "unproven": _on_stretches(zone.line, along, unproven.get((zone_id, threat), ())),
        }
        plan = plan_crossings(along, modulation[counted], trials, worst_share=ctx.params["worst_share"], stretches=weak)
        speeds = _SPEEDS.get(threat, _SLOW)
        for number, (i, reason) in enumerate(zip(plan.index, plan.reason, strict=True), start=1):
            rows.append(
                {
                    "crossing_id": f"{zone_id}-{threat}-{number:02d}",
                    "zone_id": zone_id,
                    "threat": threat,
                    "number": number,
                    "round": 2 if reason == EVEN else 1,
                    "chainage_m": float(along[i]),
                    "reason": str(reason),
                    # most crossings go the way an intruder goes; every third comes back out
                    "direction": "inward" if number % 3 != 0 else "outward",
                    "speed_m_s": speeds[(number - 1) % 2],
                }
            )
    return rows


def _set_order(rows: Sequence[Row]) -> None:
    """Order over the whole site: the worst places of every zone first, then even cover; along each zone and back.

    In each round the threats of a zone are walked one after the other, there and back, so that nobody walks twice
    past what is still to be crossed.
    """
    # looked up by name: a search through all zones for each row would grow with the square of the line
    zones = {name: k for k, name in enumerate(dict.fromkeys(row["zone_id"] for row in rows))}
    threats = {name: k for k, name in enumerate(dict.fromkeys(row["threat"] for row in rows))}

    def place(row: Mapping[str, Any]) -> tuple[float, ...]:
        turn = threats[row["threat"]]
        along = row["chainage_m"] if turn % 2 == 0 else -row["chainage_m"]
        worst = row["number"] if row["round"] == 1 else 0
        return row["round"], zones[row["zone_id"]], turn, worst, along

    for number, row in enumerate(sorted(rows, key=place), start=1):
        row["walk_order"] = number
