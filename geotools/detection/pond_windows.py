"""Windows with water standing in the hollows of a zone: a mirror at its level, and bodies in it up to their depth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from geotools.detection.cases import Case, moved_heads, over_mirror
from geotools.detection.perimeter import Perimeter
from geotools.detection.surface_windows import MoversBeside, SurfaceWindow, windows_of
from geotools.plan.model import Zone
from geotools.terrain.design import Ground

__all__ = ["PondedGround", "StandingWater", "pond_windows", "with_ponds"]

Array = npt.NDArray[np.float64]
_DRY_M = 0.001


@dataclass(frozen=True)
class StandingWater:
    """Water in a hollow: its outline when full, m; its level when full and its depth at the deepest place, m."""

    area: BaseGeometry
    level_m: float
    depth_m: float

    def filled(self, share: float) -> StandingWater:
        """The same hollow filled to a share of its depth."""
        return StandingWater(self.area, self.level_m - (1.0 - share) * self.depth_m, share * self.depth_m)


@dataclass(frozen=True)
class PondedGround:
    """A ground with water standing on it: its level is that of the water where there is any."""

    ground: Ground
    ponds: tuple[StandingWater, ...]

    @property
    def cell_m(self) -> float:
        """Cell size of the ground, m."""
        return self.ground.cell_m

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """Levels at map places, NaN where unknown."""
        level = np.array(self.ground.sample(x_m, y_m), dtype=np.float64)
        x, y = np.broadcast_arrays(np.asarray(x_m, float), np.asarray(y_m, float))
        for pond in self.ponds:
            inside = shapely.contains_xy(pond.area, x, y)
            level = np.where(inside, np.maximum(level, pond.level_m), level)
        return level


def with_ponds(perimeter: Perimeter, ponds: Sequence[StandingWater]) -> tuple[Perimeter, dict[str, float]]:
    """The perimeter with water standing in its hollows, and the deepest water of every zone that has some, m.

    The beam meets the water as the mirror that the ground is. A body in it stands on the bottom; as the depth is not
    the same everywhere, it is taken to be in it as deep as the deepest place of the strip. Whoever is under water whole
    is not detected.
    """
    ground = PondedGround(perimeter.ground, tuple(ponds))
    deepest: dict[str, float] = {}
    zones: list[Zone] = []
    depth: dict[str, Array] = {}
    for zone_id, zone in perimeter.zones.items():
        wet = ground.sample(*perimeter.grids[zone_id].map_xy()) - perimeter.levels(zone_id)
        if wet.max() > _DRY_M:
            depth[zone_id], deepest[zone_id] = wet, float(wet.max())
            middle = wet.shape[1] // 2
            # posts stay where they are: a head above water is that much lower
            drop = -np.array([[wet[0, middle], wet[-1, middle]]] * len(zone.pairs))
            zones.append(moved_heads(zone, drop))
        else:
            zones.append(zone)
    made = Perimeter(zones, ground, perimeter.rules, perimeter.closed, perimeter.silent)
    for zone in zones:
        if zone.zone_id not in deepest:
            made.hold(zone.zone_id, perimeter.own(zone.zone_id))
            continue
        strip = made.strip(zone.zone_id)
        beside = made.modulation(zone, strip)
        bodies = [over_mirror(target, deepest[zone.zone_id]) for target in perimeter.rules.targets_of(zone)]
        (within,) = made.best([Case(zone, strip, targets=bodies)])
        wet_here = depth[zone.zone_id] > _DRY_M
        own = {
            name: np.where(wet_here, inside, outside)
            for (name, outside), inside in zip(beside.items(), within, strict=True)
        }
        made.hold(zone.zone_id, own)
    return made, deepest


def pond_windows(
    perimeter: Perimeter, ponds: Sequence[StandingWater], beside: MoversBeside, shares: Sequence[float]
) -> list[SurfaceWindow]:
    """The windows of zones with water standing in them, shallow to deep; the depth is that of the strip.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands, dry.
    ponds : sequence of StandingWater
        Hollows, full.
    beside : MoversBeside
        What moves and is no threat.
    shares : sequence of float
        Of the depth, above 0 to 1.
    """
    found: list[SurfaceWindow] = []
    for share in sorted(shares):
        there, deepest = with_ponds(perimeter, [pond.filled(share) for pond in ponds])
        for one in windows_of(there, list(deepest), beside.under(0.0), (0.0, "reflects")):
            found.append(replace(one, depth_m=deepest[one.zone_id]))
    return found
