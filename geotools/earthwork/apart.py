"""Works of zones that were each graded by itself: which of them meet, and whether the others drain as they did alone.

Works that keep apart are no dearer together than alone, and no programme of them all makes them cheaper: they are taken
as they were found. Those that meet are found together.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from geotools.earthwork.falls import Drainage
from geotools.earthwork.zone_grading import GradeSettings, ZoneGrading
from geotools.terrain.design import DesignSurface

__all__ = ["drain_as_before", "runs_that_meet"]

#: Works with no more than so many cells between them meet: one that ties in on either side.
_CELLS_BETWEEN = 2
#: Prices that are one and the same.
_SAME_PRICE = 0.005


def runs_that_meet(parts: Sequence[ZoneGrading]) -> list[list[int]]:
    """Places of gradings in runs: from the first to the last whose works meet, all between them too.

    Parameters
    ----------
    parts : sequence of ZoneGrading
        In the order of their zones along the fence line.
    """
    trees = [_worked(one) for one in parts]
    reach = [_CELLS_BETWEEN * float(np.sqrt(one.strip.cells.area)) * 1.01 for one in parts]
    runs: list[list[int]] = []
    for number in range(len(parts)):
        runs.append([number])
        meets = [k for k in range(number) if _meet(trees[k], trees[number], max(reach[k], reach[number]))]
        while len(runs) > 1 and meets and runs[-1][0] > meets[0]:
            last = runs.pop()
            runs[-1] += last
    return runs


def _worked(part: ZoneGrading) -> cKDTree | None:
    worked = part.worked
    return cKDTree(np.c_[part.strip.x[worked], part.strip.y[worked]]) if worked.any() else None


def _meet(one: cKDTree | None, other: cKDTree | None, reach: float) -> bool:
    return one is not None and other is not None and bool(one.count_neighbors(other, reach, p=np.inf))


def drain_as_before(surface: DesignSurface, parts: Sequence[ZoneGrading], settings: GradeSettings) -> bool:
    """Whether works that keep apart leave no pond together, and need the ways for water that they need one by one.

    surface : without these works.
    """
    if settings.water is None:
        return True
    lines = {zone.zone_id: zone.line for part in parts for zone in part.zones}
    strip = surface.strip_cells(lines, settings.reach_m)
    change = np.zeros(len(strip.x))
    for part in parts:
        mine = part.on(strip)
        if mine is None:
            return False
        change += mine
    crossings, ponds = Drainage(surface, strip, settings.water, settings.rules.prices).after(
        strip.cells.ground + change, every=True
    )
    alone = sum(one.cost for part in parts for one in part.crossings)
    return not ponds and abs(sum(one.cost for one in crossings) - alone) < _SAME_PRICE
