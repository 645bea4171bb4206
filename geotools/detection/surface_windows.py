"""Windows under grass or snow: the depth at which each closes, between the two bounds of what a surface does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from geotools.beam import Target
from geotools.beam.movers import Mover
from geotools.detection.cases import moved_heads, over_mirror, reaches
from geotools.detection.mover_places import MoverPlaces
from geotools.detection.nuisance import nuisance_of
from geotools.detection.operating import OperatingWindow
from geotools.detection.perimeter import Perimeter

__all__ = ["BOUNDS", "MoversBeside", "SurfaceWindow", "closing_depth", "surface_windows", "under_surface", "windows_of"]

#: What a surface does: it only hides what stands in it, or it reflects at its top. The truth lies between.
BOUNDS = ("hides", "reflects")
_LEAST_M = 0.001


@dataclass(frozen=True)
class SurfaceWindow:
    """One zone's window under a surface of a depth, metres, in one of `BOUNDS`.

    standing_db : standing level of its weakest beam then.
    """

    zone_id: str
    depth_m: float
    bound: str
    window: OperatingWindow
    standing_db: float

    @property
    def keeps(self) -> bool:
        """Whether the window is not empty and every crossing reaches the threshold."""
        alarms = reaches(self.window.weakest.modulation, self.window.threshold)
        return self.window.state != "empty" and bool(alarms)


def under_surface(perimeter: Perimeter, depth_m: float, bound: str) -> Perimeter:
    """The perimeter with grass or snow of a depth all over its ground."""
    rules = perimeter.rules
    if bound == "hides":
        changed = replace(rules, grass_m=max(rules.grass_m, depth_m))
        return Perimeter(list(perimeter.zones.values()), perimeter.ground, changed, perimeter.closed)

    def bodies(targets: Mapping[str, Target]) -> dict[str, Target]:
        return {name: over_mirror(target, depth_m) for name, target in targets.items()}

    changed = replace(
        rules,
        targets=bodies(rules.targets),
        by_fence={name: bodies(held) for name, held in rules.by_fence.items()},
        grass_m=max(rules.grass_m - depth_m, 0.0),
    )
    zones = [moved_heads(zone, np.full((len(zone.pairs), 2), -depth_m)) for zone in perimeter.zones.values()]
    return Perimeter(zones, perimeter.ground, changed, perimeter.closed)


def _mover_under(mover: Mover, depth_m: float) -> Mover | None:
    """What of a mover stands out of a surface; None where it is buried whole, or is the ground's own old surface."""
    if mover.kind == "surface":
        return mover
    base = max(mover.base_m - depth_m, 0.0)
    height = mover.base_m + mover.height_m - depth_m - base
    return replace(mover, base_m=base, height_m=height) if height > _LEAST_M else None


@dataclass(frozen=True)
class MoversBeside:
    """What must not alarm: movers by name, where they may be, how far beside a beam line they are looked for, m."""

    movers: Mapping[str, Mover]
    places: MoverPlaces
    reach_m: float

    def under(self, depth_m: float) -> MoversBeside:
        """What of those that must not alarm and live somewhere stands out of a surface of a depth, m."""
        named = {name for feature in self.places.features for name in feature.movers}
        shown = {
            name: _mover_under(mover, depth_m)
            for name, mover in self.movers.items()
            if mover.must_not_alarm and (mover.place != "mapped" or name in named)
        }
        return replace(self, movers={name: mover for name, mover in shown.items() if mover is not None})


def windows_of(
    perimeter: Perimeter, zone_ids: Sequence[str], beside: MoversBeside, state: tuple[float, str]
) -> list[SurfaceWindow]:
    """The windows of zones of a perimeter by the best estimate; state : depth, m, and what the surface does."""
    around = nuisance_of(perimeter, zone_ids, beside.movers, beside.reach_m)
    found = []
    for zone_id in zone_ids:
        if zone_id not in around:
            continue
        window = beside.places.window(perimeter, zone_id, around[zone_id])
        level = min(perimeter.standing_db[zone_id, pair.level] for pair in perimeter.zones[zone_id].pairs)
        found.append(SurfaceWindow(zone_id, *state, window, level))
    return found


def surface_windows(
    perimeter: Perimeter, beside: MoversBeside, depths_m: Sequence[float], zone_ids: Sequence[str] | None = None
) -> list[SurfaceWindow]:
    """The windows of zones under surfaces of these depths, by the best estimate.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands, the surface taken off.
    beside : MoversBeside
        What moves and is no threat; what may alarm now and then is left out.
    depths_m : sequence of float
        Depths of grass or snow, m.
    zone_ids : sequence of str, optional
        Zones in question; all if not given.
    """
    found = []
    for depth in depths_m:
        shown = beside.under(depth)
        for bound in BOUNDS:
            there = under_surface(perimeter, depth, bound)
            there.solve_all()
            found += windows_of(there, list(there.zones) if zone_ids is None else zone_ids, shown, (depth, bound))
    return found


def closing_depth(rows: Sequence[SurfaceWindow], zone_id: str) -> float | None:
    """Least depth looked at under which a zone's window is empty in either bound, or a crossing misses the threshold.

    None where it stays open in all of them.
    """
    closed = [row.depth_m for row in rows if row.zone_id == zone_id and not row.keeps]
    return min(closed, default=None)
