"""Which law a receiver follows, and with which threshold: what walk-test results say of both together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from geotools.detection.perimeter import Perimeter
from geotools.detection.straight import straight_crossings
from geotools.steps.walktest.heads import DECISIVE
from geotools.steps.walktest.kernel import ThresholdEstimate, estimate_threshold

__all__ = ["LawFit", "fit_law", "law_words", "predicted_by_law"]

Law = Literal["field", "envelope", "either", "neither"]

#: Crossings of which neighbouring heads get more than this say nothing of the zone's own receivers.
_BESIDE = 0.05
_LEAST = 1e-4
_SETTING = {"field": "detection.threshold", "envelope": "detection.envelope_threshold"}


@dataclass(frozen=True)
class LawFit:
    """Law and threshold of the receivers, fitted together.

    Attributes
    ----------
    law : {"field", "envelope", "either", "neither"}
        The law whose likelihood is decisively larger; "either" where none is, "neither" where detections rise with
        the prediction under none of the two.
    estimates : mapping of str to ThresholdEstimate
        The threshold under each law.
    difference : float
        Logarithm of the likelihood under the field less that under the envelope, each at its best threshold and spread.
    trials : int
        Crossings that count.
    """

    law: Law
    estimates: Mapping[str, ThresholdEstimate]
    difference: float
    trials: int


def fit_law(
    field: NDArray[np.float64], envelope: NDArray[np.float64], detected: NDArray[np.bool_], confidence: float = 0.95
) -> LawFit:
    """Fit the threshold under each law, and name the law that explains the results.

    Both laws have two free numbers, threshold and spread, so that their likelihoods compare as they are.

    Parameters
    ----------
    field, envelope : (n,) arrays
        Prediction of each crossing under each law, above 0.
    detected : (n,) array of bool
        Whether the receiver alarmed.
    confidence : float
        Of the thresholds' intervals.
    """
    estimates = {
        "field": estimate_threshold(field, detected, confidence),
        "envelope": estimate_threshold(envelope, detected, confidence),
    }
    difference = estimates["field"].log_likelihood - estimates["envelope"].log_likelihood
    law: Law = "either"
    if all(one.kind == "unrelated" for one in estimates.values()):
        law = "neither"
    elif difference > DECISIVE:
        law = "field"
    elif difference < -DECISIVE:
        law = "envelope"
    return LawFit(law, estimates, difference, detected.size)


def predicted_by_law(
    rows: Sequence[Mapping[str, Any]], perimeter: Perimeter
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Predictions of each row's crossing under field and envelope, (n,) each, and whether it counts.

    Rows that neighbouring heads have a part in do not count: their detection is not the zone's own receivers' alone.
    """
    zones = {zone_id: straight_crossings(perimeter, zone_id) for zone_id in dict.fromkeys(r["zone_id"] for r in rows)}
    found = np.zeros((len(rows), 3))
    for place, row in enumerate(rows):
        one = zones[row["zone_id"]].get(row["threat"])
        if one is not None:
            x = perimeter.grids[row["zone_id"]].chainage_m
            found[place] = [np.interp(row["chainage_m"], x, v) for v in (one.modulation, one.swing, one.beside)]
    counts = (found[:, 0] > 0.0) & (found[:, 2] <= _BESIDE)
    return np.maximum(found[:, 0], _LEAST), np.maximum(found[:, 1], _LEAST), counts


def law_words(fit: LawFit, site_thresholds: Mapping[str, float]) -> str:
    """What the fit says, and which setting follows from it: none where the site file's own lies within the interval.

    ``site_thresholds`` : by law, as the site file has them.
    """
    head = f"receiver's law from {fit.trials} results away from neighbouring heads: "
    if fit.law == "neither":
        return head + "detections follow neither the field nor the envelope that the model predicts"
    if fit.law == "either":
        return head + "field and envelope explain them alike; detected keeps meaning detected under both"
    one = fit.estimates[fit.law]
    at = f"between {one.low:.2f} and {one.high:.2f}" if one.kind != "fitted" else f"{one.m0:.2f}"
    span = f" ({one.low:.2f} to {one.high:.2f})" if one.kind == "fitted" else ""
    less = f"the other law's log-likelihood is {abs(fit.difference):.1f} lower"
    own = site_thresholds[fit.law]
    follows = (
        f"the site file's {own:.2f} ({_SETTING[fit.law]}) agrees with that"
        if one.low <= own <= one.high
        else f"set {_SETTING[fit.law]}, then run gaps again"
    )
    return f"{head}the {fit.law} explains them, with a threshold of {at}{span}; {less}; {follows}"
