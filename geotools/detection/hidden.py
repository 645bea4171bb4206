"""Dips that a survey does not show: how deep they could be, and who would get through in one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from geotools.detection.cases import Case
from geotools.detection.perimeter import Perimeter
from geotools.terrain.quality import SurveyQuality
from geotools.terrain.roughness import could_hide, roughness_of

__all__ = ["DEEP_ENOUGH_M", "LONGEST_DIP_M", "Hidden", "dip_case", "hidden_depth", "open_in_a_hidden_dip"]

#: Dips no deeper than this change no answer: nobody levels ground closer (common practice, no source).
DEEP_ENOUGH_M = 0.01
#: Longest dip whose bottom the beam is taken to pass over, m; in a longer one the field follows the ground, and what it
#: makes of the shape is a matter for the model of the ground.
LONGEST_DIP_M = 12.0

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Hidden:
    """What a survey may have missed.

    Attributes
    ----------
    quality : SurveyQuality
        What the survey resolves.
    dip_m : float
        Shortest dip along the beam that somebody uses, m; 0 where missed dips are left out.
    """

    quality: SurveyQuality
    dip_m: float

    @property
    def spacing_m(self) -> float:
        """Distance between surveyed points that shows every dip that somebody uses, m: three points in it."""
        return self.dip_m / 3.0


def hidden_depth(perimeter: Perimeter, zone_id: str, hidden: Hidden) -> float:
    """Depth of the deepest dip that the survey of a zone's strip could have missed, m; 0 where it misses none.

    Of all dips from the shortest that somebody uses to the longest that lies whole between two surveyed heights: the
    deepest, for ground as rough as the strip is at the lengths that the survey resolves.
    """
    if hidden.dip_m <= 0.0:
        return 0.0
    grid, resolves = perimeter.grids[zone_id], hidden.quality.resolves_m
    spacing = float(grid.chainage_m[1] - grid.chainage_m[0])
    rough = roughness_of(perimeter.levels(zone_id), spacing, resolves)
    longest = max(min(resolves, LONGEST_DIP_M), hidden.dip_m)
    return max(could_hide(hidden.quality, rough, float(length)) for length in np.geomspace(hidden.dip_m, longest, 5))


def dip_case(perimeter: Perimeter, zone_id: str, depth_m: float) -> Case:
    """A zone with every body lower by the depth of a dip: the field passes over it as over the ground surveyed."""
    strip = perimeter.strip(zone_id)
    before = np.zeros(strip.ground_m.shape) if strip.drop_m is None else strip.drop_m
    return Case(perimeter.zones[zone_id], replace(strip, drop_m=before + depth_m))


def open_in_a_hidden_dip(
    perimeter: Perimeter, zone_id: str, depth_m: float, low: Mapping[str, Floats] | None = None
) -> dict[str, Flags]:
    """Stations that each threat crosses undetected if a dip of this depth lies there, (n,).

    low : modulation of the zone's own heads in the case of :func:`dip_case`, (n, k) by threat, where it is solved.
    """
    if low is None:
        case = dip_case(perimeter, zone_id, depth_m)
        low = perimeter.modulation(case.zone, case.ground)
    own = perimeter.own(zone_id)
    # what passes above the ground, a jump or a bridge, is as high above a dip as beside it
    low = {t: low[t] if target.base_m == 0.0 else own[t] for t, target in perimeter.rules.targets.items()}
    return perimeter.dead(zone_id, low)
