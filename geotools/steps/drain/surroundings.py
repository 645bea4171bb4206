"""The ground around each zone that is looked at for water: wide enough that no pond beside the zone is cut off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from rasterio import Affine
from scipy import ndimage

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.water import filled, let_through
from geotools.engine.step import StepContext
from geotools.steps.drain.kernel import BESIDE_M, Piece, Water
from geotools.steps.drain.nearby import Ways
from geotools.terrain.design import DesignSurface

__all__ = ["Surroundings", "looked_at"]

#: How many times as far as set a pond is followed, how far at most, m, and the cells that are taken together for it.
_WIDEST, _FURTHEST_M, _COARSE = 8, 400.0, 4


@dataclass
class Surroundings:
    """Grid cells around one zone."""

    zone_id: str
    transform: Affine
    level: np.ndarray
    change: np.ndarray
    along: np.ndarray
    side: np.ndarray
    mine: np.ndarray

    @property
    def moved(self) -> bool:
        """Whether grading moves anything here."""
        return bool(np.abs(self.change).max() > 1e-3)


def _reach_of_water(
    perimeter: Perimeter, surface: DesignSurface, zone_id: str, furthest: float, least_depth: float
) -> float:
    """How far from a zone's line the water reaches that stands beside it, before or after works, on coarse cells, m.

    A window that ends inside a hollow drains it: the hollow has to be seen whole before its window can be chosen.
    """
    line = perimeter.zones[zone_id].line
    side_m = _COARSE * surface.cell_m
    x0, x1 = sorted((line.x0, line.x1))
    y0, y1 = sorted((line.y0, line.y1))
    x = np.arange(x0 - furthest, x1 + furthest, side_m)[None, :]
    y = np.arange(y0 - furthest, y1 + furthest, side_m)[:, None]
    along, side = line.from_map(x, y)
    away = np.hypot(side, np.maximum(np.maximum(-along, along - line.length), 0.0))
    xx, yy = np.broadcast_arrays(x, y)
    near = away <= furthest
    ground = np.full(away.shape, np.nan)
    ground[near] = surface.terrain.sample(xx[near], yy[near])
    if not np.isfinite(ground).any():
        return 0.0
    change = surface.change_at(xx, yy)
    reach = 0.0
    for level in (ground, ground + change) if change.any() else (ground,):
        depth = np.nan_to_num(filled(level) - level)
        labels, _ = ndimage.label(depth > least_depth, np.ones((3, 3)))
        beside = np.unique(labels[(away <= BESIDE_M + side_m) & (labels > 0)])
        if len(beside):
            reach = max(reach, float(away[np.isin(labels, beside)].max()) + 2 * side_m)
    return reach


def _window(perimeter: Perimeter, surface: DesignSurface, zone_id: str, margin: float) -> Surroundings:
    """The cells within `margin` of a zone's line; `mine` are those no other zone's line is nearer to."""
    t = surface.transform
    line = perimeter.zones[zone_id].line
    low = np.array([min(line.x0, line.x1), min(line.y0, line.y1)]) - margin
    high = np.array([max(line.x0, line.x1), max(line.y0, line.y1)]) + margin
    (r1, r0), (c0, c1) = surface.locate([low[0], high[0]], [low[1], high[1]])
    rows, columns = np.arange(r0, r1 + 1), np.arange(c0, c1 + 1)
    x, y = surface.centres(rows[:, None], columns[None, :])
    along, side = line.from_map(x, y)
    away = np.hypot(side, np.maximum(np.maximum(-along, along - line.length), 0.0))
    mine = away <= margin
    for other in perimeter.neighbours(zone_id):
        near = perimeter.zones[other].line
        a, s = near.from_map(x, y)
        theirs = np.hypot(s, np.maximum(np.maximum(-a, a - near.length), 0.0))
        # of two equally near zones the first by name counts
        mine &= (away < theirs) if other < zone_id else (away <= theirs)
    xx, yy = np.broadcast_arrays(x, y)
    level = np.full(away.shape, np.nan)
    close = away <= margin
    level[close] = surface.terrain.sample(xx[close], yy[close])
    change = surface.change_at(xx, yy)
    corner = Affine(t.a, 0.0, t.c + c0 * t.a, 0.0, t.e, t.f + r0 * t.e)
    return Surroundings(zone_id, corner, level, change, along, side, mine)


def looked_at(
    ctx: StepContext,
    perimeter: Perimeter,
    surface: DesignSurface,
    zones: Sequence[str],
    find: Callable[[Piece], Water],
    ways: tuple[Ways, Ways],
) -> list[tuple[Surroundings, Water, Water]]:
    """For each zone its window, and its water now and after grading; windows grow until no pond is cut off by them.

    ways : for water through the works, kept open: those that stand today, and those and what the design builds.
    """
    asked = ctx.params["margin_m"]
    furthest, least = min(_WIDEST * asked, _FURTHEST_M), ctx.params["min_depth_m"] / 2
    margins = {z: max(asked, _reach_of_water(perimeter, surface, z, furthest, least)) for z in zones}
    found: dict[str, tuple[Surroundings, Water, Water]] = {}
    while todo := [z for z in zones if z not in found]:
        windows = [_window(perimeter, surface, z, margins[z]) for z in todo]
        pieces: list[Piece] = []
        for window in windows:
            length = perimeter.zones[window.zone_id].line.length
            near = [each.near(window.transform, window.level.shape) for each in ways]
            grounds = [let_through(window.level, window.transform, near[0])]
            if window.moved:
                grounds.append(let_through(window.level + window.change, window.transform, near[1]))
            pieces += [Piece(ground, window.along, window.side, length) for ground in grounds]
        waters = iter(ctx.map(find, pieces, f"water to zone {zones[-1]}"))
        for window in windows:
            now = next(waters)
            after = next(waters) if window.moved else now
            name = window.zone_id
            if (now.cut_off or after.cut_off) and margins[name] < furthest:
                margins[name] *= 2
                continue
            if now.cut_off or after.cut_off:
                ctx.warn(
                    f"water at {name} reaches beyond {margins[name]:.0f} m from the line: more stands than is stated"
                )
            found[name] = window, now, after
    return [found[z] for z in zones]
