"""How the answer changes when something is a little off: settings one by one, and each source of what is not known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geotools.detection.cases import Case, length_of, moved_heads
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Unknowns, without_each
from geotools.detection.verdicts import ZoneVerdicts

__all__ = ["CHANGES", "GRASS_M", "HEAD_M", "SOURCES", "THRESHOLD", "Cost", "Moved", "costs", "sensitivity"]

Flags = NDArray[np.bool_]
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


SOURCES = ("survey", "spacing", "build", "body", "surface", "heads", "law")
"""What is not known exactly, by the names of the setting detection.uncertain."""

_WORLDS_AGAIN = 5
"""Worlds of a zone that are solved again without each source."""


@dataclass(frozen=True)
class Cost:
    """Length of one zone and threat that one source keeps from detected: it would be, were that known exactly, m."""

    zone_id: str
    threat: str
    source: str
    unproven_m: float


def costs(perimeter: Perimeter, zone_id: str, unknowns: Unknowns, judged: ZoneVerdicts) -> list[Cost]:
    """What each source of what is not known costs a zone beside all others; neighbours as they stand.

    The worlds that open most are solved again with one source known exactly, those among them that open a station whose
    verdict hangs on its worlds. The share of worlds in which such a station is open falls as it does in those.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    zone_id : str
        The zone.
    unknowns : Unknowns
        What is not known exactly.
    judged : ZoneVerdicts
        The zone's verdicts with all of it.
    """
    counted, chainage = perimeter.counted(zone_id), perimeter.grids[zone_id].chainage_m
    open_in = {
        threat: np.array([one[threat] & ~stations.dead & counted for one in judged.dead_in])
        for threat, stations in judged.stations.items()
        if judged.dead_in
    }
    # a station that fewer open worlds would not make detected loses nothing by any source that the worlds hold
    at_stake = {
        threat: counted & ~stations.detected() & replace(stations, open_share=0.0 * stations.open_share).detected()
        for threat, stations in judged.stations.items()
    }
    tried = _telling(open_in, _WORLDS_AGAIN)
    tried = [n for n in tried if any((opened[n] & at_stake[threat]).any() for threat, opened in open_in.items())]
    again = without_each(perimeter, zone_id, unknowns, tried) if tried else {}
    found = []
    for source in SOURCES:
        left = [perimeter.dead(zone_id, own) for own in again.get(source, [])]
        for threat, stations in judged.stations.items():
            known = replace(
                stations,
                missed=np.zeros_like(stations.missed) if source == "spacing" else stations.missed,
                law=np.zeros_like(stations.law) if source == "law" else stations.law,
            )
            if left:
                was = open_in[threat][tried]
                still = was & np.array([one[threat] for one in left])
                rest = still.sum(axis=0) / np.maximum(was.sum(axis=0), 1)
                known = replace(
                    known, open_share=np.where(was.any(axis=0), stations.open_share * rest, known.open_share)
                )
            gained = counted & known.detected() & ~stations.detected()
            found.append(Cost(zone_id, threat, source, length_of(gained, chainage)))
    return found


def _telling(open_in: Mapping[str, Flags], most: int) -> list[int]:
    """Worlds that together open the most stations, each station counting less the more often it is open already."""
    if not open_in:
        return []
    opened = np.concatenate(list(open_in.values()), axis=1).astype(float)
    chosen: list[int] = []
    weight = np.ones(opened.shape[1])
    while len(chosen) < min(most, len(opened)):
        gain = opened @ weight
        gain[chosen] = 0.0
        if gain.max() <= 0.0:
            break
        chosen.append(int(gain.argmax()))
        weight /= 1.0 + opened[chosen[-1]]
    return sorted(chosen)


@dataclass(frozen=True)
class Moved:
    """Dead length of one zone and threat under one change, metres."""

    zone_id: str
    threat: str
    change: str
    dead_m: float


def sensitivity(
    perimeter: Perimeter, zone_ids: Sequence[str], in_grass: Mapping[str, Floats] | None = None
) -> list[Moved]:
    """Dead length of every zone and threat under each change, one change at a time; neighbours as they stand.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    zone_ids : sequence of str
        Zones in question.
    in_grass : mapping of str to (threats, n, k) array, optional
        Modulation in grass that much taller, by zone, where it is solved.
    """
    rules, known = perimeter.rules, in_grass or {}
    share = THRESHOLD / rules.threshold
    shifts = {"heads up": (HEAD_M, HEAD_M), "heads down": (-HEAD_M, -HEAD_M), "one up, one down": (HEAD_M, -HEAD_M)}
    cases, keys = [], []
    for zone_id in zone_ids:
        zone, strip = perimeter.zones[zone_id], perimeter.strip(zone_id)
        if zone_id not in known:
            cases.append(Case(zone, strip, grass_m=rules.grass_m + GRASS_M))
            keys.append((zone_id, "grass"))
        for change, (tx_m, rx_m) in shifts.items():
            cases.append(Case(moved_heads(zone, np.tile([tx_m, rx_m], (len(zone.pairs), 1))), strip))
            keys.append((zone_id, change))
    owns = dict(zip(keys, perimeter.best(cases), strict=True))
    owns |= {(zone_id, "grass"): own for zone_id, own in known.items()}
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
