"""Declaration of the walktest step: which crossings to walk, and what their results demonstrate."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from geotools.detection.verdict_rows import threats_passing_lower, verdict_table
from geotools.earthwork.state import planned_state
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.plan import cautions
from geotools.plan.schema import (
    BEAMS,
    CROSSINGS,
    FENCE,
    HEADS,
    PROPOSED_HEADS,
    VERDICTS,
    WALK_HEADS,
    WALK_PLAN,
    WALK_RESULT,
    ZONES,
)
from geotools.plan.workspace import frame_of
from geotools.steps.walktest.along_fence import follow_walk
from geotools.steps.walktest.effort import effort_words, expected_crossings
from geotools.steps.walktest.filling import (
    fill_rows,
    move_rows,
    planned_before,
    predict_rows,
    set_coordinates,
    void_rows,
)
from geotools.steps.walktest.forms import FORM_CSV, FORM_GPKG, FORM_GPX, FORM_XLSX, LASTING, write_forms
from geotools.steps.walktest.judging import CHART, judge_all
from geotools.steps.walktest.planning import planned_rows
from geotools.steps.walktest.reading import FILLED, FilledForm, read_form, refuse_losing
from geotools.steps.walktest.results import judge, plan_of
from geotools.steps.walktest.worth_fitting import fitting_words, zones_worth_fitting

SKETCHES = "walk_test.pdf"


def _results(ctx: StepContext) -> tuple[FilledForm, Path]:
    """Results, and the file they come from: the one that was named, else what the plan itself holds.

    OutputError where a form beside the plan holds others, which this run would replace.
    """
    folder, plan, named = ctx.workspace.folder, ctx.workspace.plan, ctx.params["results"]
    if ctx.params["discard_results"]:
        return (read_form(named, folder) if named is not None else FilledForm()), named or plan
    held = read_form(plan) if ctx.workspace.has(WALK_PLAN) else FilledForm()
    held.notes.clear()
    form = held if named is None else read_form(named, folder)
    refuse_losing([plan, *(folder / name for name in (FORM_CSV, FORM_XLSX, FORM_GPKG))], form.filled)
    if named is None and held.filled:
        ctx.say(f"kept {len(held.filled)} results that the plan holds")
    return form, named or plan


def run(ctx: StepContext) -> StepResult:
    """Plan the walk test, or read its results back; see the manual beside this file."""
    wanted = ctx.site.walktest
    form, source = _results(ctx)
    state = planned_state(ctx, ctx.params["state"])
    perimeter = state.perimeter
    perimeter.solve_all()
    rows = (planned_before(ctx) if form.filled else None) or planned_rows(ctx, state)
    for row in rows:
        row.update(dict.fromkeys((*FILLED, "void")))
    fill_rows(ctx, rows, form, source)
    void_rows(rows, state)
    move_rows(ctx, rows, form, perimeter, source)
    predict_rows(rows, perimeter)
    set_coordinates(ctx, rows)
    frame = frame_of(WALK_PLAN, rows, ctx.workspace.work_crs)
    ctx.say(f"papers show the {state.paper.words}")
    worth, confident = zones_worth_fitting(ctx, state, rows)
    heads_said = fitting_words(worth, confident, perimeter.rules.threshold)
    ctx.say(heads_said)
    files = write_forms(ctx, frame, rows, state.paper, (heads_said, {zone.zone_id for zone in worth}))
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.steps.walktest.sketch import write_sketches

    write_sketches(ctx.scratch / SKETCHES, ctx.site, rows, perimeter, ctx.read(FENCE).geometry, state.paper, worth)
    files.append(SKETCHES)
    verdicts = judge(rows, wanted)
    numbers = plan_of(wanted).numbers
    average, as_expected = expected_crossings(ctx.site, rows)
    summary: dict[str, Any] = {
        "crossings": len(rows),
        "crossings_on_average": round(average, 1),
        "crossings_as_expected": as_expected,
        "trials_without_a_miss": numbers[0],
        "walked": len(form.filled),
        "state": state.paper.words,
    }
    heads: list[dict[str, Any]] = []
    if form.filled:
        void = sum(bool(row["result"] and row["void"]) for row in rows)
        summary["void"] = void
        if void:
            ctx.warn(
                f"{void} results are void: heads or ground changed since they were walked; plan anew with "
                "--discard-results and walk again"
            )
        walked = [row for row in rows if row["result"] and not row["void"]]
        if walked:
            files.append(CHART)
            said, heads = judge_all(ctx, walked, verdicts, perimeter)
            summary |= said
        else:
            summary["verdicts"] = {v["result_id"]: v["verdict"] for v in verdicts}
    else:
        where = "a zone" if wanted.scope == "zone" else "the whole site"
        ctx.say(
            f"{numbers[0]} crossings of {where} and threat, all detected, show {wanted.probability:.2f} at "
            f"{100 * wanted.confidence:g} % confidence; {effort_words(ctx.site, rows)}"
        )
    layers = {
        "walk_test": frame,
        "walk_result": frame_of(WALK_RESULT, verdicts),
        "walk_heads": frame_of(WALK_HEADS, heads),
    }
    along = follow_walk(ctx, state, rows, verdicts)
    if along is not None:
        layers["verdicts"], lengths = along
        if "table" in summary:
            summary["fence_verdicts"] = lengths
            summary["table"] = verdict_table(lengths, summary["table"], (), threats_passing_lower(layers["verdicts"]))
    return StepResult(layers=layers, files=files, summary=summary)


STEP = Step(
    name="walktest",
    title="Walk test",
    summary="Plans the crossings that demonstrate detection, and reads their results back.",
    run=run,
    params=(
        Param(
            "results",
            "path",
            "Filled-in form to read back: walk_test.csv, .xlsx or .gpkg, or a plan with its layer walk_test filled in.",
        ),
        Param(
            "state",
            "choice",
            "State to walk. Left out: as sheets.state of the site file says.",
            choices=("proposed", "existing"),
        ),
        Param(
            "trials",
            "integer",
            "Crossings for each zone and threat. Left out: as many as demonstrate the site file's probability.",
            minimum=1,
            maximum=1000,
        ),
        Param(
            "worst_share",
            "real",
            "Share of the crossings that goes to the predicted weakest places; the rest covers the zone evenly.",
            0.5,
            unit="1",
            minimum=0.0,
            maximum=1.0,
        ),
        Param("discard_results", "flag", "Plan anew although results that were filled in are lost.", False),
    ),
    inputs=(
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(FENCE, "which way is outward"),
        LayerIn(BEAMS, "heads whose detection is predicted"),
        LayerIn(HEADS, "the heads that results are bound to"),
        LayerIn(PROPOSED_HEADS, "heads of the proposed state", required=False),
        LayerIn(VERDICTS, "which stretches are unproven, and what a walk test makes of them", required=False),
        LayerIn(CROSSINGS, "which zones' weakest crossings lie near the threshold", required=False),
        LayerIn(WALK_PLAN, "the crossings as they were walked, when results are read back", required=False),
    ),
    outputs=(LayerOut(WALK_PLAN), LayerOut(WALK_RESULT), LayerOut(WALK_HEADS), LayerOut(VERDICTS, updates=True)),
    files=(
        FileOut(FORM_CSV, "table", "The form for paper or spreadsheet; UTF-8, cells safe in spreadsheets."),
        FileOut(FORM_XLSX, "table", "The form as a workbook, results to be chosen from a list."),
        FileOut(FORM_GPKG, "data", "The form for a field app."),
        FileOut(FORM_GPX, "data", "Starts of the crossings and the order to walk, for a hand-held receiver."),
        FileOut(SKETCHES, "document", "A sketch of each zone: posts, fence, distances, crossings by number."),
        FileOut(
            CHART, "picture", "Results over predicted modulation with the threshold they indicate, once there are any."
        ),
    ),
    order=75,
    citations=(
        "Clopper and Pearson, Biometrika 26 (1934): exact binomial bounds",
        "Wald, Annals of Mathematical Statistics 16 (1945): sequential probability ratio test (from memory)",
        "UFGS Division 28, intrusion detection: 0.90 at 95 % confidence (section and edition from memory: verify)",
        "NRC Regulatory Guide 5.44 rev. 3 (1997): speeds of crossing, 0.15 to 5 m/s (from memory)",
    ),
    cautions=(cautions.ALARM_STATION, cautions.EXPOSURE, LASTING),
)
