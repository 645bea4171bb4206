"""What makes a dead spot, by counterfactual: take one thing away, solve again, and see whether the spot goes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.beam import Target
from geotools.beam.standing import NULL_DB
from geotools.beam.strip import Strip, crossable
from geotools.detection.solve import Question, ZoneWork, on_ground, see_zones

__all__ = ["Doubt", "causes"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_TURN_DEG = 15.0
_NEAR_M = 15.0


@dataclass(frozen=True)
class Doubt:
    """One zone with dead spots of one threat.

    spots : (first, last) rows. others : (n, k) modulation that neighbours' beams give. turns : bend of the chain at the
    first and last row's end, degrees, NaN where no neighbour follows.
    """

    work: ZoneWork
    target: Target
    spots: tuple[tuple[int, int], ...]
    others: Floats
    turns: tuple[float, float]


def _line(strip: Strip) -> Floats:
    ground = strip.line_ground_m
    share = strip.chainage_m / strip.chainage_m[-1]
    return np.asarray((ground[0] + (ground[-1] - ground[0]) * share)[:, None] + np.zeros(strip.offset_m.size))


def causes(doubts: Sequence[Doubt], question: Question) -> list[list[str]]:
    """Cause of every spot: ``dip``, ``shadow``, ``standing_null``, ``near_head``, ``corner`` or ``range``.

    Counterfactuals, in this order of belief: ground lower than the straight line between the posts filled up to it
    (dip); ground higher cut down to it (shadow); the beam's own level without its null (standing_null). What straight
    ground would not cure either is the heads' own: close to one it is near_head (corner where the fence turns there),
    elsewhere it is range.
    """
    worlds: list[ZoneWork] = []
    for doubt in doubts:
        ground, line = doubt.work.strip.ground_m, _line(doubt.work.strip)
        worlds += [
            doubt.work,
            on_ground(doubt.work, np.maximum(ground, line)),
            on_ground(doubt.work, np.minimum(ground, line)),
            on_ground(doubt.work, line),
        ]
    asked = [(doubt, which) for doubt in doubts for which in range(4)]
    answers: list[Flags] = []
    every = see_zones(worlds, [[(doubt.target, question.grass_m)] for doubt, _ in asked])
    for (doubt, which), seen in zip(asked, every, strict=True):
        best = [one.modulation[0] * (1.0 if which else _lift(one.standing_level_db)) for one in seen]
        answers.append(crossable(np.max([*best, doubt.others], axis=0), question.threshold))
    named = []
    for place, doubt in enumerate(doubts):
        lifted, filled, cut, straight = answers[4 * place : 4 * place + 4]
        deviation = (doubt.work.strip.line_ground_m - _line(doubt.work.strip)[:, 0]).tolist()
        named.append([_name(doubt, spot, (lifted, filled, cut, straight), deviation) for spot in doubt.spots])
    return named


def _lift(standing_level_db: float) -> float:
    """How much more a beam would give without its null."""
    return min(max(1.0, 0.3 / 10.0 ** (standing_level_db / 20.0)), 10.0) if standing_level_db < NULL_DB else 1.0


def _name(doubt: Doubt, spot: tuple[int, int], worlds: tuple[object, ...], deviation: list[float]) -> str:
    rows = slice(spot[0], spot[1] + 1)
    lifted, filled, cut, straight = (float(np.mean(np.asarray(world)[rows])) for world in worlds)
    chainage = doubt.work.strip.chainage_m
    if straight > 0.5:
        if lifted < 0.5:
            return "standing_null"
        middle = float(chainage[spot[0]] + chainage[spot[1]]) / 2.0
        to_end = min(middle, float(chainage[-1]) - middle)
        if to_end > min(_NEAR_M, float(chainage[-1]) / 4.0):
            return "range"
        turn = doubt.turns[0] if middle < float(chainage[-1]) / 2.0 else doubt.turns[1]
        return "corner" if turn > _TURN_DEG else "near_head"
    if min(filled, cut) > 0.5 and lifted < 0.5:
        return "standing_null"
    if abs(filled - cut) > 1e-9:
        return "dip" if filled < cut else "shadow"
    return "dip" if np.mean(deviation[rows]) < 0 else "shadow"
