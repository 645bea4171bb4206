"""Errors of the terrain model: estimated from check points, and drawn as correlated fields over a strip."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geotools.errors import InputError

__all__ = ["PER_95", "Accuracy", "Measured", "correlation_length", "error_field", "estimate", "read_check_points"]

Floats = NDArray[np.float64]

#: 95 % of normal errors lie within this many standard deviations (ASPRS positional accuracy standards, edition 1, 2014,
#: from memory; superseded by edition 2, 2023).
PER_95 = 1.96
#: Fewer check points than this say nothing about how errors go together.
_FOR_CORRELATION = 30
_MOST_POINTS = 200_000


@dataclass(frozen=True)
class Accuracy:
    """What is known of the model's vertical error, metres.

    sigma_m : standard deviation about the bias. bias_m : model less check points; it shifts ground and heads alike, so
    that gaps do not feel it. rmse_m : RMSEz. correlation_m : distance at which the correlation has fallen to 1/e.
    points : number of check points, 0 where the accuracy is the supplier's word.
    """

    sigma_m: float
    bias_m: float = 0.0
    rmse_m: float = 0.0
    correlation_m: float = 8.0
    points: int = 0


def read_check_points(path: Path) -> Floats:
    """(n, 3) x, y, z of a CSV file with a header; InputError names line and column of what is wrong."""
    found: list[tuple[float, float, float]] = []
    try:
        with path.open(newline="", encoding="utf-8-sig") as text:
            reader = csv.DictReader(text)
            names = {(name or "").strip().lower(): name for name in reader.fieldnames or []}
            if not {"x", "y", "z"} <= set(names):
                raise InputError(
                    "the check points lack a column",
                    where=path,
                    found=", ".join(names) or "no header",
                    expected="columns x, y, z",
                )
            for row in reader:
                values = []
                for name in ("x", "y", "z"):
                    try:
                        value = float(row[names[name]])
                    except (TypeError, ValueError):
                        value = np.nan
                    if not np.isfinite(value):
                        raise InputError(
                            "a check point is not a number",
                            where=f"{path}, line {reader.line_num}, column {name}",
                            found=repr(row[names[name]]),
                            expected="a number with a decimal point",
                        )
                    values.append(value)
                found.append((values[0], values[1], values[2]))
                if len(found) > _MOST_POINTS:
                    raise InputError("too many check points", where=path, expected=f"at most {_MOST_POINTS}")
    except (OSError, UnicodeDecodeError, csv.Error) as problem:
        raise InputError("the check points cannot be read", where=path, found=problem) from problem
    if len(found) < 3:
        raise InputError("too few check points", where=path, found=len(found), expected="3 or more")
    return np.array(found)


def estimate(points: Floats, model_m: Floats, default_correlation_m: float) -> Accuracy:
    """Bias, spread and correlation length of ``model - check``; points (n, 3), model_m (n,) NaN outside the model."""
    known = np.isfinite(model_m)
    if known.sum() < 3:
        raise InputError(
            "the check points lie outside the terrain model",
            found=f"{int(known.sum())} of {len(points)} inside",
            expected="3 or more inside",
            mend="give them in the plan's coordinate system",
        )
    error = model_m[known] - points[known, 2]
    length = correlation_length(points[known, :2], error)
    return Accuracy(
        sigma_m=float(error.std(ddof=1)),
        bias_m=float(error.mean()),
        rmse_m=float(np.sqrt(np.mean(error**2))),
        correlation_m=default_correlation_m if length is None else length,
        points=int(known.sum()),
    )


def correlation_length(xy: Floats, error: Floats) -> float | None:
    """Distance at which errors' correlation falls to 1/e, by a fit of their variogram; None from too few points.

    The model is sill (1 - exp(-(h / length)^2)), the classes of distance hold equal numbers of pairs.
    """
    if len(xy) < _FOR_CORRELATION:
        return None
    if len(xy) > 1500:
        take = np.random.default_rng(0).choice(len(xy), 1500, replace=False)
        xy, error = xy[take], error[take]
    i, j = np.triu_indices(len(xy), 1)
    distance = np.hypot(*(xy[i] - xy[j]).T)
    half_square = 0.5 * (error[i] - error[j]) ** 2
    order = np.argsort(distance)
    near = order[: max(len(order) // 3, 100)]
    classes = np.array_split(near, 15)
    h = np.array([distance[c].mean() for c in classes])
    gamma = np.array([half_square[c].mean() for c in classes])
    sill = float(error.var(ddof=1))
    tried = np.geomspace(max(float(h[0]) / 2.0, 0.1), float(h[-1]) * 2.0, 200)
    misfit = [float(np.sum((gamma - sill * (1.0 - np.exp(-((h / length) ** 2)))) ** 2)) for length in tried]
    return float(tried[int(np.argmin(misfit))])


@dataclass(frozen=True)
class Measured:
    """Places of a strip whose level was measured again: (m,) chainage and offset, and what is left of their variance.

    noise : variance of the measured levels as a share of the model's own.
    """

    chainage_m: Floats
    offset_m: Floats
    noise: float


def error_field(
    chainage_m: Floats,
    offset_m: Floats,
    accuracy: Accuracy,
    rng: np.random.Generator,
    draws: int,
    measured: Measured | None = None,
) -> Floats:
    """Correlated normal errors over a strip, (draws, n, k), metres; correlation exp(-(distance / length)^2).

    Where levels were measured again and the model corrected by them, the error is what is left of it (each draw less
    its own best estimate from those places).
    """
    length = accuracy.correlation_m
    more = (np.empty(0), np.empty(0)) if measured is None else (measured.chainage_m, measured.offset_m)
    (along, along_there), (across, across_there) = (
        _kernel(np.ascontiguousarray(at, float).tobytes(), np.ascontiguousarray(also, float).tobytes(), length)
        for at, also in ((chainage_m, more[0]), (offset_m, more[1]))
    )
    noise = rng.standard_normal((draws, along.shape[1], across.shape[1]))
    # the few offsets first: a twentieth of the products, too few for threads to wait for one another
    field = along @ (noise @ across.T)
    if measured is not None and measured.chainage_m.size:
        there = np.einsum("mg,dgm->dm", along_there, noise @ across_there.T)
        there += np.sqrt(measured.noise) * rng.standard_normal(there.shape)
        squares = np.subtract.outer(more[0], more[0]) ** 2 + np.subtract.outer(more[1], more[1]) ** 2
        together = np.exp(-squares / length**2) + measured.noise * np.eye(more[0].size)
        weights = np.linalg.solve(together, there.T).T
        near = np.exp(-((np.subtract.outer(chainage_m, more[0]) / length) ** 2))
        beside = np.exp(-((np.subtract.outer(offset_m, more[1]) / length) ** 2))
        field -= np.einsum("np,kp,dp->dnk", near, beside, weights, optimize=True)
    return np.asarray(accuracy.sigma_m * field)


@lru_cache(maxsize=16)
def _kernel(places: bytes, further: bytes, length: float) -> tuple[Floats, Floats]:
    """Weights of white noise at each place and at each further one; kept, for every world draws over the same strip."""
    at, also = np.frombuffer(places), np.frombuffer(further)
    # white noise smoothed by exp(-2 d^2 / length^2) is correlated by exp(-d^2 / length^2)
    step = min(length / 4.0, float(at[1] - at[0]) if at.size > 1 else length)
    low, high = min(at[0], also.min(initial=at[0])), max(at[-1], also.max(initial=at[-1]))
    grain = np.arange(low - 1.5 * length, high + 1.5 * length + step, step)
    weights = np.exp(-2.0 * ((np.append(at, also)[:, None] - grain[None, :]) / length) ** 2)
    weights /= np.sqrt((weights**2).sum(axis=1, keepdims=True))
    return weights[: at.size], weights[at.size :]
