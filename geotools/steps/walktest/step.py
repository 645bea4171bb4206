"""Declaration of the walktest step: which crossings to walk, and what their results demonstrate."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
from shapely import LineString, Point

from geotools.corridor import BeamLine
from geotools.detection.chains import perimeter_of
from geotools.detection.perimeter import Perimeter
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import InputError
from geotools.io.tables import csv_text
from geotools.plan.schema import BEAMS, FENCE, WALK_PLAN, WALK_RESULT, ZONES
from geotools.plan.workspace import Workspace, frame_of
from geotools.steps.walktest.kernel import ThresholdEstimate, estimate_threshold, plan_crossings, trials_needed
from geotools.steps.walktest.law import fit_law, law_words, predicted_by_law
from geotools.steps.walktest.results import FILLED, judge, read_results, refuse_losing

Array = npt.NDArray[np.float64]

#: Speeds to cross at, in turn, m/s; 0.15 to 5 m/s is the range of NRC Regulatory Guide 5.44 rev. 3 (1997, from memory).
_SPEEDS = {"walk": (0.5, 1.5), "run": (3.0, 5.0)}
_SLOW = (0.15, 0.30)
#: How far before and behind the strip a walker starts and stops, m.
_RUN_UP_M = 1.0
_LEAST_MODULATION = 1e-4
FORM_CSV, FORM_GPKG, CHART = "walk_test.csv", "walk_test.gpkg", "walk_test.png"


def _outer_side(line: BeamLine, fence: gpd.GeoSeries, beams_inside: bool) -> float:
    """+1 where outside lies left of the beam line, -1 where it lies right: the fence stands there, or the other way."""
    middle = Point(*(float(v) for v in line.to_map(line.length / 2)))
    nearest = fence.iloc[int(np.argmin(fence.distance(middle).to_numpy()))]
    at = nearest.interpolate(nearest.project(middle))
    offset = float(line.from_map(at.x, at.y)[1])
    side = 1.0 if offset > 0 else -1.0
    return side if beams_inside else -side


def _zone_rows(
    ctx: StepContext, zone_id: str, perimeter: Perimeter, heads: Mapping[str, tuple[str, str]], outer: float
) -> list[dict[str, Any]]:
    wanted, grid = ctx.site.walktest, perimeter.grids[zone_id]
    trials = ctx.params["trials"] or trials_needed(wanted.probability, wanted.confidence, wanted.failures)
    rows = []
    # past the place where the next zone takes over nobody gets anywhere by crossing this line
    counted = perimeter.counted(zone_id)
    along = grid.chainage_m[counted]
    for threat, modulation in perimeter.straight_over(zone_id).items():
        plan = plan_crossings(along, modulation[counted], trials, worst_share=ctx.params["worst_share"])
        speeds = _SPEEDS.get(threat, _SLOW)
        for number, (i, reason) in enumerate(zip(plan.index, plan.reason, strict=True), start=1):
            chainage = float(along[i])
            # most crossings go the way an intruder goes; every third comes back out
            inward = number % 3 != 0
            reach = outer * (perimeter.rules.half_width_m + _RUN_UP_M)
            x, y = grid.line.to_map(chainage, [reach, -reach] if inward else [-reach, reach])
            rows.append(
                {
                    "crossing_id": f"{zone_id}-{threat}-{number:02d}",
                    "zone_id": zone_id,
                    "threat": threat,
                    "number": number,
                    "chainage_m": chainage,
                    "reason": str(reason),
                    "direction": "inward" if inward else "outward",
                    "speed_m_s": speeds[(number - 1) % 2],
                    "face_head_id": heads[zone_id][0 if chainage <= grid.line.length / 2 else 1],
                    **dict.fromkeys(FILLED),
                    "geometry": LineString(zip(x, y, strict=True)),
                }
            )
    return rows


def _plan(ctx: StepContext, perimeter: Perimeter, beams: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    fence = ctx.read(FENCE).geometry
    lowest = beams.sort_values("tx_height_m").drop_duplicates("zone_id")
    heads = {b.zone_id: (b.tx_head_id, b.rx_head_id) for b in lowest.itertuples()}
    inside = ctx.site.layout.side != "outside"
    rows = []
    for done, zone_id in enumerate(perimeter.zones):
        ctx.progress(done, len(perimeter.zones), f"crossings of {zone_id}")
        outer = _outer_side(perimeter.zones[zone_id].line, fence, inside)
        rows += _zone_rows(ctx, zone_id, perimeter, heads, outer)
    return rows


def _planned_before(ctx: StepContext) -> list[dict[str, Any]] | None:
    """The crossings as they were planned, and so as they were walked; None where there is no such layer."""
    if not ctx.workspace.has(WALK_PLAN):
        return None
    return [dict(row) for row in ctx.read(WALK_PLAN).to_dict("records")]


def _predict(rows: list[dict[str, Any]], perimeter: Perimeter) -> None:
    """Put the model's modulation and expectation into every row."""
    for row in rows:
        if row["zone_id"] not in perimeter.zones or row["threat"] not in perimeter.rules.targets:
            raise InputError(
                "a planned crossing belongs to no zone or threat of the plan",
                where=f"layer {WALK_PLAN.name}, crossing {row['crossing_id']}",
                found=f"zone {row['zone_id']}, threat {row['threat']}",
                mend="the layout has changed since: give --discard-results to plan anew",
            )
    best = {zone: perimeter.straight_over(zone) for zone in dict.fromkeys(row["zone_id"] for row in rows)}
    for row in rows:
        grid = perimeter.grids[row["zone_id"]]
        m = float(np.interp(row["chainage_m"], grid.chainage_m, best[row["zone_id"]][row["threat"]]))
        row["modulation"] = m
        row["expected"] = "detected" if perimeter.rules.alarms(m) else "missed"


def _fill(rows: list[dict[str, Any]], results: Mapping[str, Mapping[str, Any]], path: Path) -> None:
    known = {row["crossing_id"]: row for row in rows}
    strange = [name for name in results if name not in known]
    if strange:
        raise InputError(
            "results name crossings that are not in the plan",
            where=path,
            found=f"{len(strange)}, the first {strange[0]}",
            expected=f"crossing_id as in the layer {WALK_PLAN.name}, for example {next(iter(known))}",
            mend="use the form that was written with this plan",
        )
    for name, filled in results.items():
        known[name].update(filled)


def _write_forms(ctx: StepContext, rows: list[dict[str, Any]], frame: gpd.GeoDataFrame) -> list[str]:
    short = [{**r, "modulation": round(r["modulation"], 3), "chainage_m": round(r["chainage_m"], 2)} for r in rows]
    text = csv_text(WALK_PLAN.field_names, short)
    (ctx.scratch / FORM_CSV).write_text(text, encoding="utf-8-sig", newline="")
    form = Workspace(ctx.scratch / "form", ctx.workspace.plan_crs)
    form.write({WALK_PLAN: frame})
    shutil.move(form.plan, ctx.scratch / FORM_GPKG)
    return [FORM_CSV, FORM_GPKG]


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


def _results(ctx: StepContext) -> tuple[dict[str, dict[str, Any]], Path]:
    """Results by crossing, and the file they come from: the one that was named, else what the plan itself holds.

    OutputError where a form beside the plan holds others, which this run would replace.
    """
    folder, plan, named = ctx.workspace.folder, ctx.workspace.plan, ctx.params["results"]
    if ctx.params["discard_results"]:
        return (read_results(named, folder) if named is not None else {}), named or plan
    held = read_results(plan) if ctx.workspace.has(WALK_PLAN) else {}
    results = held if named is None else read_results(named, folder)
    refuse_losing([plan, folder / FORM_CSV, folder / FORM_GPKG], results)
    if named is None and held:
        ctx.say(f"kept {len(held)} results that the plan holds")
    return results, named or plan


def run(ctx: StepContext) -> StepResult:
    """Plan the walk test, or read its results back; see the manual beside this file."""
    beams, wanted = ctx.read(BEAMS), ctx.site.walktest
    results, source = _results(ctx)
    perimeter = perimeter_of(ctx.site, ctx.read, ctx.terrain)
    perimeter.solve_all()
    rows = (_planned_before(ctx) if results else None) or _plan(ctx, perimeter, beams)
    for row in rows:
        row.update(dict.fromkeys(FILLED))
    _predict(rows, perimeter)
    _fill(rows, results, source)
    frame = frame_of(WALK_PLAN, rows, ctx.workspace.work_crs)
    files = _write_forms(ctx, rows, frame)
    verdicts = judge(rows, wanted.probability, wanted.confidence)
    summary: dict[str, Any] = {
        "crossings": len(rows),
        "trials_without_a_miss": trials_needed(wanted.probability, wanted.confidence),
        "walked": len(results),
    }
    if results:
        files.append(CHART)
        summary |= _judge_all(ctx, rows, verdicts, perimeter)
    else:
        ctx.say(
            f"{len(rows)} crossings; {summary['trials_without_a_miss']} of a zone and threat, all detected, show "
            f"{wanted.probability:.2f} at {100 * wanted.confidence:g} % confidence"
        )
    layers = {"walk_test": frame, "walk_result": frame_of(WALK_RESULT, verdicts)}
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
    ctx: StepContext, rows: list[dict[str, Any]], verdicts: list[dict[str, Any]], perimeter: Perimeter
) -> dict[str, Any]:
    walked = [row for row in rows if row["result"]]
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
            "Filled-in form to read back: walk_test.csv, walk_test.gpkg, or a plan with its layer walk_test filled in.",
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
        LayerIn(WALK_PLAN, "the crossings as they were walked, when results are read back", required=False),
    ),
    outputs=(LayerOut(WALK_PLAN), LayerOut(WALK_RESULT)),
    files=(
        FileOut(FORM_CSV, "table", "The form for paper or spreadsheet; UTF-8, cells safe in spreadsheets."),
        FileOut(FORM_GPKG, "data", "The form for a field app."),
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
    cautions=(
        "Notify the alarm station before a walk test, and agree on who watches the zone meanwhile.",
        "A walk test holds for the zone as it was that day: grass, snow, water and moved earth change it.",
    ),
)
