"""How certain a dead spot is, and where to survey again: from the worlds that a zone was tried in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geotools.detection.perimeter import Perimeter
from geotools.detection.resurvey import Question, Resurvey, choose_points
from geotools.detection.spots import runs
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import CONFIDENCE, ZoneVerdicts

__all__ = ["CERTAIN", "LIKELY", "Judged", "Resurvey", "certainty_of", "confident_weakest", "judge_zone"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

CERTAIN, LIKELY = 0.95, 0.50
_POSSIBLE = 0.05


@dataclass(frozen=True)
class Judged:
    """What the draws say of one zone.

    Attributes
    ----------
    probability : mapping of str to list of float
        By threat, for each spot, that it leaves somebody undetected.
    open_share : mapping of str to (n,) array
        By threat, share of the draws in which somebody gets over at each station.
    possible : mapping of str to list of (int, int)
        By threat, runs of rows not found dead that are so in one draw in twenty or more.
    resurvey : list of Resurvey
        Where better levels would help most.
    """

    probability: dict[str, list[float]]
    open_share: dict[str, Floats]
    possible: dict[str, list[tuple[int, int]]]
    resurvey: list[Resurvey]


def certainty_of(probability: float) -> str:
    """The class a probability falls into."""
    if probability >= CERTAIN:
        return "certain"
    return "likely" if probability >= LIKELY else "cannot_tell"


def confident_weakest(
    perimeter: Perimeter, zone_id: str, worlds: Sequence[Mapping[str, Floats]]
) -> dict[str, float | None]:
    """Modulation that the weakest crossing of a zone meets with the stated confidence, by threat.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands; neighbours count as they stand.
    zone_id : str
        The zone.
    worlds : sequence of mapping of str to (n, k) array
        Modulation of its own heads in the worlds that were drawn.

    Returns
    -------
    dict of str to float
        The quantile of the worlds, the lower of two; None where none was drawn.
    """
    if not worlds:
        return dict.fromkeys(perimeter.rules.targets)
    kept = int((1.0 - CONFIDENCE) * (len(worlds) - 1)) + 1
    found: dict[str, float | None] = {}
    at_least = perimeter.easiest_steps(zone_id, worlds)
    for threat in perimeter.rules.targets:
        lowest: list[float] = []
        # the worlds with the easiest step first: most others cannot be weaker then
        for number in np.argsort(at_least[threat]):
            most = lowest[-1] if len(lowest) == kept else float("inf")
            if at_least[threat][number] >= most:
                break
            lowest = sorted([*lowest, perimeter.weakest_of(zone_id, threat, worlds[number], most)])[:kept]
        found[threat] = lowest[-1] if lowest and np.isfinite(lowest[-1]) else None
    return found


def judge_zone(
    perimeter: Perimeter,
    zone_id: str,
    spots: Mapping[str, Sequence[tuple[int, int]]],
    unknowns: Unknowns,
    judged_in: ZoneVerdicts,
) -> Judged:
    """What the worlds say of a zone's dead spots; neighbours as they stand.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    zone_id : str
        The zone in question.
    spots : mapping of str to sequence of (int, int)
        By threat in question, first and last row of each dead spot found.
    unknowns : Unknowns
        What the worlds were drawn from; with a survey.
    judged_in : ZoneVerdicts
        The worlds, the survey's error and who gets through in each.
    """
    accuracy = unknowns.survey
    assert accuracy is not None
    grid = perimeter.grids[zone_id]
    worlds, dead_in = judged_in.worlds, judged_in.dead_in
    middle = grid.offset_m.size // 2
    counted = perimeter.counted(zone_id)
    cover = perimeter.cover(zone_id)
    judged = Judged({}, {}, {}, [])
    questions: list[Question] = []
    for threat, found in spots.items():
        dead = np.array([one[threat] for one in dead_in])
        on_line = np.array([np.maximum(own[threat], cover[threat])[:, middle] for own in worlds])
        chances = [float(dead[:, first : last + 1].any(axis=1).mean()) for first, last in found]
        judged.probability[threat] = chances
        judged.open_share[threat] = dead.mean(axis=0)
        elsewhere = (dead.mean(axis=0) >= _POSSIBLE) & counted
        for first, last in found:
            elsewhere[max(first - 2, 0) : last + 3] = False
        judged.possible[threat] = _merged(runs(elsewhere), grid.chainage_m, accuracy.correlation_m)
        asked: list[tuple[int | None, tuple[int, int]]] = [
            (i, spot) for i, (spot, p) in enumerate(zip(found, chances, strict=True)) if _POSSIBLE < p < CERTAIN
        ]
        for index, spot in [*asked, *((None, run) for run in judged.possible[threat])]:
            for rows in _pieces(spot, grid.chainage_m, accuracy.correlation_m / 2.0):
                weakest = on_line[:, rows[0] : rows[1] + 1].min(axis=1)
                questions.append(Question(threat, index, rows, weakest))
    judged.resurvey.extend(choose_points(questions, judged_in.line_error_m, grid.chainage_m, accuracy))
    return judged


def _merged(found: list[tuple[int, int]], chainage_m: Floats, reach_m: float) -> list[tuple[int, int]]:
    """Runs of rows with those joined that lie closer than ``reach_m``: one question, one set of levels."""
    merged: list[tuple[int, int]] = []
    for first, last in found:
        if merged and chainage_m[first] - chainage_m[merged[-1][1]] < reach_m:
            merged[-1] = (merged[-1][0], last)
        else:
            merged.append((first, last))
    return merged


def _pieces(run: tuple[int, int], chainage_m: Floats, most_m: float) -> list[tuple[int, int]]:
    """A run of rows in pieces no longer than a length: a long one raises as many questions."""
    first, last = run
    count = max(int(np.ceil((chainage_m[last] - chainage_m[first]) / most_m)), 1)
    edges = np.linspace(first, last, count + 1).astype(int)
    return [(int(a), int(b)) for a, b in pairwise(edges)]
