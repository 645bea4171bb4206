"""What the results of a walk test say of threshold, law and heads: in words, for the summary, as a picture."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotools.detection.perimeter import Perimeter
from geotools.engine.step import StepContext
from geotools.errors import counted
from geotools.steps.walktest.kernel import ThresholdEstimate, estimate_threshold
from geotools.steps.walktest.law import fit_law, law_words, predicted_by_law
from geotools.steps.walktest.together import explained, fit_together, head_rows, together_words

__all__ = ["CHART", "judge_all"]

Row = dict[str, Any]
CHART = "walk_test.png"
_LEAST_MODULATION = 1e-4
#: Share of misses up to which they say something of their own places alone, nothing of the model (a choice of this
#: toolkit).
_FEW_MISSED = 0.05


def _threshold_words(estimate: ThresholdEstimate, site_m0: float) -> str:
    said = {
        "all detected": f"every crossing walked was detected: m0 lies at or below {estimate.high:.2f}",
        "all missed": f"every crossing walked was missed: m0 lies above {estimate.low:.2f}",
        "separated": f"m0 lies between {estimate.low:.2f} and {estimate.high:.2f}",
        "fitted": f"m0 is {estimate.m0:.2f} ({estimate.low:.2f} to {estimate.high:.2f})",
        "unrelated": "detections do not follow the predicted modulation: the model does not explain this site; "
        "check ground, alignment and receiver settings before changing m0",
    }[estimate.kind]
    if estimate.kind == "unrelated" and estimate.missed <= _FEW_MISSED * estimate.trials:
        said = (
            f"{counted(estimate.missed, 'crossing')} missed, not where least is predicted: so few place no threshold; "
            "check ground, alignment and receiver settings there"
        )
    agrees = estimate.low <= site_m0 <= estimate.high
    verdict = "agrees with" if agrees else "disagrees with"
    tail = "" if estimate.kind == "unrelated" else f"; the site file's {site_m0:.2f} {verdict} that"
    return f"threshold from {estimate.trials} results: {said}{tail}"


def _estimate(one: ThresholdEstimate) -> dict[str, Any]:
    named = {name: float(getattr(one, name)) for name in ("m0", "low", "high")}
    return {"kind": one.kind, **{name: round(v, 4) if np.isfinite(v) else None for name, v in named.items()}}


def _law(ctx: StepContext, walked: list[Row], perimeter: Perimeter) -> tuple[dict[str, Any], list[Row]]:
    """Which law the results follow, with the threshold under each; head heights with them where results ask for it."""
    by_field, by_envelope, counts = predicted_by_law(walked, perimeter)
    if not counts.any():
        return {}, []
    detected = np.array([row["result"] == "detected" for row in walked])[counts]
    fit = fit_law(by_field[counts], by_envelope[counts], detected, ctx.site.walktest.confidence)
    own = {"field": ctx.site.detection.threshold, "envelope": ctx.site.detection.envelope_threshold}
    ctx.say(law_words(fit, own))
    said: dict[str, Any] = {
        "law": fit.law,
        "trials": fit.trials,
        "log_likelihood_difference": round(fit.difference, 3),
        **{law: _estimate(one) for law, one in fit.estimates.items()},
    }
    if explained(fit):
        return {"receiver_law": said}, []
    counted = [row for row, counts_here in zip(walked, counts, strict=True) if counts_here]
    fits, law = fit_together(counted, perimeter, ctx.site.detection.head_tolerance_m)
    heads = head_rows(fits, law, perimeter)
    for text in together_words(heads, fits, law):
        ctx.say(text)
    best = fits[heads[0]["law"]]
    together = {
        "law": law,
        **{name: round(getattr(best, name), 4) for name in ("m0", "low", "high", "spread", "gained")},
        "off": [row["head_id"] for row in heads if row["state"] == "off"],
        "not_separated": [row["head_id"] for row in heads if row["state"] == "not separated"],
    }
    return {"receiver_law": said, "fitted_together": together}, heads


def judge_all(
    ctx: StepContext, walked: list[Row], verdicts: list[Row], perimeter: Perimeter
) -> tuple[dict[str, Any], list[Row]]:
    """What the results that count say: for the summary, and rows of the table walk_heads.

    Parameters
    ----------
    ctx : StepContext
        Of the step; its site has the threshold that is compared.
    walked : list of dict
        Rows of the layer walk_test with a result that is not void.
    verdicts : list of dict
        Rows of the table walk_result.
    perimeter : Perimeter
        Of the state walked.
    """
    # somebody wholly hidden from every head has a modulation of nothing, which has no logarithm
    modulation = np.maximum([row["modulation"] for row in walked], _LEAST_MODULATION)
    detected = np.array([row["result"] == "detected" for row in walked])
    m0 = ctx.site.detection.threshold
    estimate = estimate_threshold(modulation, detected, ctx.site.walktest.confidence)
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.steps.walktest.chart import results_chart

    (ctx.scratch / CHART).write_bytes(results_chart(modulation, detected, estimate, m0))
    threshold = _threshold_words(estimate, m0)
    ctx.say(threshold)
    surprises = sum(v["unexpected_misses"] for v in verdicts)
    if surprises:
        ctx.warn(
            f"{counted(surprises, 'crossing was', 'crossings were')} missed that the model expected to be detected"
        )
    table = [
        [v["zone_id"], v["threat"], f"{v['detected']} of {v['walked']}", f"{v['lower']:.2f}", v["verdict"]]
        for v in verdicts
        if v["walked"]
    ]
    wanted = ctx.site.walktest
    laws, heads = _law(ctx, walked, perimeter)
    summary = {
        "verdicts": {v["result_id"]: v["verdict"] for v in verdicts},
        "threshold": {**_estimate(estimate), "words": threshold},
        "receiver_law": {},
        **laws,
        "table": {
            "title": f"walk test against {wanted.probability:.2f} at {100 * wanted.confidence:g} % confidence",
            "columns": ["zone", "threat", "detected", "at least", "verdict"],
            "rows": table,
        },
    }
    return summary, heads
