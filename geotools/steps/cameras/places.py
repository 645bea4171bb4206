"""Where the post of a camera may stand: where one can climb to it, off the beams, off what keeps cameras out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from geotools.engine.step import StepContext
from geotools.plan.schema import BEAMS, CLEAR_GROUND, FENCE, HEADS
from geotools.site.gates import gates_of
from geotools.site.obstacles import Obstacle, obstacles_of

__all__ = ["StandingGround", "places_about", "standing_ground"]

#: How far behind the end of a zone, and beside its line, places are tried.
_BACK_M = 4.0
#: How far ahead of the end places are tried too: in a corner there may be none behind it.
_AHEAD_M = 16.0
#: A camera this near to a head's post stands on it, m.
_ON_POST_M = 0.1
#: A camera this near to the line of a gate stands in the gateway, m.
_GATEWAY_M = 1.0
_BESIDE_M = (0.0, 1.6, 2.5, 3.5, 5.0, 7.0)


@dataclass(frozen=True)
class StandingGround:
    """Where cameras may stand and what hides things from them; metres.

    clear : clear ground by fence line. barred : ground that is kept free of cameras. hides : buildings and trees.
    gates : the openings. posts : (n, 2) of heads. objects : keep-outs on which no camera stands.
    """

    clear: Mapping[str, BaseGeometry]
    barred: BaseGeometry
    hides: BaseGeometry
    gates: tuple[BaseGeometry, ...]
    posts: NDArray[np.float64]
    objects: tuple[Obstacle, ...] = ()

    @property
    def kept_off(self) -> BaseGeometry:
        """The keep-outs themselves and the gateways, where no camera stands whoever put it there."""
        return shapely.union_all(
            [*(one.area for one in self.objects), *(gate.buffer(_GATEWAY_M) for gate in self.gates)]
        )

    def named(self, place: NDArray[np.float64]) -> str:
        """The object, or the gateway, that a place lies on."""
        at = shapely.Point(place)
        words = [one.words for one in self.objects if one.area.intersects(at)]
        words += [f"gate {k}" for k, gate in enumerate(self.gates, 1) if gate.distance(at) <= _GATEWAY_M]
        return ", ".join(words)

    def allows(self, fence_id: str, places: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether a camera may stand at places (n, 2) beside a fence line."""
        ground = self.clear.get(fence_id)
        if ground is None:
            return np.zeros(len(places), dtype=bool)
        shapely.prepare(ground)
        shapely.prepare(self.barred)
        inside = shapely.intersects_xy(ground, places[:, 0], places[:, 1])
        return inside & ~shapely.intersects_xy(self.barred, places[:, 0], places[:, 1])

    def hidden(self, eye: NDArray[np.float64], places: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether a building or a tree stands between a camera and places (n, 2); both are taken as higher than it."""
        if self.hides.is_empty:
            return np.zeros(len(places), dtype=bool)
        ways = shapely.linestrings(np.stack([np.broadcast_to(eye[:2], places.shape), places], axis=1))
        shapely.prepare(self.hides)
        return shapely.intersects(self.hides, ways)


def standing_ground(ctx: StepContext) -> StandingGround:
    """The ground of a plan and its site file that cameras may stand on."""
    settings = ctx.site.cameras
    crs = ctx.workspace.work_crs
    clear = ctx.read(CLEAR_GROUND)
    objects = obstacles_of(ctx.site, crs)
    fences = [LineString(shapely.get_coordinates(line)) for line in ctx.read(FENCE).geometry]
    gates = gates_of(ctx.site, crs, fences)
    heads = ctx.read(HEADS)
    posts = np.unique(np.column_stack([heads.geometry.x, heads.geometry.y]).round(3), axis=0)
    kept_free = [one.area.buffer(settings.access_m) for one in objects if not one.cameras]
    kept_free += [gate.opening.buffer(max(ctx.site.layout.gate_margin_m, settings.access_m)) for gate in gates]
    kept_free += [gate.swept.buffer(settings.access_m) for gate in gates]
    beside = [line.buffer(settings.access_m) for line in fences]
    beside += [beam.buffer(settings.beam_clear_m) for beam in shapely.force_2d(ctx.read(BEAMS).geometry.to_numpy())]
    masts = shapely.union_all(shapely.points(posts))
    if settings.on_head_posts:
        # the post is there already: fence and beam do not mind what it carries
        kept_free.append(shapely.union_all(beside).difference(masts.buffer(_ON_POST_M)))
    else:
        kept_free += [*beside, masts.buffer(settings.access_m)]
    return StandingGround(
        dict(zip(clear["fence_id"], clear.geometry, strict=True)),
        shapely.union_all(kept_free),
        shapely.union_all([one.area for one in objects if one.hides]),
        tuple(gate.opening for gate in gates),
        posts,
        tuple(one for one in objects if not one.cameras),
    )


def places_about(end: NDArray[np.float64], far: NDArray[np.float64], back_m: float) -> NDArray[np.float64]:
    """Places about one end of a zone and beside its line, the nearest to the end first, (n, 2).

    Parameters
    ----------
    end, far : (2,) ends of the zone. back_m : how far behind the end at most.
    """
    u = (end - far) / np.hypot(*(end - far))
    left = np.array([-u[1], u[0]])
    back = np.arange(-_AHEAD_M, back_m + 1e-9, _BACK_M)
    beside = np.unique([side * way for way in _BESIDE_M for side in (1, -1)])
    grid = np.array([(b, o) for b in back for o in beside])
    grid = grid[np.argsort(np.hypot(grid[:, 0], grid[:, 1]), kind="stable")]
    return end + grid[:, :1] * u + grid[:, 1:] * left
