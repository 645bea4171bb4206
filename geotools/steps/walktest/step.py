"""Declaration of the walktest step: which crossings to walk, and what their results demonstrate."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from geotools.detection.perimeter import Perimeter
from geotools.detection.verdict_rows import verdict_table
from geotools.earthwork.state import planned_state
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.plan import cautions
from geotools.plan.schema import (
    BEAMS,
    FENCE,
    HEADS,
    PROPOSED_HEADS,
    VERDICTS,
    WALK_PLAN,
    WALK_RESULT,
    ZONES,
)
from geotools.plan.workspace import frame_of
from geotools.steps.walktest.along_fence import follow_walk
from geotools.steps.walktest.filling import (
    fill_rows,
    move_rows,
    planned_before,
    predict_rows,
    set_coordinates,
    void_rows,
)
from geotools.steps.walktest.forms import FORM_CSV, FORM_GPKG, FORM_GPX, FORM_XLSX, LASTING, effort_words, write_forms
from geotools.steps.walktest.kernel import ThresholdEstimate, estimate_threshold
from geotools.steps.walktest.law import fit_law, law_words, predicted_by_law
from geotools.steps.walktest.planning import planned_rows
from geotools.steps.walktest.reading import FILLED, FilledForm, read_form, refuse_losing
from geotools.steps.walktest.results import judge
from geotools.steps.walktest.sequential import acceptance_numbers

_LEAST_MODULATION = 1e-4
CHART, SKETCHES = "walk_test.png", "walk_test.pdf"


def _threshold_words(estimate: ThresholdEstimate, site_m0: float) -> str:
    said = {
        "all detected": f"every crossing walked was detected: m0 lies at or below {estimate.high:.2f}",
        "all missed": f"every crossing walked was missed: m0 lies above {estimate.low:.2f}",
        "separated": f"m0 lies between {estimate.low:.2f} and {estimate.high:.2f}",
        "fitted": f"m0 is {estimate.m0:.2f} ({estimate.low:.2f} to {estimate.high:.2f})",
        "unrelated": "detections do not follow the predicted modulation: the model does not explain this site; "
        "check ground, alignment and receiver settings before changing m0",
    }[estimate.kind]
    agrees = estimate.low <= site_m0 <= estimate.high
    verdict = "agrees with" if agrees else "disagrees with"
    tail = "" if estimate.kind == "unrelated" else f"; the site file's {site_m0:.2f} {verdict} that"
    return f"threshold from {estimate.trials} results: {said}{tail}"


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
    files = write_forms(ctx, frame, rows, state.paper)
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.steps.walktest.sketch import write_sketches

    write_sketches(ctx.scratch / SKETCHES, ctx.site, rows, perimeter, ctx.read(FENCE).geometry, state.paper)
    files.append(SKETCHES)
    verdicts = judge(rows, wanted)
    numbers = acceptance_numbers(wanted.probability, wanted.confidence, wanted.failures)
    summary: dict[str, Any] = {
        "crossings": len(rows),
        "trials_without_a_miss": numbers[0],
        "walked": len(form.filled),
        "state": state.paper.words,
    }
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
            summary |= _judge_all(ctx, walked, verdicts, perimeter)
        else:
            summary["verdicts"] = {v["result_id"]: v["verdict"] for v in verdicts}
    else:
        where = "a zone" if wanted.scope == "zone" else "the whole site"
        ctx.say(
            f"{numbers[0]} crossings of {where} and threat, all detected, show {wanted.probability:.2f} at "
            f"{100 * wanted.confidence:g} % confidence; {effort_words(ctx.site, rows)}"
        )
    layers = {"walk_test": frame, "walk_result": frame_of(WALK_RESULT, verdicts)}
    along = follow_walk(ctx, state, rows, verdicts)
    if along is not None:
        layers["verdicts"], lengths = along
        if "table" in summary:
            summary["fence_verdicts"] = lengths
            summary["table"] = verdict_table(lengths, summary["table"])
    return StepResult(layers=layers, files=files, summary=summary)


def _estimate(one: ThresholdEstimate) -> dict[str, Any]:
    named = {name: float(getattr(one, name)) for name in ("m0", "low", "high")}
    return {"kind": one.kind, **{name: round(v, 4) if np.isfinite(v) else None for name, v in named.items()}}


def _law(ctx: StepContext, walked: list[dict[str, Any]], perimeter: Perimeter) -> dict[str, Any]:
    """Which law the results follow, with the threshold under each; said where they tell."""
    by_field, by_envelope, counts = predicted_by_law(walked, perimeter)
    if not counts.any():
        return {}
    detected = np.array([row["result"] == "detected" for row in walked])[counts]
    fit = fit_law(by_field[counts], by_envelope[counts], detected, ctx.site.walktest.confidence)
    ctx.say(law_words(fit))
    return {
        "law": fit.law,
        "trials": fit.trials,
        "log_likelihood_difference": round(fit.difference, 3),
        **{law: _estimate(one) for law, one in fit.estimates.items()},
    }


def _judge_all(
    ctx: StepContext, walked: list[dict[str, Any]], verdicts: list[dict[str, Any]], perimeter: Perimeter
) -> dict[str, Any]:
    """Threshold, law and verdicts from the results that count."""
    # somebody wholly hidden from every head has a modulation of nothing, which has no logarithm
    modulation = np.maximum([row["modulation"] for row in walked], _LEAST_MODULATION)
    detected = np.array([row["result"] == "detected" for row in walked])
    m0 = ctx.site.detection.threshold
    estimate = estimate_threshold(modulation, detected, ctx.site.walktest.confidence)
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.steps.walktest.chart import results_chart

    (ctx.scratch / CHART).write_bytes(results_chart(modulation, detected, estimate, m0))
    ctx.say(_threshold_words(estimate, m0))
    surprises = sum(v["unexpected_misses"] for v in verdicts)
    if surprises:
        ctx.warn(f"{surprises} crossings were missed that the model expected to be detected")
    table = [
        [v["zone_id"], v["threat"], f"{v['detected']} of {v['walked']}", f"{v['lower']:.2f}", v["verdict"]]
        for v in verdicts
        if v["walked"]
    ]
    wanted = ctx.site.walktest
    return {
        "verdicts": {v["result_id"]: v["verdict"] for v in verdicts},
        "threshold": _estimate(estimate),
        "receiver_law": _law(ctx, walked, perimeter),
        "table": {
            "title": f"walk test against {wanted.probability:.2f} at {100 * wanted.confidence:g} % confidence",
            "columns": ["zone", "threat", "detected", "at least", "verdict"],
            "rows": table,
        },
    }


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
        LayerIn(WALK_PLAN, "the crossings as they were walked, when results are read back", required=False),
    ),
    outputs=(LayerOut(WALK_PLAN), LayerOut(WALK_RESULT), LayerOut(VERDICTS, updates=True)),
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
        "UFGS Division 28, intrusion detection: 0.90 at 95 % confidence (section and edition from memory: verify)",
        "NRC Regulatory Guide 5.44 rev. 3 (1997): speeds of crossing, 0.15 to 5 m/s (from memory)",
    ),
    cautions=(cautions.ALARM_STATION, cautions.EXPOSURE, LASTING),
)
