"""What makes a dead spot, by counterfactual: take one thing away, ask again, and see whether the spot goes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.beam.standing import NULL_DB
from geotools.detection.cases import Case, straight_ground
from geotools.detection.perimeter import Perimeter

__all__ = ["Suspect", "causes"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_TURN_DEG = 15.0
_NEAR_M = 15.0
#: Ground nearer than this to the straight line between the posts is as good as straight: no dip or crest to blame, m.
_FLAT_M = 0.02


@dataclass(frozen=True)
class Suspect:
    """One zone with dead spots of one threat.

    Attributes
    ----------
    zone_id, threat : str
        The zone's and the threat's names.
    spots : tuple of (int, int)
        First and last row of each spot.
    turns : (float, float)
        Bend of the chain at the first and last row's end, degrees, NaN where no neighbour follows.
    """

    zone_id: str
    threat: str
    spots: tuple[tuple[int, int], ...]
    turns: tuple[float, float]


def causes(perimeter: Perimeter, suspects: Sequence[Suspect]) -> list[list[str]]:
    """Cause of every spot: ``dip, shadow, standing_null, near_head, corner, junction`` or ``range``.

    Counterfactuals, in this order of belief: ground lower than the straight line between the posts filled up to it
    (dip); ground higher cut down to it (shadow); the beam's own level without its null (standing_null). What straight
    ground would not cure either is the heads' own: close to one it is near_head (corner where the fence turns there,
    junction where another zone follows in line and leaves a way between), elsewhere it is range.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    suspects : sequence of Suspect
        Zones with dead spots, one threat each.

    Returns
    -------
    list of list of str
        Per suspect, the cause of each spot.
    """
    zones = list(dict.fromkeys(suspect.zone_id for suspect in suspects))
    worlds: dict[str, tuple[dict[str, Flags], ...]] = {}
    for zone_id in zones:
        ground = perimeter.levels(zone_id)
        line = straight_ground(perimeter.grids[zone_id], ground)
        zone = perimeter.zones[zone_id]
        cases = [
            Case(zone, perimeter.strip(zone_id)),
            Case(zone, np.maximum(ground, line)),
            Case(zone, np.minimum(ground, line)),
            Case(zone, line),
        ]
        answers = []
        for number, seen in enumerate(perimeter.responses(cases)):
            own = np.max([one.modulation * (1.0 if number else _lift(one.standing_level_db)) for one in seen], axis=0)
            answers.append(perimeter.dead(zone_id, dict(zip(perimeter.rules.targets, own, strict=True))))
        worlds[zone_id] = tuple(answers)
    return [
        [
            _name(perimeter, suspect, spot, tuple(world[suspect.threat] for world in worlds[suspect.zone_id]))
            for spot in suspect.spots
        ]
        for suspect in suspects
    ]


def _lift(standing_level_db: float) -> float:
    """How much more a beam would give without its null."""
    return min(max(1.0, 0.3 / 10.0 ** (standing_level_db / 20.0)), 10.0) if standing_level_db < NULL_DB else 1.0


def _name(perimeter: Perimeter, suspect: Suspect, spot: tuple[int, int], worlds: tuple[Flags, ...]) -> str:
    rows = slice(spot[0], spot[1] + 1)
    lifted, filled, cut, straight = (float(np.mean(world[rows])) for world in worlds)
    grid, level = perimeter.grids[suspect.zone_id], perimeter.levels(suspect.zone_id)
    deviation = (level - straight_ground(grid, level))[:, level.shape[1] // 2]
    flat = float(np.abs(deviation).max()) < _FLAT_M
    if straight > 0.5 or flat:
        if lifted < 0.5:
            return "standing_null"
        return _of_the_heads(grid.chainage_m, suspect, spot)
    if min(filled, cut) > 0.5 and lifted < 0.5:
        return "standing_null"
    if abs(filled - cut) > 1e-9:
        return "dip" if filled < cut else "shadow"
    return "dip" if np.mean(deviation[rows]) < 0 else "shadow"


def _of_the_heads(chainage: Floats, suspect: Suspect, spot: tuple[int, int]) -> str:
    """The cause where straight ground would not help."""
    length = float(chainage[-1])
    middle = float(chainage[spot[0]] + chainage[spot[1]]) / 2.0
    if min(middle, length - middle) > min(_NEAR_M, length / 4.0):
        return "range"
    turn = suspect.turns[0] if middle < length / 2.0 else suspect.turns[1]
    if np.isnan(turn):
        return "near_head"
    return "corner" if turn > _TURN_DEG else "junction"
