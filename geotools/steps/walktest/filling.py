"""Puts into the planned crossings what came back from the field, what the model predicts, and what has become void."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.state import PlannedState
from geotools.engine.step import StepContext
from geotools.errors import InputError, counted, place_words
from geotools.plan.schema import WALK_PLAN
from geotools.plan.workspace import frame_of
from geotools.steps.walktest.binding import Bindings, void_words
from geotools.steps.walktest.planning import crossing_line, nearer_post
from geotools.steps.walktest.reading import FilledForm

__all__ = ["fill_rows", "move_rows", "planned_before", "predict_rows", "set_coordinates", "void_rows"]

#: A crossing walked nearer than this to where it was planned was walked there, m.
_SAME_PLACE_M = 0.02


def planned_before(ctx: StepContext) -> list[dict[str, Any]] | None:
    """The crossings as they were planned, and so as they were walked; None where there is no such layer."""
    if not ctx.workspace.has(WALK_PLAN):
        return None
    return [dict(row) for row in ctx.read(WALK_PLAN).to_dict("records")]


def predict_rows(rows: list[dict[str, Any]], perimeter: Perimeter) -> None:
    """Put the model's modulation and expectation into every row; nothing where its zone or threat is no more."""
    known = [row for row in rows if row["zone_id"] in perimeter.zones and row["threat"] in perimeter.rules.targets]
    best = {zone: perimeter.straight_over(zone) for zone in dict.fromkeys(row["zone_id"] for row in known)}
    for row in rows:
        row.update(modulation=None, expected=None)
    for row in known:
        grid = perimeter.grids[row["zone_id"]]
        m = float(np.interp(row["chainage_m"], grid.chainage_m, best[row["zone_id"]][row["threat"]]))
        if not np.isfinite(m):
            continue
        row["modulation"] = m
        row["expected"] = "detected" if perimeter.rules.alarms(m) else "missed"


def fill_rows(ctx: StepContext, rows: list[dict[str, Any]], form: FilledForm, path: Path) -> None:
    """Put results into the rows they belong to, and say what of the form is not read."""
    known = {row["crossing_id"]: row for row in rows}
    strange = [name for name in form.filled if name not in known]
    if strange:
        raise InputError(
            "results name crossings that are not in the plan",
            where=path,
            found=f"{len(strange)}, the first {strange[0]}",
            expected=f"crossing_id as in the layer {WALK_PLAN.name}, for example {next(iter(known))}",
            mend="use the form that was written with this plan",
        )
    for note in [*form.notes, *form.edits(known)]:
        ctx.say(f"{path.name}: {note}")
    for name, filled in form.filled.items():
        known[name].update(filled)
        known[name].update(form.codes.get(name, {}))


def void_rows(rows: list[dict[str, Any]], state: PlannedState) -> None:
    """Mark results that say nothing of heads and ground as they are now."""
    bindings, perimeter = Bindings(state), state.perimeter
    for row in rows:
        if row["zone_id"] not in perimeter.zones or row["threat"] not in perimeter.rules.targets:
            row["void"] = "zone or threat is no part of the plan any more"
        else:
            row["void"] = void_words(row, bindings.codes(row["zone_id"], row["geometry"]))


def move_rows(ctx: StepContext, rows: list[dict[str, Any]], form: FilledForm, perimeter: Perimeter, path: Path) -> None:
    """Take crossings where they were walked, not where they were planned."""
    moved = 0
    for row in rows:
        walked = form.chainage.get(row["crossing_id"], row["chainage_m"])
        zone = perimeter.zones.get(row["zone_id"])
        if zone is None or abs(walked - row["chainage_m"]) <= _SAME_PLACE_M:
            continue
        if not 0.0 <= walked <= zone.line.length:
            raise InputError(
                "a crossing was walked outside its zone",
                where=f"{path}, crossing {row['crossing_id']}",
                found=place_words(walked, zone=zone.zone_id),
                expected=f"a chainage of 0 to {zone.line.length:.1f} m from the transmitter post",
            )
        moved += 1
        ((x, y), _) = row["geometry"].coords
        outer = 1.0 if (zone.line.from_map(x, y)[1] > 0) == (row["direction"] == "inward") else -1.0
        inward = row["direction"] == "inward"
        row["chainage_m"] = walked
        row["from_post"], row["from_post_m"] = nearer_post(zone, walked)
        row["geometry"] = crossing_line(zone.line, walked, perimeter.rules.half_width_m, outer, inward)
    if moved:
        ctx.say(
            f"{path.name}: {counted(moved, 'crossing is', 'crossings are')} taken at the chainage that the form has"
        )


def set_coordinates(ctx: StepContext, rows: list[dict[str, Any]]) -> None:
    """Start and end of every crossing in the plan's own map units."""
    mapped = frame_of(WALK_PLAN, rows, ctx.workspace.work_crs).geometry.to_crs(ctx.workspace.plan_crs)
    for row, line in zip(rows, mapped, strict=True):
        (x0, y0), (x1, y1) = line.coords
        row.update(start_easting=x0, start_northing=y0, end_easting=x1, end_northing=y1)
