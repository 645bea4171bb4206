"""How the answer moves when a setting is a little off: threshold, grass, head heights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geotools.beam import BeamField
from geotools.beam.strip import crossable, modulation
from geotools.steps.gaps.kernel import Question, ZoneWork, solve_zones

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
    cases: list[tuple[int, ZoneWork, tuple[str, ...]]] = []
    for place, work in enumerate(works):
        cases += [
            (place, work, ("as set", "threshold up", "threshold down", "grass")),
            (place, _moved(work, HEAD_M, HEAD_M), ("heads up",)),
            (place, _moved(work, -HEAD_M, -HEAD_M), ("heads down",)),
            (place, _moved(work, HEAD_M, -HEAD_M), ("one up, one down",)),
        ]
    case_of = {id(work): case for case in cases for work in (case[1],)}

    def ask(work: ZoneWork, fields: list[BeamField]) -> list[Moved]:
        place, _, changes = case_of[id(work)]
        step = float(work.strip.chainage_m[1] - work.strip.chainage_m[0])
        moved = []
        for number, target in enumerate(question.targets):
            plain = modulation(fields, target, work.strip, grass_m=question.grass_m)
            for change in changes:
                best = plain
                if change == "grass":
                    best = modulation(fields, target, work.strip, grass_m=question.grass_m + GRASS_M)
                threshold = question.threshold
                threshold += {"threshold up": THRESHOLD, "threshold down": -THRESHOLD}.get(change, 0.0)
                dead = crossable(np.maximum(best, others[place][number]), threshold)
                moved.append(Moved(place, target.name, change, float((dead & owned[place]).sum()) * step))
        return moved

    return [moved for part in solve_zones([case[1] for case in cases], ask) for moved in part]


def _moved(work: ZoneWork, tx_m: float, rx_m: float) -> ZoneWork:
    beams = tuple(
        replace(beam, tx_height_m=max(beam.tx_height_m + tx_m, 0.06), rx_height_m=max(beam.rx_height_m + rx_m, 0.06))
        for beam in work.beams
    )
    return replace(work, beams=beams)
