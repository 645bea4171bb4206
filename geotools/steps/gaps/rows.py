"""What was found, as rows of the plan's layers and as words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from shapely import LineString

from geotools.beam import Target
from geotools.beam.standing import NULL_DB
from geotools.beam.strip import HIGHEST_TOP_M
from geotools.detection.cases import Rules
from geotools.detection.findings import Findings
from geotools.engine.step import StepContext
from geotools.errors import counted
from geotools.plan import ids
from geotools.plan.grouped import rows_by
from geotools.plan.model import DeadSpot
from geotools.plan.schema.detection import CAUSES

__all__ = ["Row", "closing_table", "crossing_rows", "profile_rows", "spot_rows", "tell"]

Row = dict[str, Any]


def spot_rows(findings: Findings) -> list[Row]:
    """Rows of the dead_spots layer."""
    rows: list[Row] = []
    for target in findings.perimeter.rules.targets.values():
        for zone_id in findings.asked:
            spots = findings.spots[target.name, zone_id]
            for number, (spot, cause) in enumerate(spots, start=1):
                rows.append(
                    {
                        "spot_id": ids.spot_id(zone_id, target.name, number),
                        "zone_id": zone_id,
                        "threat": target.name,
                        "method": "wave",
                        "cause": cause,
                        "from_m": spot.from_m,
                        "to_m": spot.to_m,
                        "length_m": spot.to_m - spot.from_m,
                        "area_m2": spot.area.area,
                        **_space(target, spot),
                        "modulation": spot.modulation,
                        "geometry": spot.area,
                    }
                )
    return rows


def _space(target: Target, spot: DeadSpot) -> Row:
    """Crawl gap and by how much it exceeds the threat's height; nothing for a threat that passes above the ground."""
    if target.base_m > 0.0:
        return {"crawl_gap_m": None, "depth_m": None}
    return {"crawl_gap_m": spot.crawl_gap_m, "depth_m": max(spot.crawl_gap_m - target.top_m, 0.0)}


def profile_rows(findings: Findings) -> list[Row]:
    """Rows of the profiles table: a crossing straight over is stopped by the smallest gap it meets."""
    rows: list[Row] = []
    for zone_id in findings.asked:
        patch = findings.patches[zone_id]
        gap = np.minimum(patch.floor - patch.ground_m, HIGHEST_TOP_M).min(axis=1)
        ground = patch.ground_m[:, patch.ground_m.shape[1] // 2]
        for number, (chainage, level, space) in enumerate(zip(patch.grid.chainage_m, ground, gap, strict=True)):
            rows.append(
                {
                    "profile_id": f"{zone_id}-{number:04d}",
                    "zone_id": zone_id,
                    "chainage_m": float(chainage),
                    "ground_m": float(level),
                    "crawl_gap_m": float(space),
                }
            )
    return rows


def crossing_rows(
    findings: Findings, inside_left: bool, confident: Mapping[tuple[str, str], float | None]
) -> list[Row]:
    """Rows of the crossings layer, drawn from outside to inside.

    confident : modulation with the stated confidence, by zone and threat, where that is known.
    """
    rows: list[Row] = []
    rules = findings.perimeter.rules
    for name, result in findings.threats.items():
        for zone_id in findings.asked:
            place, line_of = findings.place(zone_id), findings.perimeter.zones[zone_id].line
            weakest, way = result.weakest[place], result.ways[place]
            if len(way) < 2 or not findings.perimeter.answered(zone_id):
                continue
            # ways come from the right of the chain to its left; the line is drawn from outside to inside
            line = LineString(way if inside_left else way[::-1])
            _, off = line_of.from_map(way[:, 0], way[:, 1])
            middle = way[int(np.argmin(np.abs(off)))]
            rows.append(
                {
                    "crossing_id": ids.of_threat(zone_id, name),
                    "zone_id": zone_id,
                    "threat": name,
                    "modulation": weakest,
                    "modulation_95": confident.get((zone_id, name)),
                    "outcome": "detected" if rules.alarms(weakest) else "undetected",
                    "chainage_m": float(line_of.from_map(*middle)[0]),
                    "length_m": line.length,
                    "geometry": line,
                }
            )
    return rows


def closing_table(rows: dict[str, list[Row]], zones: Mapping[str, float], rules: Rules) -> dict[str, Any]:
    """The table shown when a run ends: one line a zone. zones : length by zone, in order."""
    spots_of = rows_by(rows["dead_spots"], "zone_id")
    weakest = {(r["zone_id"], r["threat"]): r["modulation"] for r in rows["crossings"]}
    lines = []
    for zone_id, length in zones.items():
        cells: list[object] = [zone_id, f"{length:.1f}"]
        spots = spots_of.get(zone_id, [])
        for target in rules.targets.values():
            dead = sum(r["length_m"] for r in spots if r["threat"] == target.name)
            value = weakest.get((zone_id, target.name))
            if value is None and not dead:
                cells.append("no answer")
                continue
            shown = "-" if value is None else f"{value:.2f}"
            cells.append(f"{dead:.1f} m, {shown}" if dead else f"none, {shown}")
        gaps = [r["crawl_gap_m"] for r in spots if r["crawl_gap_m"] is not None]
        lines.append([*cells, f"{max(gaps):.2f}" if gaps else "-"])
    columns = ["zone", "length m", *(target.name for target in rules.targets.values()), "worst gap m"]
    title = (
        "undetected length by the best estimate, and modulation of the weakest crossing "
        f"(detection needs {rules.threshold:g})"
    )
    return {"title": title, "columns": columns, "rows": lines}


def tell(ctx: StepContext, rows: dict[str, list[Row]], rules: Rules, weakest: dict[str, float | None]) -> None:
    """Say the findings in words."""
    for target in rules.targets.values():
        spots = [r for r in rows["dead_spots"] if r["threat"] == target.name]
        value = weakest[target.name]
        if spots:
            longest = max(spots, key=lambda r: r["length_m"])
            ctx.say(
                f"{target.name}: {counted(len(spots), 'dead spot')}, {sum(r['length_m'] for r in spots):.1f} m; "
                f"the longest {longest['length_m']:.1f} m in {longest['zone_id']}, "
                f"{longest['from_m']:.1f} m from its transmitter ({CAUSES[longest['cause']]})"
            )
        elif value is not None:
            ctx.say(
                f"{target.name}: no dead spot by the best estimate; the weakest crossing meets modulation {value:.2f}"
            )
    nulls = [r["beam_id"] for r in rows["beam_levels"] if r["in_null"]]
    if nulls:
        ctx.warn(
            f"{counted(len(nulls), 'beam stands', 'beams stand')} below {NULL_DB:g} dB against free space, in a "
            f"two-ray null or grazing the ground: {', '.join(nulls[:6])}"
        )
