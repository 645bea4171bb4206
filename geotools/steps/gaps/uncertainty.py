"""What the answer hangs on: the survey, the settings, each beam's own level; as rows of the plan's layers."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from shapely import Point

from geotools.beam import rain_fade_db
from geotools.beam.standing import NULL_DB, leave_null
from geotools.detection.accuracy import PER_95, Accuracy, estimate, read_check_points
from geotools.detection.certainty import ZoneDoubt, certainty_of, in_doubt, judge_zone
from geotools.detection.findings import Findings
from geotools.detection.sensitivity import sensitivity
from geotools.detection.solve import Question
from geotools.detection.work import FenceWork, Tile
from geotools.engine.step import StepContext
from geotools.io.crs import metres_per_unit
from geotools.io.files import local_file
from geotools.plan.schema import HEADS
from geotools.steps.gaps.rows import Row

__all__ = ["Polarisations", "accuracy_of", "add_certainty", "beam_rows", "polarisations", "sensitivity_rows"]


def accuracy_of(ctx: StepContext) -> Accuracy | None:
    """Accuracy of the terrain: from check points if there are any, else as stated; None where nothing is known."""
    given, stated = ctx.site.survey, ctx.site.input.vertical_accuracy_m
    if not ctx.params["doubts"] or given.draws == 0:
        return None
    if given.check_points is not None:
        points = read_check_points(Path(local_file(ctx.site.path(given.check_points), "file of check points")))
        points[:, :2] *= metres_per_unit(ctx.workspace.plan_crs)
        model = ctx.terrain.sample(points[:, 0], points[:, 1])
        found = estimate(points, model, given.correlation_m)
        ctx.say(
            f"{found.points} check points: model {found.bias_m * 100:+.1f} cm off on the whole, RMSEz "
            f"{found.rmse_m * 100:.1f} cm, errors go together over {found.correlation_m:.1f} m"
        )
        return found
    if stated is None:
        ctx.warn(
            "no vertical accuracy is stated and no check points are given: how certain a dead spot is cannot be told; "
            "set input.vertical_accuracy_m or survey.check_points"
        )
        return None
    return Accuracy(stated / PER_95, correlation_m=given.correlation_m)


def _others(found: Findings, place: int) -> NDArray[np.float64]:
    """What neighbours' beams give in a zone, (threats, n, k); 0 where its own give as much or more."""
    own, both = found.patches[place].best, found.best[place]
    return np.where(both > own, both, 0.0)


def _owned(found: Findings, place: int) -> NDArray[np.bool_]:
    """Stations of a zone where the chain of beam lines runs along it, (n,)."""
    result = next(iter(found.threats.values()))
    return result.steps[place][:, 0] >= 0


def add_certainty(
    work: FenceWork,
    found: Findings,
    question: Question,
    accuracy: Accuracy | None,
    spots: list[Row],
    draws: int,
    seed: int,
) -> list[Row]:
    """Put probability and certainty into the rows of dead spots; rows of the resurvey layer."""
    if accuracy is None:
        return []
    by_id = {row["spot_id"]: row for row in spots}
    points: list[Row] = []
    for place in work.core:
        zone = work.zones[place]
        names = [
            target.name
            for target in question.targets
            if in_doubt([found.threats[target.name].weakest[place]], question.threshold)
        ]
        if not names:
            continue
        others = _others(found, place)
        held = {t.name: others[i] for i, t in enumerate(question.targets) if t.name in names}
        rows = {name: tuple((s.first, s.last) for s, _ in found.spots[name][place]) for name in names}
        doubt = ZoneDoubt(zone, zone.number, _owned(found, place), held, rows)
        judged = judge_zone(doubt, question, accuracy, draws, seed)
        for name in names:
            for number, chance in enumerate(judged.probability[name], start=1):
                row = by_id[_spot_id(zone.zone_id, name, number)]
                row |= {"probability": chance, "certainty": certainty_of(chance)}
        middle = zone.strip.offset_m.size // 2
        for number, point in enumerate(judged.resurvey, start=1):
            x, y = (float(part) for part in zone.line.to_map(point.chainage_m))
            level = float(np.interp(point.chainage_m, zone.strip.chainage_m, zone.strip.ground_m[:, middle]))
            points.append(
                {
                    "point_id": f"{zone.zone_id}-S{number:02d}",
                    "zone_id": zone.zone_id,
                    "threat": point.threat,
                    "spot_id": None if point.spot is None else _spot_id(zone.zone_id, point.threat, point.spot + 1),
                    "chainage_m": point.chainage_m,
                    "ground_m": level,
                    "explains": point.explains,
                    "geometry": Point(x, y, level),
                }
            )
    return points


def _spot_id(zone_id: str, threat: str, number: int) -> str:
    return f"{zone_id}-{threat.replace(' ', '_')}-{number:02d}"


def sensitivity_rows(work: FenceWork, found: Findings, question: Question) -> list[Row]:
    """Rows of the sensitivity table."""
    zones = [work.zones[place] for place in work.core]
    others = [_others(found, place) for place in work.core]
    moved = sensitivity(zones, others, [_owned(found, place) for place in work.core], question)
    as_set = {(m.place, m.threat): m.dead_m for m in moved if m.change == "as set"}
    return [
        {
            "row_id": f"{zones[m.place].zone_id}-{m.threat}-{m.change}".replace(" ", "_").replace(",", ""),
            "zone_id": zones[m.place].zone_id,
            "threat": m.threat,
            "change": m.change,
            "dead_m": m.dead_m,
            "more_m": m.dead_m - as_set[m.place, m.threat],
        }
        for m in moved
    ]


class Polarisations(dict[tuple[str, str], str]):
    """Polarisation of the heads by zone and level."""

    def of(self, tile: Tile) -> dict[tuple[str, str], str]:
        """Those of one tile's zones."""
        zones = {zone.setup.zone_id for zone in tile.plan.zones}
        return {key: turned for key, turned in self.items() if key[0] in zones}


def polarisations(ctx: StepContext) -> Polarisations:
    """Of all heads of the plan that have one."""
    found = Polarisations()
    if ctx.workspace.has(HEADS):
        for head in ctx.read(HEADS).itertuples():
            if isinstance(head.polarisation, str):
                found[head.zone_id, head.level] = head.polarisation
    return found


def beam_rows(work: FenceWork, found: Findings, rain_mm_h: float, turned: Mapping[tuple[str, str], str]) -> list[Row]:
    """Rows of the beam_levels table: standing level, the way out of a null, loss in rain."""
    rows: list[Row] = []
    nulls = []
    for place in work.core:
        zone = work.zones[place]
        for beam, level, standing in zip(zone.beams, zone.levels, found.standing[place], strict=True):
            row: dict[str, Any] = {
                "beam_id": f"{zone.zone_id}-{level}",
                "zone_id": zone.zone_id,
                "level": level,
                "standing_level_db": standing,
                "in_null": standing < NULL_DB,
                "rain_fade_db": rain_fade_db(
                    beam.head_type.frequency_hz,
                    zone.line.length,
                    rain_mm_h,
                    polarisation=turned.get((zone.zone_id, level), "circular"),
                ),
            }
            rows.append(row)
            if row["in_null"]:
                nulls.append((row, beam))
    for (row, _), escape in zip(nulls, leave_null([beam for _, beam in nulls]), strict=True):
        if escape is not None:
            row["clear_tx_height_m"] = escape.tx_height_m
            row["clear_rx_height_m"] = escape.rx_height_m
            row["clear_level_db"] = escape.standing_level_db
    return rows
