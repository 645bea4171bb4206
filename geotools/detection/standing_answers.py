"""What is asked of zones as they stand beside who gets through: in a missed dip, of the level, in tall grass.

All of it hangs on fields that are the same: heads and ground as they are. Asked together, they are solved once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geotools.beam.response import StripResponse
from geotools.detection.cases import Case
from geotools.detection.hidden import DEEP_ENOUGH_M, dip_case, hidden_depth
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Unknowns

__all__ = ["StandingAnswers", "standing_answers"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class StandingAnswers:
    """Of one zone with n chainages and k offsets.

    Attributes
    ----------
    dip_m : float
        How deep a dip could be that its survey missed, m.
    in_dip : mapping of str to (n, k) array, or None
        Modulation with every body that much lower, by threat; None where no dip is deep enough to matter.
    levels : list of StripResponse
        What each pair of heads gives, with the received level; empty where that law is left out.
    in_grass : (threats, n, k) array, or None
        Modulation in taller grass; None where that is not asked.
    """

    dip_m: float
    in_dip: Mapping[str, Floats] | None = None
    levels: list[StripResponse] = field(default_factory=list)
    in_grass: Floats | None = None


def standing_answers(
    perimeter: Perimeter, zone_ids: Sequence[str], unknowns: Unknowns, grass_m: float | None = None
) -> dict[str, StandingAnswers]:
    """Answers of zones as they stand, by zone; solved together.

    Parameters
    ----------
    perimeter : Perimeter
        With the zones.
    zone_ids : sequence of str
        Zones in question: few enough that their levels may be held at once.
    unknowns : Unknowns
        Says whether dips are missed and whether the level is requested.
    grass_m : float, optional
        Height of the taller grass, m.
    """
    depths = {z: 0.0 if unknowns.hidden is None else hidden_depth(perimeter, z, unknowns.hidden) for z in zone_ids}
    asked: dict[tuple[str, str], Case] = {}
    for zone_id, depth in depths.items():
        zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
        if depth > DEEP_ENOUGH_M:
            asked[zone_id, "dip"] = dip_case(perimeter, zone_id, depth)
        if unknowns.envelope is not None:
            asked[zone_id, "level"] = Case(zone, strip, level=True)
        if grass_m is not None:
            asked[zone_id, "grass"] = Case(zone, strip, grass_m=grass_m)
    found = dict(zip(asked, perimeter.responses(list(asked.values())), strict=True))
    best = {key: perimeter.best_of(asked[key], one) for key, one in found.items() if key[1] != "level"}
    return {
        z: StandingAnswers(
            depth,
            dict(zip(perimeter.rules.targets, best[z, "dip"], strict=True)) if (z, "dip") in best else None,
            found.get((z, "level"), []),
            best.get((z, "grass")),
        )
        for z, depth in depths.items()
    }
