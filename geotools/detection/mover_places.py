"""Where movers may be: beyond the fence, on it, about the beam line, on the user's own features."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from geotools.beam.movers import Mover
from geotools.corridor import StripGrid
from geotools.detection.chains import Plan, chains_of
from geotools.detection.near_line import LinePlaces, pieces_near
from geotools.detection.nuisance import Strongest, ZoneNuisance
from geotools.detection.operating import OperatingWindow, WeakestCrossing, window_of
from geotools.detection.perimeter import Perimeter
from geotools.errors import InputError
from geotools.io.features import read_named
from geotools.plan.model import Zone
from geotools.plan.schema import BEAMS, FENCE, ZONES
from geotools.site import Site
from geotools.site.movers import mover_of

__all__ = ["Feature", "MoverPlaces", "Placed", "movers_of", "places_of", "read_features"]

Array = npt.NDArray[np.float64]

#: Places along a line or an edge, m.
_EVERY_M = 0.5


@dataclass(frozen=True)
class Feature:
    """One of the user's own roads, paths, trees, tracks.

    name : for messages. movers : what moves there. shape : m. width_m : of a line.
    """

    name: str
    movers: tuple[str, ...]
    shape: BaseGeometry
    width_m: float = 0.0

    @property
    def ground(self) -> BaseGeometry:
        """All places where the middle of a mover may be."""
        return self.shape.buffer(self.width_m / 2.0, cap_style="flat") if self.width_m else self.shape


@dataclass(frozen=True)
class Placed:
    """A mover's strongest response in a zone, and where that is: a feature's name, or outside, fence, strip."""

    found: Strongest
    at: str


def movers_of(site: Site) -> dict[str, Mover]:
    """The site's movers as the beam model takes them, by name."""
    return {name: mover_of(name, given) for name, given in site.all_movers.items()}


def read_features(site: Site, work_crs: CRS) -> tuple[Feature, ...]:
    """The user's own features; InputError where one names no mover, or one that is not known."""
    given = site.input
    if given.movers is None:
        return ()
    path, known = site.path(given.movers), site.all_movers
    found = []
    for number, (fields, parts) in enumerate(
        read_named(path, "movers", "input.movers", work_crs, given.movers_layer, given.movers_crs), 1
    ):
        where = f"{path}, feature {number}"
        names = tuple(part.strip() for part in _text(fields.get("mover")).split(",") if part.strip())
        wrong = [name for name in names if name not in known]
        if wrong or not names:
            raise InputError(
                "a feature names a mover that is not known" if wrong else "a feature does not say what moves there",
                where=f"{where}, field mover",
                found=", ".join(wrong) or "nothing",
                expected=f"one or more of: {', '.join(known)}",
                mend="correct the field mover, or describe the mover in a section [movers.NAME] of the site file",
            )
        called = _text(fields.get("name")) or f"feature {number}"
        width = _width(fields.get("width_m"), where)
        found += [Feature(called, names, part, width) for part in parts]
    return tuple(found)


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value).strip()


def _width(value: Any, where: str) -> float:
    text = _text(value)
    try:
        width = float(text) if text else 0.0
    except ValueError:
        width = float("nan")
    if not 0.0 <= width <= 100.0:
        raise InputError(
            "the width of a feature is not a length",
            where=f"{where}, field width_m",
            found=text,
            expected="0 to 100 m, or nothing",
            mend="give the width of the road or path in metres",
        )
    return width


@dataclass(frozen=True)
class MoverPlaces:
    """Where the movers of a site may be.

    fences : fence lines by name, m. inside_left : by fence line, whether the guarded ground lies left of it.
    features : the user's own. accuracy_m : how far these may lie off.
    """

    fences: Mapping[str, BaseGeometry]
    inside_left: Mapping[str, bool]
    features: Sequence[Feature] = ()
    accuracy_m: float = 0.0
    _guarded: list[BaseGeometry | None] = field(default_factory=list)
    _edges: dict[tuple[str, float | None], LinePlaces] = field(default_factory=dict)

    def outside(self, fence_id: str, x: Array, y: Array) -> npt.NDArray[np.bool_]:
        """Whether places of the map, (m,), lie beyond the fence line."""
        line = self.fences[fence_id]
        if line.is_ring:
            if not self._guarded:
                rings = [shapely.Polygon(one.coords) for one in self.fences.values() if one.is_ring]
                self._guarded.append(shapely.union_all(rings))
            return np.asarray(~shapely.contains_xy(self._guarded[0], x, y))
        return ~_left_of(line, x, y) if self.inside_left[fence_id] else _left_of(line, x, y)

    def of_zone(self, zone: Zone, nuisance: ZoneNuisance) -> list[Placed]:
        """The strongest response of every mover at every kind of place where it lives, strongest first."""
        found = []
        for mover in nuisance.movers.values():
            for at, x, y, nearer in self._places(zone, nuisance.grid, mover):
                one = nuisance.strongest(mover.name, x, y, nearer)
                if one is not None:
                    found.append(Placed(one, at))
        return sorted(found, key=lambda placed: -placed.found.modulation)

    def window(
        self, perimeter: Perimeter, zone_id: str, nuisance: ZoneNuisance, low: float | None = None
    ) -> OperatingWindow:
        """A zone's window, its weakest crossing by the best estimate; low : as of `WeakestCrossing`."""
        threat, met = perimeter.weakest_threat(zone_id)
        found = [placed.found for placed in self.of_zone(perimeter.zones[zone_id], nuisance)]
        weakest = WeakestCrossing(threat, met, float("nan"), low)
        return window_of(zone_id, weakest, found, perimeter.rules.threshold)

    def _along_fence(self, fence_id: str, room_m: float | None) -> LinePlaces:
        """Places on a fence line, or all round it so far off; found once for all zones."""
        if (fence_id, room_m) not in self._edges:
            fence = self.fences[fence_id]
            shape = fence if room_m is None else shapely.boundary(fence.buffer(room_m))
            self._edges[fence_id, room_m] = LinePlaces(shape, _EVERY_M)
        return self._edges[fence_id, room_m]

    def _places(self, zone: Zone, grid: StripGrid, mover: Mover) -> Iterator[tuple[str, Array, Array, float]]:
        """Kinds of place, their places on the map, and by how much these may lie nearer."""
        fence = self.fences.get(zone.fence_id)
        if mover.place == "strip":
            x, y = grid.map_xy()
            yield "strip", x.ravel(), y.ravel(), 0.0
        elif fence is not None and mover.place == "fence":
            yield "fence", *self._along_fence(zone.fence_id, None).on(grid), 0.0
        elif fence is not None and mover.place == "outside":
            x, y = (values.ravel() for values in grid.map_xy())
            room = mover.width_m / 2.0
            near = shapely.multilinestrings(shapely.linestrings(pieces_near(fence, x, y)))
            off = shapely.distance(near, shapely.points(x, y)) >= room
            edge_x, edge_y = self._along_fence(zone.fence_id, room).on(grid)
            x, y = np.append(x[off], edge_x), np.append(y[off], edge_y)
            beyond = self.outside(zone.fence_id, x, y)
            yield "outside", x[beyond], y[beyond], 0.0
        strip = zone.line.rectangle(0.0, zone.line.length, float(grid.offset_m[-1]))
        for feature in self.features:
            if mover.name in feature.movers:
                ground = shapely.intersection(feature.ground, strip)
                if not ground.is_empty:
                    yield feature.name, *_within(ground, grid), self.accuracy_m


def _left_of(line: BaseGeometry, x: Array, y: Array) -> npt.NDArray[np.bool_]:
    """Whether places lie left of an open line, by the piece of it that is nearest; on it is not left."""
    a, b = pieces_near(line, x, y).transpose(1, 0, 2)
    along = b - a
    if not len(x):
        return np.zeros(0, dtype=bool)
    rel = np.column_stack([x, y])[:, None, :] - a[None]
    share = np.clip((rel * along).sum(-1) / (along**2).sum(-1), 0.0, 1.0)
    apart = np.linalg.norm(rel - share[..., None] * along, axis=-1)
    cross = along[:, 0] * rel[..., 1] - along[:, 1] * rel[..., 0]
    nearest = apart.argmin(axis=1)
    return np.asarray(cross[np.arange(len(x)), nearest] > 0.0)


def _along(shape: BaseGeometry) -> tuple[Array, Array]:
    coords = shapely.get_coordinates(shapely.segmentize(shape, _EVERY_M))
    return coords[:, 0], coords[:, 1]


def _within(ground: BaseGeometry, grid: StripGrid) -> tuple[Array, Array]:
    """Places of a point, along a line, or on an area and its edge."""
    x, y = _along(ground)
    if ground.area > 0.0:
        nodes_x, nodes_y = (values.ravel() for values in grid.map_xy())
        inside = shapely.contains_xy(ground, nodes_x, nodes_y)
        x, y = np.append(x, nodes_x[inside]), np.append(y, nodes_y[inside])
    return x, y


def places_of(site: Site, plan: Plan, work_crs: CRS) -> MoverPlaces:
    """Where the movers of a site with a laid-out plan may be; ``plan`` reads its layers by their schema."""
    fence = plan(FENCE)
    chains = chains_of(site, plan(ZONES), plan(BEAMS), fence)
    return MoverPlaces(
        {str(name): line for name, line in fence.set_index("fence_id").geometry.items()},
        {chain.fence_id: chain.inside_left for chain in chains},
        read_features(site, work_crs),
        site.nuisance.mapped_accuracy_m,
    )
