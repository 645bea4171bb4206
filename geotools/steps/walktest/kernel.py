"""How many trials demonstrate a detection probability, and what results say of the threshold.

Arrays in, arrays out; no files. The bounds are the exact binomial ones of Clopper and Pearson (Biometrika 26, 1934);
the number of trials without a failure is the success-run number `ln(1 - confidence) / ln(probability)`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from geotools.errors import NumericInputError

__all__ = [
    "ThresholdEstimate",
    "binomial_bounds",
    "estimate_threshold",
    "trials_needed",
]


def _fraction(name: str, value: float) -> float:
    if not 0.0 < value < 1.0:
        raise NumericInputError(f"{name} lies outside 0 to 1", where=name, found=value, expected="more than 0, under 1")
    return float(value)


def _counts(detected: object, trials: object) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    k, n = np.broadcast_arrays(np.asarray(detected, float), np.asarray(trials, float))
    if np.any((k < 0) | (k > n) | (n < 1) | (k != np.round(k)) | (n != np.round(n))):
        raise NumericInputError(
            "Counts of a walk test do not fit together",
            where="detected, trials",
            found=f"detected {k.tolist()}, trials {n.tolist()}",
            expected="whole numbers, 0 <= detected <= trials, at least one trial",
        )
    return k, n


def binomial_bounds(
    detected: object, trials: object, confidence: float = 0.95, *, sided: str = "lower"
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Exact (Clopper-Pearson) bounds of a detection probability.

    Parameters
    ----------
    detected, trials : counts, any shapes that broadcast.
    confidence : between 0 and 1.
    sided : "lower": each bound on its own holds at `confidence` (acceptance tests); "two": the pair does.

    Returns
    -------
    (lower, upper), dimensionless, of the broadcast shape. Raises NumericInputError for impossible counts.

    Source: Clopper and Pearson, "The use of confidence or fiducial limits", Biometrika 26 (1934).
    """
    k, n = _counts(detected, trials)
    if sided not in {"lower", "two"}:
        raise NumericInputError("Unknown kind of bound", where="sided", found=sided, expected="lower or two")
    alpha = 1.0 - _fraction("confidence", confidence)
    if sided == "two":
        alpha /= 2.0
    # the beta distribution has no shape parameter 0: all missed bounds at 0, all detected at 1
    lower = np.where(k > 0, special.betaincinv(np.maximum(k, 1), n - k + 1, alpha), 0.0)
    upper = np.where(k < n, special.betaincinv(k + 1, np.maximum(n - k, 1), 1.0 - alpha), 1.0)
    return lower, upper


def trials_needed(probability: float = 0.90, confidence: float = 0.95, failures: int = 0) -> int:
    """Fewest trials that show `probability` at `confidence` although `failures` of them miss.

    The answer is the smallest n whose lower Clopper-Pearson bound with n - failures detections reaches
    `probability`; with no failure it is the success-run number.
    """
    p = _fraction("probability", probability)
    c = _fraction("confidence", confidence)
    if failures < 0 or failures != int(failures):
        raise NumericInputError("A count of failures below nothing", found=failures, expected="0, 1, 2, ...")
    low, high = int(failures), max(int(failures) + 1, 2)
    # the chance of so few failures in n trials; the statistics package around it would take long to load
    while special.bdtr(failures, high, 1.0 - p) > 1.0 - c:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if special.bdtr(failures, middle, 1.0 - p) > 1.0 - c else (low, middle)
    return high


@dataclass(frozen=True)
class ThresholdEstimate:
    """What walk-test results say of the receiver's threshold m0 (modulation, dimensionless).

    m0 : the modulation detected half the time; NaN where the results cannot tell.
    low, high : interval of m0 at the stated confidence; an open end is 0 or infinity.
    spread : scatter of the threshold in natural-log units of modulation (0 = a sharp threshold).
    kind : "fitted", "separated" (every miss lies under every detection), "all detected", "all missed",
        or "unrelated" (detections do not rise with predicted modulation: the model does not explain this site).
    log_likelihood : logarithm of the results' likelihood at the best threshold and spread; 0 where a sharp one explains
        every result, that of one detection probability for all where the prediction explains nothing.
    missed : results without an alarm.
    """

    m0: float
    low: float
    high: float
    spread: float
    kind: str
    trials: int
    log_likelihood: float = 0.0
    missed: int = 0


def estimate_threshold(
    modulation: NDArray[np.float64], detected: NDArray[np.bool_], confidence: float = 0.95
) -> ThresholdEstimate:
    """Re-estimate m0 by maximum likelihood from detections against predicted modulation.

    Parameters
    ----------
    modulation : (n,) predicted best modulation of each crossing walked, dimensionless, above 0.
    detected : (n,) whether the receiver alarmed.
    confidence : of the interval, by the profile likelihood.

    Notes
    -----
    Logistic regression on ln(modulation): `P = 1 / (1 + exp(-(ln m - ln m0) / spread))`, as in dose-response work
    (A. J. Dobson, An Introduction to Generalized Linear Models, ch. 7, where m0 is the median lethal dose).
    """
    m = np.asarray(modulation, float)
    y = np.asarray(detected, bool)
    if m.ndim != 1 or m.shape != y.shape or m.size == 0 or not np.all(np.isfinite(m) & (m > 0)):
        raise NumericInputError(
            "Walk-test results without a usable prediction",
            where="modulation",
            found=f"{int(np.sum(~(np.isfinite(m) & (m > 0))))} of {m.size} values missing or not above 0",
            expected="one positive modulation for each result",
        )
    _fraction("confidence", confidence)
    n = int(m.size)
    if y.all():
        return ThresholdEstimate(float("nan"), 0.0, float(m.min()), float("nan"), "all detected", n)
    if not y.any():
        return ThresholdEstimate(float("nan"), float(m.max()), float("inf"), float("nan"), "all missed", n)
    if m[~y].max() < m[y].min():
        low, high = float(m[~y].max()), float(m[y].min())
        return ThresholdEstimate(float(np.sqrt(low * high)), low, high, 0.0, "separated", n)
    flat = float(-n * (y.mean() * np.log(y.mean()) + (1 - y.mean()) * np.log(1 - y.mean())))
    unrelated = ThresholdEstimate(float("nan"), 0.0, float("inf"), float("nan"), "unrelated", n, -flat, int((~y).sum()))
    x = np.log(m)
    centre, scale = float(x.mean()), float(x.std())
    if scale < 1e-9:
        return unrelated
    z = (x - centre) / scale
    sign = np.where(y, 1.0, -1.0)

    def loss(b: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
        eta = sign * (b[0] + b[1] * z)
        weight = -sign * special.expit(-eta)
        return float(-special.log_expit(eta).sum()), np.array([weight.sum(), (weight * z).sum()])

    fit = optimize.minimize(loss, np.array([special.logit(y.mean()), 0.0]), jac=True, method="BFGS", tol=1e-10)
    b0, b1 = float(fit.x[0]), float(fit.x[1])
    best = float(fit.fun)
    cut = 0.5 * float(special.chdtri(1, 1.0 - confidence))
    # a slope that is not positive, or no better than a flat line, places no threshold
    if b1 <= 0 or flat - best < cut:
        return unrelated

    def profile(t: float) -> float:
        def at(b: float) -> float:
            return -float(special.log_expit(sign * b * (z - t)).sum())

        slope = optimize.minimize_scalar(at, bounds=(0.0, 20.0 * b1 + 20.0), method="bounded", options={"xatol": 1e-8})
        return float(slope.fun) - best - cut

    middle = -b0 / b1
    ends = []
    for way in (-1.0, 1.0):
        step = 0.25
        while profile(middle + way * step) < 0 and step < 1e3:
            step *= 2.0
        inside, outside = middle, middle + way * step
        if profile(outside) < 0:
            ends.append(way * np.inf)
            continue
        ends.append(float(optimize.brentq(profile, inside, outside, xtol=1e-9)))
    m0, low, high = (
        float(np.exp(centre + scale * t)) if np.isfinite(t) else (0.0 if t < 0 else np.inf) for t in (middle, *ends)
    )
    return ThresholdEstimate(m0, float(low), float(high), scale / b1, "fitted", n, -best)
