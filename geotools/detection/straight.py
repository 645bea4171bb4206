"""What receivers get of somebody who walks straight over a zone: under either law of what a receiver measures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.beam.response import StripResponse
from geotools.detection.cases import Case
from geotools.detection.perimeter import Perimeter

__all__ = ["StraightCrossings", "straight_crossings"]

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
