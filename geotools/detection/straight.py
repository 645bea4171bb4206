"""What receivers get of somebody who walks straight over a zone: under either law of what a receiver measures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.beam.response import StripResponse
from geotools.detection.cases import Case, moved_heads
from geotools.detection.perimeter import Perimeter

__all__ = ["StraightCrossings", "straight_by_heads", "straight_crossings"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class StraightCrossings:
    """Straight crossings of a zone at each of its n chainages, for one threat, by the zone's own heads.

    Attributes
    ----------
    modulation : (n,) array
        Largest modulation that any of its beams meets on the way: the law of the field.
    swing : (n,) array
        Largest less smallest received level on the way, the undisturbed level among them, of the beam that it moves
        farthest: the law of the envelope.
    beside : (n,) array
        Largest modulation that heads of neighbouring zones meet on the way.
    """

    modulation: Floats
    swing: Floats
    beside: Floats


def straight_crossings(perimeter: Perimeter, zone_id: str) -> dict[str, StraightCrossings]:
    """Straight crossings of a zone, by threat; a zone without heads has none."""
    zone = perimeter.zones[zone_id]
    if not zone.pairs:
        return {}
    (found,) = perimeter.responses([Case(zone, perimeter.strip(zone_id), level=True)])
    cover = perimeter.cover(zone_id)
    return {
        threat: StraightCrossings(
            np.max([one.modulation[number].max(axis=1) for one in found], axis=0),
            np.max([_swing(one, number) for one in found], axis=0),
            cover[threat].max(axis=1),
        )
        for number, threat in enumerate(perimeter.rules.targets)
    }


def _swing(one: StripResponse, number: int) -> Floats:
    assert one.level is not None
    level = one.level[number]
    highest = np.maximum(level.max(axis=1), one.quiet_level)
    return np.asarray(highest - np.minimum(level.min(axis=1), one.quiet_level))


def straight_by_heads(perimeter: Perimeter, zone_id: str, moves_m: Floats) -> dict[str, tuple[Floats, Floats]]:
    """Straight crossings of a zone with its heads mounted higher or lower than stated, by threat.

    Parameters
    ----------
    perimeter : Perimeter
        The zone's.
    zone_id : str
        The zone; it has heads.
    moves_m : (k,) array
        Moves tried of every transmitter, and of every receiver, m.

    Returns
    -------
    dict of str to (array, array)
        Modulation and swing of every pair by itself, as of :class:`StraightCrossings`, (pairs, k, k, n) each: for each
        move of the transmitter and of the receiver, at each chainage.
    """
    zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
    targets = list(perimeter.rules.targets)
    shape = len(zone.pairs), len(moves_m), len(moves_m), perimeter.grids[zone_id].chainage_m.size
    found = {threat: (np.empty(shape), np.empty(shape)) for threat in targets}
    for a, tx_m in enumerate(moves_m):
        moved = [np.tile([tx_m, rx_m], (shape[0], 1)) for rx_m in moves_m]
        cases = [Case(moved_heads(zone, move), strip, level=True) for move in moved]
        for b, pairs in enumerate(perimeter.responses(cases)):
            for pair, one in enumerate(pairs):
                for number, threat in enumerate(targets):
                    found[threat][0][pair, a, b] = one.modulation[number].max(axis=1)
                    found[threat][1][pair, a, b] = _swing(one, number)
    return found
