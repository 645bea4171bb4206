"""How certain a dead spot is: the zone solved again on grounds drawn within the survey's accuracy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.beam import Target
from geotools.beam.strip import crossable
from geotools.detection.accuracy import Accuracy, error_field
from geotools.detection.solve import Question, ZoneWork, best_of, on_ground, see_zones
from geotools.detection.spots import runs

__all__ = ["CERTAIN", "LIKELY", "Judged", "Resurvey", "ZoneDoubt", "certainty_of", "judge_zone"]

Floats = NDArray[np.float64]

CERTAIN, LIKELY = 0.95, 0.50
_POSSIBLE = 0.05
_POINTS_A_SPOT = 4


@dataclass(frozen=True)
class ZoneDoubt:
    """A zone whose answer may hang on the survey.

    number : of the zone along its fence line, which its draws hang on.
    owned : (n,) stations where the chain of beam lines runs along this zone; past them it is the next zone's.
    others : by threat (n, k), what neighbours' beams give. spots : by threat, rows of the dead spots found.
    """

    work: ZoneWork
    number: int
    owned: NDArray[np.bool_]
    others: dict[str, Floats]
    spots: dict[str, tuple[tuple[int, int], ...]]


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
class Judged:
    """probability : by threat, for each spot, that it lets somebody through. possible : by threat, runs of rows not
    found dead that are so in one draw in twenty or more."""

    probability: dict[str, list[float]]
    possible: dict[str, list[tuple[int, int]]]
    resurvey: list[Resurvey]


def certainty_of(probability: float) -> str:
    """The class a probability falls into."""
    if probability >= CERTAIN:
        return "certain"
    return "likely" if probability >= LIKELY else "cannot_tell"


def judge_zone(doubt: ZoneDoubt, question: Question, accuracy: Accuracy, draws: int, seed: int) -> Judged:
    """Monte Carlo over correlated ground errors, the same for the same seed and zone."""
    strip = doubt.work.strip
    rng = np.random.default_rng([seed, doubt.number])
    errors = error_field(strip.chainage_m, strip.offset_m, accuracy, rng, draws)
    targets = [target for target in question.targets if target.name in doubt.others]
    middle = strip.offset_m.size // 2

    grounds = [on_ground(doubt.work, strip.ground_m + error) for error in errors]
    who = [(target, question.grass_m) for target in targets]
    others = np.array([doubt.others[target.name] for target in targets])
    answers = []
    for seen in see_zones([doubt.work, *grounds], [who] * (len(grounds) + 1)):
        best = np.maximum(best_of(seen), others)
        answers.append([(crossable(m, question.threshold), m[:, middle]) for m in best])
    probability: dict[str, list[float]] = {}
    possible: dict[str, list[tuple[int, int]]] = {}
    resurvey: list[Resurvey] = []
    for number, target in enumerate(targets):
        today, _ = answers[0][number]
        dead = np.array([answer[number][0] for answer in answers[1:]])
        on_line = np.array([answer[number][1] for answer in answers[1:]])
        spots = doubt.spots.get(target.name, ())
        chances = []
        for spot in spots:
            rows = slice(spot[0], spot[1] + 1)
            if today[rows].any():
                chances.append(float(dead[:, rows].any(axis=1).mean()))
            else:
                # the way winds through a neighbour's strip: here only the open beam line itself can be asked
                chances.append(float((on_line[:, rows] < question.threshold).any(axis=1).mean()))
        probability[target.name] = chances
        elsewhere = (dead.mean(axis=0) >= _POSSIBLE) & doubt.owned
        for first, last in spots:
            elsewhere[max(first - 2, 0) : last + 3] = False
        possible[target.name] = _merged(runs(elsewhere), strip.chainage_m, accuracy.correlation_m)
        asked = [(i, spot) for i, (spot, p) in enumerate(zip(spots, chances, strict=True)) if _POSSIBLE < p < CERTAIN]
        for index, spot in [*asked, *((None, run) for run in possible[target.name])]:
            weakest = on_line[:, spot[0] : spot[1] + 1].min(axis=1)
            found = _where_to_look(target, index, weakest, errors[:, :, middle], strip.chainage_m, accuracy)
            resurvey += [p for p in found if all(_apart(p, q) >= accuracy.correlation_m for q in resurvey)]
    return Judged(probability, possible, resurvey)


def _apart(a: Resurvey, b: Resurvey) -> float:
    return abs(a.chainage_m - b.chainage_m) if a.threat == b.threat else np.inf


def _merged(found: list[tuple[int, int]], chainage_m: Floats, reach_m: float) -> list[tuple[int, int]]:
    """Runs of rows with those joined that lie closer than ``reach_m``: one doubt, one set of levels."""
    merged: list[tuple[int, int]] = []
    for first, last in found:
        if merged and chainage_m[first] - chainage_m[merged[-1][1]] < reach_m:
            merged[-1] = (merged[-1][0], last)
        else:
            merged.append((first, last))
    return merged


def _where_to_look(
    target: Target,
    spot: int | None,
    answer: Floats,
    error: Floats,
    chainage_m: Floats,
    accuracy: Accuracy,
) -> list[Resurvey]:
    """Places on the beam line whose level explains the answer best, at least a correlation length apart."""
    spread = answer.std()
    if spread < 1e-9:
        return []
    centred = error - error.mean(axis=0)
    covariance = centred.T @ (answer - answer.mean()) / len(answer)
    share = (covariance / (spread * np.maximum(error.std(axis=0), 1e-9))) ** 2
    points: list[Resurvey] = []
    for row in np.argsort(-share, kind="stable"):
        if len(points) == _POINTS_A_SPOT or (points and share[row] < 0.15):
            break
        at = float(chainage_m[row])
        if all(abs(at - point.chainage_m) >= accuracy.correlation_m for point in points):
            points.append(Resurvey(target.name, spot, at, float(share[row])))
    return sorted(points, key=lambda point: point.chainage_m)


def in_doubt(weakest: Sequence[float], threshold: float) -> bool:
    """Whether a zone is near enough to the threshold for its survey to matter."""
    return any(value < 1.75 * threshold for value in weakest)
