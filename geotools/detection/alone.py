"""A zone with no neighbour beside it: what its own heads leave undetected, as at an open end of the line."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from geotools.detection.cases import length_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.spots import stretch
from geotools.plan.model import Zone

__all__ = ["alone", "dead_before_heads", "dead_near_heads"]

Array = npt.NDArray[np.float64]


def alone(perimeter: Perimeter, zone: Zone) -> Perimeter:
    """The zone by itself on the perimeter's ground; what is solved of it already is kept."""
    made = Perimeter([zone], perimeter.ground, perimeter.rules)
    made.take_over(perimeter)
    return made


def dead_before_heads(perimeter: Perimeter, zone_id: str) -> dict[str, tuple[float, float]]:
    """How far from each head a threat is first detected and stays detected up to mid-span, by threat.

    Parameters
    ----------
    perimeter : Perimeter
        Of the zone :func:`alone`, or of several that do not touch.
    zone_id : str
        The zone in question.

    Returns
    -------
    dict of str to (float, float)
        From the transmitter's post and from the receiver's, m; ``inf`` where the threat is not detected at mid-span.
    """
    grid = perimeter.grids[zone_id]
    found = {}
    for threat, dead in perimeter.dead(zone_id).items():
        half = (dead.size + 1) // 2
        before = np.flatnonzero(dead[:half])
        after = np.flatnonzero(dead[::-1][:half])
        found[threat] = (
            0.0 if not before.size else float("inf") if before[-1] == half - 1 else stretch(grid, 0, before[-1])[1],
            0.0 if not after.size else float("inf") if after[-1] == half - 1 else stretch(grid, 0, after[-1])[1],
        )
    return found


def dead_near_heads(perimeter: Perimeter, zone: Zone, own: Mapping[str, Array], within_m: float) -> float:
    """Dead length of any threat no farther than ``within_m`` from either head, by the zone's own beams alone, m.

    own : modulation of the zone's heads, from :meth:`Perimeter.modulation`.
    """
    by_itself = alone(perimeter, zone)
    dead = np.any(list(by_itself.dead(zone.zone_id, own).values()), axis=0)
    chainage = by_itself.grids[zone.zone_id].chainage_m
    near = (chainage < within_m) | (chainage > chainage[-1] - within_m)
    return length_of(dead & near, chainage)
