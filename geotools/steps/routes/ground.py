"""Where a trench may run, what it crosses there, and what a metre of it costs. Shapes in metres; no files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

__all__ = ["Crossed", "TrenchGround", "TrenchPrices", "allowed_ground", "trench_places"]

Floats = npt.NDArray[np.float64]
#: Rounding of shapes that a trench may run along, m.
_ROUNDING_M = 0.01
_THIN_M = 0.05


@dataclass(frozen=True)
class TrenchPrices:
    """Prices of a trench with its cables and conduits: metres, crossings, in one currency."""

    metre: float
    road_m: float
    drain: float
    fence: float


@dataclass(frozen=True)
class Crossed:
    """One thing that a trench may cross: ``kind`` as the layer route_crossings has it, ``words`` its name."""

    kind: str
    words: str
    shape: BaseGeometry


@dataclass(frozen=True)
class TrenchGround:
    """The ground that trenches may run through.

    Attributes
    ----------
    allowed : BaseGeometry
        Area, m.
    crossed : tuple of Crossed
        Roads and drains that may be crossed at a price, and fences.
    """

    allowed: BaseGeometry
    crossed: tuple[Crossed, ...] = ()
    _near: BaseGeometry = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        near = self.allowed.buffer(_ROUNDING_M)
        shapely.prepare(near)
        object.__setattr__(self, "_near", near)

    def inside(self, lines: npt.NDArray[np.object_]) -> npt.NDArray[np.bool_]:
        """Whether lines or points lie wholly on it."""
        return np.asarray(shapely.covers(self._near, lines))

    def lengths(self, lines: npt.NDArray[np.object_]) -> tuple[Floats, Floats, Floats, Floats]:
        """Length of lines, of them beneath roads, m, and how many drains and fences each crosses."""
        roads = shapely.union_all([one.shape for one in self.crossed if one.kind == "road"])
        under = np.asarray(shapely.length(shapely.intersection(lines, roads)))
        drains, fences = (self._times(lines, kind) for kind in ("drain", "fence"))
        return np.asarray(shapely.length(lines)), under, drains, fences

    def _times(self, lines: npt.NDArray[np.object_], kind: str) -> Floats:
        times = np.zeros(len(lines))
        for one in self.crossed:
            if one.kind == kind:
                met = shapely.intersection(lines, one.shape)
                times += np.where(shapely.is_empty(met), 0, shapely.get_num_geometries(met))
        return times

    def cost(self, lines: npt.NDArray[np.object_], prices: TrenchPrices) -> Floats:
        """Price of trenches along lines."""
        length, under, drains, fences = self.lengths(lines)
        return length * prices.metre + under * prices.road_m + drains * prices.drain + fences * prices.fence


def allowed_ground(
    fences: Sequence[shapely.LineString],
    places: Floats,
    blocked: Sequence[BaseGeometry],
    clear_m: float,
    beyond_m: float,
) -> BaseGeometry:
    """Within the closed fences where all places lie there, else about all places, less what is blocked.

    Parameters
    ----------
    fences : sequence of LineString
        Fence lines.
    places : (n, 2) array
        Posts and source points.
    blocked : sequence of BaseGeometry
        What no trench may touch.
    clear_m : float
        Distance kept from that, and from the outermost fence.
    beyond_m : float
        How far beyond posts and sources ground counts where they do not lie within a fence.
    """
    rings = [shapely.Polygon(line) for line in fences if line.is_ring]
    within = shapely.union_all(rings) if rings else shapely.Polygon()
    points = shapely.points(places)
    area = within.buffer(-clear_m, join_style="mitre")
    if not shapely.covers(area, points).all():
        area = shapely.union(shapely.convex_hull(shapely.union_all(points)).buffer(beyond_m, quad_segs=2), area)
    kept = [_kept_clear(shape, clear_m) for shape in blocked]
    return shapely.difference(area, shapely.union_all(kept)) if kept else area


def _kept_clear(shape: BaseGeometry, clear_m: float) -> BaseGeometry:
    """What a trench keeps out of about a thing; round about a point, an octagon that holds the circle."""
    if shape.geom_type == "Point":
        return shape.buffer(max(clear_m, _THIN_M) / np.cos(np.pi / 8), quad_segs=2)
    return shape.buffer(max(clear_m, _THIN_M), join_style="mitre")


def trench_places(
    posts: Mapping[str, Floats], lines: Mapping[str, shapely.LineString], beside_m: float, ground: TrenchGround
) -> dict[str, Floats]:
    """Where the trench passes each post: beside it, away from the fence; at the post itself where that is not allowed.

    Parameters
    ----------
    posts : mapping of str to (2,) array
        Posts by name, m.
    lines : mapping of str to LineString
        The fence line of each post, by the post's name.
    beside_m : float
        How far beside, m.
    ground : TrenchGround
        Where trenches may run.
    """
    found: dict[str, Floats] = {}
    for name, post in posts.items():
        foot = np.array(shapely.get_coordinates(lines[name].interpolate(lines[name].project(shapely.Point(post))))[0])
        away = post - foot
        distance = float(np.hypot(*away))
        found[name] = post
        if beside_m > 0 and distance > 1e-6:
            place = post + beside_m * away / distance
            if ground.inside(np.array([shapely.LineString([post, place])]))[0]:
                found[name] = place
    return found
