"""What the answer hangs on: the survey, the settings, each beam's own level; as rows of the plan's layers."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from shapely import Point

from geotools.beam import rain_fade_db
from geotools.beam.standing import NULL_DB, leave_null
from geotools.detection.certainty import certainty_of, judge_zone
from geotools.detection.chains import Tile
from geotools.detection.findings import Findings
from geotools.detection.hidden import Hidden
from geotools.detection.perimeter import Perimeter
from geotools.detection.sensitivity import GRASS_M, costs, sensitivity
from geotools.detection.standing_answers import StandingQuestions
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import ZoneVerdicts, judge_stations
from geotools.engine.step import StepContext
from geotools.io.tables import csv_text
from geotools.plan import cautions, ids
from geotools.plan.schema import FENCE, HEADS
from geotools.site.surveyed import survey_quality
from geotools.steps.gaps.rows import Row
from geotools.steps.gaps.spoken import NOT_KNOWN
from geotools.terrain.quality import SurveyQuality

__all__ = [
    "Polarisations",
    "add_certainty",
    "beam_rows",
    "hidden_of",
    "judge_all",
    "polarisations",
    "questions_of",
    "resurvey_table",
    "sensitivity_rows",
    "unlocked_heights",
]


def hidden_of(ctx: StepContext) -> dict[str, Hidden]:
    """What the survey of each fence line may have missed; empty where that is left out."""
    dip = ctx.site.detection.dip_length_m
    if dip == 0.0 or "spacing" not in ctx.site.detection.uncertain:
        return {}
    found = {}
    for row in ctx.read(FENCE).to_dict("records"):
        if pd.isna(row.get("resolves_m")):  # a plan made before inspect wrote it
            quality = survey_quality(ctx.site, ctx.terrain, [row["geometry"]])
        else:
            quality = SurveyQuality(float(row["resolves_m"]), row["resolves_origin"])
        found[str(row["fence_id"])] = Hidden(quality, dip)
    return found


def add_certainty(
    found: Findings, spots: list[Row], unknowns: Unknowns, judged_zones: Mapping[str, ZoneVerdicts]
) -> list[Row]:
    """Put probability and certainty into the rows of dead spots; rows of the resurvey layer."""
    if unknowns.survey is None or unknowns.draws == 0:
        return []
    by_id = {row["spot_id"]: row for row in spots}
    perimeter = found.perimeter
    points: list[Row] = []
    for zone_id in found.asked:
        if judged_zones[zone_id].ample:
            continue
        names = list(perimeter.rules.targets)
        rows = {name: [s.rows for s, _ in found.spots[name, zone_id]] for name in names}
        judged = judge_zone(perimeter, zone_id, rows, unknowns, judged_zones[zone_id])
        for name in names:
            for number, chance in enumerate(judged.probability[name], start=1):
                by_id[ids.spot_id(zone_id, name, number)] |= {"probability": chance, "certainty": certainty_of(chance)}
        grid, level = perimeter.grids[zone_id], perimeter.levels(zone_id)
        for number, point in enumerate(judged.resurvey, start=1):
            x, y = (float(part) for part in grid.line.to_map(point.chainage_m))
            height = float(np.interp(point.chainage_m, grid.chainage_m, level[:, level.shape[1] // 2]))
            points.append(
                {
                    "point_id": ids.point_id(zone_id, "S", number),
                    "zone_id": zone_id,
                    "threat": point.threat,
                    "spot_id": None if point.spot is None else ids.spot_id(zone_id, point.threat, point.spot + 1),
                    "chainage_m": point.chainage_m,
                    "ground_m": height,
                    "explains": point.explains,
                    "geometry": Point(x, y, height),
                }
            )
    return points


def resurvey_table(points: list[Row], metres_a_unit: float, system: Mapping[str, str]) -> str:
    """The points to survey again as a CSV table for the field, with an empty column for the level measured.

    ``system`` : fields that name the coordinate system, its unit and the vertical datum.
    """
    rows = [
        {
            "point_id": row["point_id"],
            "x": row["geometry"].x / metres_a_unit,
            "y": row["geometry"].y / metres_a_unit,
            "model_m": round(row["ground_m"], 3),
            **system,
            "caution": f"{cautions.EXPOSURE} {cautions.SENSITIVE}",
        }
        for row in points
    ]
    return csv_text(["point_id", "x", "y", "model_m", "z", *system, "caution"], rows)


def questions_of(perimeter: Perimeter, tile: Tile, unknowns: Unknowns) -> StandingQuestions | None:
    """What is asked of the tile's zones as they stand beside who gets through; None where nothing is drawn."""
    if not unknowns.draws:
        return None
    return StandingQuestions.of(perimeter, tile.asked, unknowns, perimeter.rules.grass_m + GRASS_M)


def judge_all(
    found: Findings, unknowns: Unknowns, field: str
) -> tuple[dict[str, ZoneVerdicts], dict[str, NDArray[np.float64]]]:
    """Verdicts of every zone that was asked, and its modulation in the grass of the sensitivity, where it is solved."""
    judged = {
        zone_id: judge_stations(found.perimeter, zone_id, unknowns, field, found.answers.get(zone_id))
        for zone_id in found.asked
    }
    return judged, {z: one.in_grass for z, one in found.answers.items() if one.in_grass is not None}


def sensitivity_rows(
    found: Findings,
    unknowns: Unknowns,
    judged: Mapping[str, ZoneVerdicts],
    in_grass: Mapping[str, NDArray[np.float64]],
) -> list[Row]:
    """Rows of the sensitivity table: settings a little off, then what each source of what is not known costs."""
    moved = sensitivity(found.perimeter, found.asked, in_grass)
    as_set = {(m.zone_id, m.threat): m.dead_m for m in moved if m.change == "as set"}
    rows: list[Row] = [
        {
            "row_id": ids.of_threat(ids.of_threat(m.zone_id, m.threat), m.change.replace(",", "")),
            "zone_id": m.zone_id,
            "threat": m.threat,
            "change": m.change,
            "dead_m": m.dead_m,
            "more_m": m.dead_m - as_set[m.zone_id, m.threat],
        }
        for m in moved
    ]
    for zone_id in found.asked if unknowns.draws else ():
        for cost in costs(found.perimeter, zone_id, unknowns, judged[zone_id]):
            change = f"{NOT_KNOWN}{cost.source}"
            rows.append(
                {
                    "row_id": ids.of_threat(ids.of_threat(zone_id, cost.threat), change.replace(":", "")),
                    "zone_id": zone_id,
                    "threat": cost.threat,
                    "change": change,
                    "unproven_m": cost.unproven_m,
                }
            )
    return rows


class Polarisations(dict[tuple[str, str], str]):
    """Polarisation of the heads by zone and level."""

    def of(self, tile: Tile) -> dict[tuple[str, str], str]:
        """Those of one tile's zones."""
        zones = {zone.zone_id for zone in tile.chain.zones}
        return {key: turned for key, turned in self.items() if key[0] in zones}


def polarisations(ctx: StepContext) -> Polarisations:
    """Of all heads of the plan that have one."""
    found = Polarisations()
    if ctx.workspace.has(HEADS):
        for head in ctx.read(HEADS).itertuples():
            if isinstance(head.polarisation, str):
                found[head.zone_id, head.level] = head.polarisation
    return found


def unlocked_heights(rows: Iterable[Row], fixed: Collection[tuple[str, str]]) -> list[Row]:
    """Rows of beam_levels without the heights that would leave a null where heads are locked.

    rows : of beam_levels. fixed : zone and level of the pairs of heads that keep their heights.
    """
    none = dict.fromkeys(("clear_tx_height_m", "clear_rx_height_m", "clear_level_db"))
    return [{**row, **none} if (row["zone_id"], row["level"]) in fixed else row for row in rows]


def beam_rows(found: Findings, rain_mm_h: float, turned: Mapping[tuple[str, str], str]) -> list[Row]:
    """Rows of the beam_levels table: standing level, the way out of a null, loss in rain."""
    rows: list[Row] = []
    nulls = []
    for zone_id in found.asked:
        zone, strip = found.perimeter.zones[zone_id], found.perimeter.strip(zone_id)
        for pair, standing in zip(zone.pairs, found.standing[zone_id], strict=True):
            row: dict[str, Any] = {
                "beam_id": ids.beam_id(zone_id, pair.level),
                "zone_id": zone_id,
                "level": pair.level,
                "standing_level_db": standing,
                "in_null": standing < NULL_DB,
                "rain_fade_db": rain_fade_db(
                    pair.head_type.frequency_hz,
                    zone.line.length,
                    rain_mm_h,
                    polarisation=turned.get((zone_id, pair.level), "circular"),
                ),
            }
            rows.append(row)
            if row["in_null"]:
                nulls.append((row, strip.beam(pair.head_type, pair.tx_height_m, pair.rx_height_m)))
    for (row, _), escape in zip(nulls, leave_null([beam for _, beam in nulls]), strict=True):
        if escape is not None:
            row["clear_tx_height_m"] = escape.tx_height_m
            row["clear_rx_height_m"] = escape.rx_height_m
            row["clear_level_db"] = escape.standing_level_db
    return rows
