"""Where to cross a zone: the worst places first, then even cover. Arrays in, arrays out; no files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.errors import NumericInputError

__all__ = ["EVEN", "REASONS", "WORST", "Crossings", "plan_crossings"]

WORST = "worst spot"
EVEN = "even cover"
#: Why a place is crossed, in the order in which they come.
REASONS = ("undetected", "unproven", WORST, EVEN)


def _weak_spots(m: NDArray[np.float64]) -> NDArray[np.intp]:
    """Local minima of the known modulation, weakest first; a flat bottom counts once, in its middle."""
    if not np.any(np.isfinite(m)):
        return np.empty(0, np.intp)
    highest = np.nanmax(m)
    filled = np.where(np.isfinite(m), m, highest)
    # stretches of one value between higher neighbours; beyond both ends everything counts as higher
    first = np.flatnonzero(np.r_[True, np.diff(filled) != 0])
    last = np.r_[first[1:], len(filled)] - 1
    level = np.pad(filled[first], 1, constant_values=np.inf)
    found = ((first + last) // 2)[(level[1:-1] < level[:-2]) & (level[1:-1] < level[2:])]
    found = found[filled[found] < highest]
    return np.asarray(found[np.argsort(filled[found], kind="stable")], np.intp)


def _weakest_of_stretches(m: NDArray[np.float64], on: NDArray[np.bool_]) -> list[int]:
    """The weakest place of each run of flags, the weakest run first; where nothing is known, its middle."""
    edges = np.flatnonzero(np.diff(np.r_[False, np.asarray(on, bool), False].astype(int)))
    found = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        part = m[first:after]
        known = np.isfinite(part)
        lowest = np.flatnonzero(part == np.min(part[known])) if known.any() else np.arange(part.size)
        at = int(first + lowest[lowest.size // 2])
        found.append((float(m[at]) if known.any() else np.inf, at))
    return [at for _, at in sorted(found)]


@dataclass(frozen=True)
class Crossings:
    """Crossings of one zone in the order to walk them; every array has shape (n,).

    `index` points into the arrays the plan was made from; `reason` is one of REASONS.
    """

    index: NDArray[np.intp]
    reason: NDArray[np.str_]


def plan_crossings(
    chainage: NDArray[np.float64],
    modulation: NDArray[np.float64],
    trials: int,
    *,
    worst_share: float = 0.5,
    separation: float = 2.0,
    stretches: Mapping[str, NDArray[np.bool_]] | None = None,
) -> Crossings:
    """Choose where to cross a zone: undetected and unproven stretches, the weakest spots, then even cover of the rest.

    Parameters
    ----------
    chainage : (n,) metres, increasing: the places a crossing may be walked.
    modulation : (n,) best predicted modulation of a crossing at that chainage, dimensionless; NaN = not known.
    trials : crossings wanted. More than there are places repeats the list from its head, weakest first.
    worst_share : at most this part of the trials goes to weakest spots (0 to 1).
    separation : metres kept between two weakest spots, so that one dead spot does not take them all.
    stretches : places of a verdict by its name, (n,) each, the worst verdict first; each stretch is crossed once, where
        the prediction is weakest, the weakest stretch of a verdict first.

    Notes
    -----
    Even cover is farthest-point filling: each next crossing goes where the distance to any chosen one is largest,
    so stopping early still leaves the zone covered as evenly as that many crossings allow.
    """
    s = np.asarray(chainage, float)
    m = np.asarray(modulation, float)
    if s.ndim != 1 or s.shape != m.shape or s.size == 0 or np.any(np.diff(s) <= 0):
        raise NumericInputError(
            "Places to cross are not a rising list",
            where="chainage, modulation",
            found=f"shapes {s.shape} and {m.shape}",
            expected="two equal one-dimensional arrays, chainage strictly increasing",
        )
    if trials < 1 or not 0 <= worst_share <= 1:
        raise NumericInputError(
            "A walk test needs trials", found=f"trials {trials}, worst_share {worst_share}", expected=">= 1, 0 to 1"
        )
    places = min(int(trials), s.size)
    chosen: list[int] = []
    reasons: list[str] = []
    listed = [(i, reason) for reason, on in (stretches or {}).items() for i in _weakest_of_stretches(m, on)]
    for i, reason in [*listed, *((i, WORST) for i in _weak_spots(m))]:
        if len(chosen) >= int(np.ceil(worst_share * places)):
            break
        if all(abs(s[i] - s[j]) >= separation for j in chosen):
            chosen.append(int(i))
            reasons.append(reason)
    if not chosen:
        chosen.append(int(np.argmin(np.abs(s - 0.5 * (s[0] + s[-1])))))
        reasons.append(EVEN)
    distance = np.min(np.abs(s[:, None] - s[chosen][None, :]), axis=1)
    while len(chosen) < places:
        i = int(np.argmax(distance))
        chosen.append(i)
        reasons.append(EVEN)
        distance = np.minimum(distance, np.abs(s - s[i]))
    order = np.arange(int(trials)) % places
    return Crossings(np.asarray(chosen, np.intp)[order], np.asarray(reasons, np.str_)[order])
