"""How close a beam may stand to what lives beside the fence: reach of movers over level ground, looked up by place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from geotools.beam.movers import Mover
from geotools.detection.level_reach import LevelReach
from geotools.detection.mover_places import Feature
from geotools.steps.layout.usable import Course
from geotools.terrain.band_grid import BandGrid

__all__ = ["Closeness", "Habitat", "habitats_of", "living_beside"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Spacing of the points that stand for the edge of a place where something lives, m.
_EDGE_M = 0.25
#: Below every reach: a mover that reaches the threshold nowhere.
_NOWHERE = -1e6


@dataclass(frozen=True)
class Habitat:
    """A place where movers live beside one course.

    name : of the user's feature, or ``outside``, ``fence``. movers : by name. shape : m. nearer_m : how much nearer to
    a beam than the shape the middle of each may be (a feature mapped off its place); below 0 where it stays farther off
    (half its own width beyond the fence).
    """

    name: str
    movers: Mapping[str, Mover]
    shape: BaseGeometry
    nearer_m: Mapping[str, float]

    def distance_m(self, x: Floats, y: Floats) -> Floats:
        """From places to the shape, m."""
        return np.asarray(shapely.distance(self.shape, shapely.points(x, y)))

    def table(self, reach: LevelReach) -> Floats:
        """Distance from the shape below which one of its movers reaches the threshold, (lengths, places), m."""
        found = []
        for name in self.movers:
            own = reach.joined([name])
            found.append(np.where(own > 0.0, own + self.nearer_m[name], _NOWHERE))
        return np.asarray(np.max(found, axis=0))


def living_beside(movers: Mapping[str, Mover], features: Sequence[Feature]) -> dict[str, Mover]:
    """Movers that have a side of the beam where they live and must not alarm: what a layout can keep away from."""
    named = {name for feature in features for name in feature.movers}
    return {
        name: mover
        for name, mover in movers.items()
        if mover.must_not_alarm and (mover.place in ("outside", "fence") or name in named)
    }


def habitats_of(
    course: Course, movers: Mapping[str, Mover], features: Sequence[Feature], accuracy_m: float, near_m: float
) -> list[Habitat]:
    """Places where these movers live within ``near_m`` of the ground that a course's beams may use.

    accuracy_m : how far a mapped feature may lie off its place. Beams beyond the fence stand among what lives there:
    no distance from it is to be kept, and it is left out.
    """
    found = []
    guarded = not course.fence.is_ring or bool(
        shapely.Polygon(course.fence).contains(course.ground.representative_point())
    )
    for place in ("outside", "fence"):
        own = {name: mover for name, mover in movers.items() if mover.place == place}
        if own and (guarded or place == "fence"):
            off = {name: -mover.width_m / 2.0 if place == "outside" else 0.0 for name, mover in own.items()}
            found.append(Habitat(place, own, course.fence, off))
    for feature in features:
        own = {name: movers[name] for name in feature.movers if name in movers}
        if own and shapely.dwithin(feature.ground, course.ground, near_m):
            found.append(Habitat(feature.name, own, feature.ground, dict.fromkeys(own, accuracy_m)))
    return found


@dataclass
class Closeness:
    """Whether places of beams lie within the reach of what lives beside one course.

    habitats : where something lives. reach : of the movers, beside the course's stack. spine : (n, 2) points along the
    course, m. radius_m : how far beside it beams are looked at.
    """

    habitats: Sequence[Habitat]
    reach: LevelReach
    spine: Floats
    radius_m: float
    _near: list[tuple[BandGrid, Floats]] = field(default_factory=list)
    _any: BandGrid | None = None

    def __post_init__(self) -> None:
        distances: list[_Distance] = []
        for habitat in self.habitats:
            table = habitat.table(self.reach)
            if table.max() > 0.0:
                edge = shapely.get_coordinates(shapely.segmentize(habitat.shape, _EDGE_M))
                distances.append(_Distance(cKDTree(edge), habitat.shape))
                self._near.append((BandGrid(self.spine, self.radius_m, distances[-1], outside=np.inf), table))
        if self._near:
            most = [float(table.max()) for _, table in self._near]

            def spare(x: Floats, y: Floats) -> Floats:
                apart = [distance(x, y) - reach for distance, reach in zip(distances, most, strict=True)]
                return np.asarray(np.min(apart, axis=0))

            self._any = BandGrid(self.spine, self.radius_m, spare, outside=np.inf)

    def __call__(self, x: Floats, y: Floats, share: Floats, length_m: Floats) -> Flags:
        """Whether something reaches the threshold beside places of beams.

        Parameters
        ----------
        x, y : (m, k) m. share : (m, k) of the way from head to head. length_m : (m, k) between the heads.
        """
        reached = np.zeros(x.shape, dtype=bool)
        if self._any is None:
            return reached
        # most places are far from all of them: one look-up says so
        close = self._any(x, y) < 0.0
        if close.any():
            x, y, share, length_m = x[close], y[close], share[close], length_m[close]
            found = np.zeros(x.shape, dtype=bool)
            for grid, table in self._near:
                found |= grid(x, y) < self.reach.at(table, share, length_m)
            reached[close] = found
        return reached

    @property
    def reaches(self) -> bool:
        """Whether any mover reaches the threshold anywhere."""
        return bool(self._near)

    @property
    def asks_m(self) -> float:
        """Farthest that a beam has to stand from one of the places, less how far the place is from the course, m."""
        x, y = self.spine.T
        asked = [float(table.max()) - grid(x, y) for grid, table in self._near]
        return max((float(np.max(one)) for one in asked), default=0.0)


@dataclass(frozen=True)
class _Distance:
    """Distance to a shape by points along its edge, zero within an area, m."""

    tree: cKDTree
    shape: BaseGeometry

    def __call__(self, x: Floats, y: Floats) -> Floats:
        apart, _ = self.tree.query(np.column_stack([x, y]))
        if self.shape.area > 0.0:
            apart = np.where(shapely.contains_xy(self.shape, x, y), 0.0, apart)
        return np.asarray(apart)
