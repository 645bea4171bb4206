"""Works that a machine can make: no thinner than a lift, no narrower than its blade, no crumbs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from geotools.terrain.cells import Cells

__all__ = ["Machine", "buildable_bounds"]

_NOTHING_M = 1e-4


@dataclass(frozen=True)
class Machine:
    """least_lift_m : thinnest cut or fill. least_width_m : narrowest work."""

    least_lift_m: float = 0.05
    least_width_m: float = 1.0


def buildable_bounds(
    cells: Cells,
    change: np.ndarray,
    machine: Machine,
    *,
    least_m: float = 0.01,
    wider: int = 0,
    max_slope: float = np.inf,
    thin: bool = False,
) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest change of each cell, (n,) m, so that the works come out whole.

    Worked ground is rounded to squares of the least width; inside, every cell is cut or filled by a lift at least,
    whichever it was or its surroundings are; outside nothing is moved.

    Parameters
    ----------
    change : (n,) of the cheapest works without regard to machines, m. wider : cells it is widened by
        all around, so that slopes find room; no cell is taken that cannot be moved by a lift beside ground that stays,
        for it would be steeper than max_slope there. thin : let the ground inside be worked thinner
        than a lift, where nothing else satisfies the limits.
    """
    cell = float(np.sqrt(cells.area))
    row, column = (np.round((axis - axis.min()) / cell).astype(int) for axis in cells.place.T)
    shape = int(row.max()) + 1, int(column.max()) + 1
    movable, depth = np.zeros(shape, bool), np.zeros(shape)
    movable[row, column] = cells.movable
    depth[row, column] = change
    side = max(int(np.ceil(machine.least_width_m / cell - 1e-9)), 1)
    wanted = np.abs(depth) > min(max(machine.least_lift_m / 2, 1e-3), least_m)
    # what a cell was, or else what lies around it
    around = ndimage.uniform_filter(depth, 2 * (side + wider) + 1, mode="constant")
    up = np.where(np.abs(depth) > _NOTHING_M, depth, around) >= 0
    lift = 0.0 if thin else machine.least_lift_m
    if wider:
        ring = ndimage.binary_dilation(wanted, np.ones((3, 3)), wider) & movable & ~wanted
        moved = np.where(up, lift, -lift)[row, column]
        wanted[row, column] |= _with_room(cells, wanted[row, column], ring[row, column], moved, max_slope)
    worked = squares(wanted, movable, side)
    low = np.where(worked, np.where(up, lift, -np.inf), 0.0)
    high = np.where(worked, np.where(up, np.inf, -lift), 0.0)
    if thin:
        low, high = np.where(worked, -np.inf, 0.0), np.where(worked, np.inf, 0.0)
    return low[row, column], high[row, column]


def _with_room(
    cells: Cells,
    wanted: npt.NDArray[np.bool_],
    ring: npt.NDArray[np.bool_],
    moved_m: np.ndarray,
    max_slope: float,
) -> npt.NDArray[np.bool_]:
    """Those of a ring of cells that can be moved so much beside ground that stays, (n,)."""
    p, q = cells.pairs.T
    rise = cells.ground[p] - cells.ground[q]
    # a pair that is steeper already may stay as steep
    limit = np.maximum(max_slope * cells.distance, np.abs(rise)) + _NOTHING_M
    kept = ring.copy()
    while True:
        stays = ~(wanted | kept)
        first = kept[p] & stays[q] & (np.abs(rise + moved_m[p]) > limit)
        second = kept[q] & stays[p] & (np.abs(rise - moved_m[q]) > limit)
        if not (first.any() or second.any()):
            return kept
        kept[p[first]] = kept[q[second]] = False


def squares(wanted: npt.NDArray[np.bool_], movable: npt.NDArray[np.bool_], side: int) -> npt.NDArray[np.bool_]:
    """The required cells, widened so that each lies in a square of `side` movable cells, where there is room.

    Of the squares a cell could lie in, the one with most required cells is taken; cells without room are given up.
    """
    if side == 1:
        return wanted & movable
    shape = wanted.shape[0] - side + 1, wanted.shape[1] - side + 1
    if min(shape) < 1:
        return np.zeros(wanted.shape, bool)
    windows = [(slice(r, r + shape[0]), slice(c, c + shape[1])) for r in range(side) for c in range(side)]
    room = np.all([movable[w] for w in windows], axis=0)
    full = np.sum([wanted[w] for w in windows], axis=0)
    made = np.zeros(wanted.shape, bool)
    for r, c in np.argwhere(room & (full == side * side)):
        made[r : r + side, c : c + side] = True
    for r, c in np.argwhere(wanted & ~made):
        if made[r, c]:
            continue
        corners = [
            (full[a, b], -a, -b)
            for a in range(max(r - side + 1, 0), min(r + 1, shape[0]))
            for b in range(max(c - side + 1, 0), min(c + 1, shape[1]))
            if room[a, b]
        ]
        if corners:
            _, a, b = max(corners)
            made[-a : -a + side, -b : -b + side] = True
    return made
