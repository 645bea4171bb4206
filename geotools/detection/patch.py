"""One zone's strip on the map with what was found on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.corridor import StripGrid

__all__ = ["Patch"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Patch:
    """A strip and its values at the nodes.

    Attributes
    ----------
    zone_id : str
        The zone's.
    grid : StripGrid
        Its nodes, n along and k across.
    ground_m : (n, k) array
        Levels, m.
    best : (threats, n, k) array
        Modulation, neighbours' heads joined in.
    floor : (n, k) array
        Detection floor, neighbours' joined in: level that a top must reach, m; ``inf`` where no height is enough.
    """

    zone_id: str
    grid: StripGrid
    ground_m: Floats
    best: Floats
    floor: Floats
