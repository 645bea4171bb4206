"""The shortest list of places whose level turns what is unproven into an answer.

Of every stretch in question the worlds tell where along the beam the survey's error moves the answer. A level measured
there takes the error away about it, as far as errors go together; places are taken one by one, each the one that takes
most of what is left from all questions of the zone together, until little of it is left for any.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.detection.accuracy import PER_95, Accuracy

__all__ = ["Question", "Resurvey", "choose_points"]

Floats = NDArray[np.float64]

#: Levels as the layer calls for them: to two centimetres (95 %), m.
LEVELLED_M = 0.02
#: Share of the variance of the ground that may be left where it moves an answer.
LEFT = 0.06
#: The worlds are few: a share of variance up to this is put down to chance.
_CHANCE = 0.10
#: The ground right under a stretch counts as much as this, whatever the worlds tell.
_UNDER = 0.3
_MOST_POINTS = 200


@dataclass(frozen=True)
class Resurvey:
    """A place where a better level would settle the question.

    spot : number of the dead spot, None where none was found but one is possible.
    explains : share of the variance of the answer that the level there explains, 0 to 1.
    """

    threat: str
    spot: int | None
    chainage_m: float
    explains: float


@dataclass(frozen=True)
class Question:
    """A stretch in question: rows of the zone, first and last, and its weakest modulation in each world."""

    threat: str
    spot: int | None
    rows: tuple[int, int]
    answer: Floats


def choose_points(
    questions: Sequence[Question], error_m: Floats, chainage_m: Floats, accuracy: Accuracy
) -> list[Resurvey]:
    """Places on the beam line to survey, in the order of their chainage.

    Parameters
    ----------
    questions : sequence of Question
        Stretches in question, short against the length over which errors go together.
    error_m : (worlds, n) array
        Error of the ground under the beam line in each world, m.
    chainage_m : (n,) array
        Of the zone's stations, m.
    accuracy : Accuracy
        Of the survey, with the length over which its errors go together.
    """
    if not questions or accuracy.sigma_m == 0.0:
        return []
    shares = np.array([_explained(one.answer, error_m) for one in questions])
    weights = np.maximum(shares - _CHANCE, 0.0)
    for weight, one in zip(weights, questions, strict=True):
        first, last = one.rows
        weight[first : last + 1] = np.maximum(weight[first : last + 1], _UNDER)
    weights /= weights.sum(axis=1, keepdims=True)
    # what is left of the ground's variance, at every station and together with every other one
    apart = np.subtract.outer(chainage_m, chainage_m)
    left = np.exp(-((apart / accuracy.correlation_m) ** 2))
    noise = (LEVELLED_M / PER_95 / accuracy.sigma_m) ** 2
    chosen: list[int] = []
    while len(chosen) < _MOST_POINTS:
        open_ = weights @ np.diag(left)
        wanting = open_ > LEFT
        if not wanting.any():
            break
        taken = left**2 / (np.diag(left) + noise)
        gain = (weights[wanting] @ taken).sum(axis=0)
        gain[chosen] = 0.0
        best = int(gain.argmax())
        if gain[best] < 1e-3:
            break  # the levels themselves are no better than what is left
        chosen.append(best)
        left = left - np.outer(left[:, best], left[best]) / (left[best, best] + noise)
    return [_point(questions, weights, shares, chainage_m, row) for row in sorted(chosen)]


def _point(questions: Sequence[Question], weights: Floats, shares: Floats, chainage_m: Floats, row: int) -> Resurvey:
    # of all that it is about as much, a dead spot is named before a place where none was found
    heard = np.flatnonzero(weights[:, row] >= 0.5 * weights[:, row].max()).tolist()
    about = questions[min(heard, key=lambda k: (questions[k].spot is None, -weights[k, row]))]
    # no more digits than the draws carry: the last ones hang on how many threads a product of matrices is given
    return Resurvey(about.threat, about.spot, float(chainage_m[row]), round(float(shares[:, row].max()), 6))


def _explained(answer: Floats, error: Floats) -> Floats:
    """Share of the variance of an answer that the level at each station explains, (n,)."""
    spread = answer.std()
    if spread < 1e-9:
        return np.zeros(error.shape[1])
    covariance = (error - error.mean(axis=0)).T @ (answer - answer.mean()) / len(answer)
    return np.asarray((covariance / (spread * np.maximum(error.std(axis=0), 1e-9))) ** 2)
