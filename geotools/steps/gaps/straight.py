"""The hand rule: where the ground lies further below the straight line between the posts than a threat allows."""

from __future__ import annotations

import numpy as np

from geotools.beam.strip import straightness
from geotools.steps.gaps.patch import Patch
from geotools.steps.gaps.spots import Spot, outline, runs

__all__ = ["straightness_spots"]


def straightness_spots(patch: Patch, tolerance_m: float) -> list[tuple[Spot, float]]:
    """Spots of one zone by the straightness rule, each with its greatest depth below the line, metres."""
    below = straightness(patch.strip)
    middle = patch.strip.offset_m.size // 2
    x, half = patch.strip.chainage_m, patch.spacing[0] / 2
    found = []
    for first, last in runs(below[:, middle] > tolerance_m):
        area = outline(patch, below > tolerance_m, first, last)
        from_m, to_m = max(float(x[first]) - half, 0.0), min(float(x[last]) + half, float(x[-1]))
        spot = Spot(first, last, from_m, to_m, area, np.nan, np.nan)
        found.append((spot, float(below[first : last + 1, middle].max())))
    return found
