"""Declaration of the commission step: the book for setting up every head, and what its filled-in fields say."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from typing import Any

import pandas as pd

from geotools.detection.perimeter import Perimeter
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import InputError
from geotools.io.crs import metres_per_unit
from geotools.io.tables import csv_text
from geotools.plan import cautions
from geotools.plan.paper_state import PaperState
from geotools.plan.schema import (
    AS_SET,
    BEAMS,
    COMMISSION,
    FENCE,
    HEADS,
    OPERATING_WINDOWS,
    PROPOSED_HEADS,
    STAKEOUT,
    WALK_PLAN,
    ZONES,
)
from geotools.plan.workspace import Workspace, frame_of
from geotools.steps.commission.causes import OFF_DB
from geotools.steps.commission.levels import beams_of, expected_levels, levels_of
from geotools.steps.commission.reading import FILLED, LEAST_READINGS, read_form, refuse_losing_fields
from geotools.steps.commission.rows import Row, as_set_rows, head_rows, judge
from geotools.steps.commission.state import state_of_sheet, with_heights

BOOK, FORM_CSV, FORM_GPKG = "commission.pdf", "commission.csv", "commission.gpkg"
_PRACTICE = (
    "Foundations carry wind on post and heads in the ground that is met: designed and checked by licensed practice.",
    "Lightning protection, bonding and earthing: by licensed practice (IEC 62305, IEC 60364-5-54, from memory); local "
    "codes govern. Nobody works on posts or cables while a thunderstorm is near.",
)


def _filled(ctx: StepContext, known: set[str]) -> dict[str, dict[str, Any]]:
    """What was filled in: by the form that was named, else by the plan itself."""
    named = ctx.params["results"]
    if named is not None:
        filled = read_form(named)
        strange = sorted(set(filled) - known)
        if strange:
            raise InputError(
                "the form names heads that are not in the plan",
                where=named,
                found=f"{len(strange)}, the first {strange[0]}",
                expected="head_id as in the layer stakeout",
                mend="use the form that was written with this plan",
            )
        return filled
    if not ctx.workspace.has(COMMISSION):
        return {}
    held = ctx.read(COMMISSION)
    rows = held[held[list(FILLED)].notna().any(axis=1)].to_dict("records")
    return {r["head_id"]: {n: None if pd.isna(r[n]) else r[n] for n in FILLED} for r in rows if r["head_id"] in known}


def _thresholds(ctx: StepContext) -> dict[str, float]:
    """Threshold by zone: from its operating window where there is one to set, else (the empty name) the site's."""
    found = {"": ctx.site.detection.threshold}
    if ctx.workspace.has(OPERATING_WINDOWS):
        windows = ctx.read(OPERATING_WINDOWS)
        set_to = windows[windows["set_to"].notna()]
        found |= dict(zip(set_to["zone_id"], set_to["set_to"].astype(float), strict=True))
    return found


def run(ctx: StepContext) -> StepResult:
    """Write the book, or read it back; see the manual beside this file."""
    site, sheet = ctx.site, ctx.read(STAKEOUT)
    state = state_of_sheet(ctx, sheet)
    planned = state.perimeter
    beams = beams_of(planned)
    rows = head_rows(sheet, expected_levels(site, beams), _thresholds(ctx))
    filled = _filled(ctx, set(sheet["head_id"]))
    folder = ctx.workspace.folder
    refuse_losing_fields([folder / FORM_CSV, folder / FORM_GPKG], filled)
    for row in rows:
        row.update(filled.get(row["head_id"], {}))
    summary: dict[str, Any] = {"heads": len(rows), "heads_filled_in": len(filled)}
    results: list[Row] = []
    if filled:
        results, told = _judged(ctx, rows, planned)
        summary |= told
    frame = frame_of(COMMISSION, rows, ctx.workspace.work_crs)
    _write_forms(ctx, rows, frame, state.paper)
    walk = ctx.read(WALK_PLAN).to_dict("records") if ctx.workspace.has(WALK_PLAN) else []
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.steps.commission.book import FrontPage, write_book

    before = (*_PRACTICE, cautions.ALARM_STATION, cautions.RADIO, cautions.EXPOSURE)
    warned = (*before, cautions.DETECTION, cautions.SENSITIVE)
    unit = metres_per_unit(ctx.workspace.plan_crs)
    front = FrontPage(site.name, state.paper.words, warned, site.recipient, unit)
    pages = write_book(ctx.scratch / BOOK, front, rows, walk)
    ctx.say(f"{BOOK}: {pages} pages, one for each of {len(rows)} heads" + (", and the walk test" if walk else ""))
    if not walk:
        ctx.say("no crossings are planned yet: run `geotools walktest`, then this step again, for the walk-test pages")
    return StepResult(
        layers={"commission": frame, "as_set": frame_of(AS_SET, results)},
        files=[BOOK, FORM_CSV, FORM_GPKG],
        summary=summary,
    )


def _write_forms(ctx: StepContext, rows: list[Row], frame: Any, paper: PaperState) -> None:
    short = [{k: round(v, 3) if isinstance(v, float) else v for k, v in row.items()} for row in rows]
    said = {**paper.fields, "caution": f"{cautions.EXPOSURE} {cautions.SENSITIVE}"}
    text = csv_text([*COMMISSION.field_names, *said], [row | said for row in short])
    (ctx.scratch / FORM_CSV).write_text(text, encoding="utf-8-sig", newline="")
    form = Workspace(ctx.scratch / "form", ctx.workspace.plan_crs)
    form.write({COMMISSION: frame})
    shutil.move(form.plan, ctx.scratch / FORM_GPKG)


def _judged(ctx: StepContext, rows: list[Row], planned: Perimeter) -> tuple[list[Row], dict[str, Any]]:
    """What the filled-in fields say: the model run again with the heights as set, and the levels beside it."""
    heights: Mapping[tuple[str, str, str], float] = {
        (row["zone_id"], row["level"], row["role"]): float(row["as_set_height_m"])
        for row in rows
        if row["as_set_height_m"] is not None
    }
    as_set = with_heights(planned, heights)
    for perimeter in (planned, as_set):
        perimeter.solve_all()
    beams = beams_of(as_set)
    model = levels_of(beams)
    few = judge(ctx.site, rows, beams, model, ctx.params["reading"] == "free space")
    for kind in few:
        ctx.warn(
            f"levels of {kind} heads cannot be judged: fewer than {LEAST_READINGS} were read, and what a receiver's "
            "level counts from is found from several; or read levels against free space (--reading)"
        )
    for row in (row for row in rows if row["set_up"] == "off"):
        ctx.warn(f"{row['head_id']}: {row['causes']}")
    results = as_set_rows(rows, planned, as_set)
    for one in results:
        more = one["dead_as_set_m"] - one["dead_planned_m"]
        if more > 1e-6:
            ctx.warn(f"{one['zone_id']}, {one['threat']}: {more:.1f} m more are dead with the heights as set")
    off = [row["head_id"] for row in rows if row["set_up"] == "off"]
    ctx.say(f"{sum(row['set_up'] != 'not set' for row in rows)} heads filled in, {len(off)} of them off")
    return results, {
        "off": off,
        "levels_off": [
            r["head_id"] for r in rows if r["deviation_db"] is not None and abs(r["deviation_db"]) >= OFF_DB
        ],
        "dead_planned_m": round(sum(one["dead_planned_m"] for one in results), 2),
        "dead_as_set_m": round(sum(one["dead_as_set_m"] for one in results), 2),
    }


STEP = Step(
    name="commission",
    title="Commissioning book",
    summary="Writes a page for setting up every head with its expected level, and says what the filled-in fields mean.",
    run=run,
    params=(
        Param(
            "results", "path", "Filled-in form to read back: commission.csv, commission.gpkg, or a plan with its layer."
        ),
        Param(
            "reading",
            "choice",
            "What levels were read against: a level of the receiver's own, or free space.",
            "receiver",
            choices=("receiver", "free space"),
        ),
        Param(
            "state",
            "choice",
            "State that is set up. Left out: as sheets.state of the site file says.",
            choices=("proposed", "existing"),
        ),
    ),
    inputs=(
        LayerIn(STAKEOUT, "what every head is to be set to"),
        LayerIn(ZONES, "the strips"),
        LayerIn(FENCE, "which way is outward"),
        LayerIn(HEADS, "the heads as laid out"),
        LayerIn(BEAMS, "which heads face each other"),
        LayerIn(PROPOSED_HEADS, "heads of the proposed state", required=False),
        LayerIn(OPERATING_WINDOWS, "threshold to set in each zone", required=False),
        LayerIn(WALK_PLAN, "crossings for the walk-test pages", required=False),
        LayerIn(COMMISSION, "fields that were filled in", required=False),
    ),
    outputs=(LayerOut(COMMISSION), LayerOut(AS_SET)),
    files=(
        FileOut(
            BOOK, "document", "The book on paper, A4: cautions, a page for every head, walk-test pages for every zone."
        ),
        FileOut(FORM_CSV, "table", "The form for a spreadsheet; UTF-8, cells safe in spreadsheets."),
        FileOut(FORM_GPKG, "data", "The form for a field app."),
    ),
    order=77,
    citations=("IEC 62305 and IEC 60364-5-54 (from memory), named as cautions",),
    cautions=(*_PRACTICE, cautions.ALARM_STATION, cautions.RADIO, cautions.EXPOSURE, cautions.DETECTION),
)
