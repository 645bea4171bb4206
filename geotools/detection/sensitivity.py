"""How the dead length changes when a setting is a little off: threshold, grass, head heights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.detection.perimeter import Case, Perimeter, length_of, moved_heads

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

    zone_id: str
    threat: str
    change: str
    dead_m: float


def sensitivity(perimeter: Perimeter, zone_ids: Sequence[str]) -> list[Moved]:
    """Dead length of every zone and threat under each change, one change at a time; neighbours as they stand.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    zone_ids : sequence of str
        Zones asked about.
    """
    rules = perimeter.rules
    share = THRESHOLD / rules.threshold
    shifts = {"heads up": (HEAD_M, HEAD_M), "heads down": (-HEAD_M, -HEAD_M), "one up, one down": (HEAD_M, -HEAD_M)}
    cases, keys = [], []
    for zone_id in zone_ids:
        zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
        cases.append(Case(zone, strip, grass_m=rules.grass_m + GRASS_M))
        keys.append((zone_id, "grass"))
        for change, (tx_m, rx_m) in shifts.items():
            cases.append(Case(moved_heads(zone, np.tile([tx_m, rx_m], (len(zone.pairs), 1))), strip))
            keys.append((zone_id, change))
    owns = dict(zip(keys, perimeter.best(cases), strict=True))
    found = []
    for zone_id in zone_ids:
        chainage = perimeter.grids[zone_id].chainage_m
        for change in CHANGES:
            own = owns.get((zone_id, change))
            tried = None if own is None else dict(zip(rules.targets, own, strict=True))
            headroom = {"threshold up": share, "threshold down": -share}.get(change, 0.0)
            dead = perimeter.dead(zone_id, tried, headroom=headroom)
            found += [Moved(zone_id, threat, change, length_of(flags, chainage)) for threat, flags in dead.items()]
    return found
