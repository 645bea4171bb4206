"""How the answer moves when a setting is a little off: threshold, grass, head heights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geotools.beam.strip import crossable
from geotools.detection.solve import Question, ZoneWork, best_of, see_zones

__all__ = ["CHANGES", "GRASS_M", "HEAD_M", "THRESHOLD", "Moved", "sensitivity"]

Floats = NDArray[np.float64]

THRESHOLD, GRASS_M, HEAD_M = 0.05, 0.08, 0.05
"""Changes tried: of the threshold; grass that tall (common practice, no source); heads that far from their height."""

CHANGES = (
    "as set",
    "threshold up",
    "threshold down",
    "grass",
    "heads up",
    "heads down",
    "one up, one down",
)


@dataclass(frozen=True)
class Moved:
    """Dead length of one zone and threat under one change, metres."""

    place: int
    threat: str
    change: str
    dead_m: float


def sensitivity(
    works: Sequence[ZoneWork], others: Sequence[Floats], owned: Sequence[NDArray[np.bool_]], question: Question
) -> list[Moved]:
    """Dead length of every zone and threat under each change, one change at a time.

    others : per zone (threats, n, k), what neighbours' beams give, held as it is.
    owned : per zone (n,), stations where the chain of beam lines runs along it.
    """
    plain = [(target, question.grass_m) for target in question.targets]
    grown = [(target, question.grass_m + GRASS_M) for target in question.targets]
    cases: list[tuple[int, ZoneWork, tuple[str, ...]]] = []
    for place, work in enumerate(works):
        cases += [
            (place, work, ("as set", "threshold up", "threshold down", "grass")),
            (place, _moved(work, HEAD_M, HEAD_M), ("heads up",)),
            (place, _moved(work, -HEAD_M, -HEAD_M), ("heads down",)),
            (place, _moved(work, HEAD_M, -HEAD_M), ("one up, one down",)),
        ]
    who = [[*plain, *grown] if "grass" in changes else plain for _, _, changes in cases]
    found = []
    for (place, work, changes), seen in zip(cases, see_zones([case[1] for case in cases], who), strict=True):
        step = float(work.strip.chainage_m[1] - work.strip.chainage_m[0])
        best = best_of(seen)
        for number, target in enumerate(question.targets):
            for change in changes:
                m = best[number + len(plain) if change == "grass" else number]
                threshold = question.threshold
                threshold += {"threshold up": THRESHOLD, "threshold down": -THRESHOLD}.get(change, 0.0)
                dead = crossable(np.maximum(m, others[place][number]), threshold)
                found.append(Moved(place, target.name, change, float((dead & owned[place]).sum()) * step))
    return found


def _moved(work: ZoneWork, tx_m: float, rx_m: float) -> ZoneWork:
    beams = tuple(
        replace(beam, tx_height_m=max(beam.tx_height_m + tx_m, 0.06), rx_height_m=max(beam.rx_height_m + rx_m, 0.06))
        for beam in work.beams
    )
    return replace(work, beams=beams)
