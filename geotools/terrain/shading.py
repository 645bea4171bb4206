"""The ground as light and shade, coarse enough for a page."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.terrain.model import Terrain

__all__ = ["Shade", "shaded"]

#: Cells along the longer side: sharp enough on a screen, small enough in a file.
_CELLS = 220
#: Light from the north-west, half way up, as maps are commonly shaded.
_AZIMUTH_DEG, _ALTITUDE_DEG = 315.0, 45.0
#: Slopes are drawn this many times as steep, or a flat site would be one grey.
_STEEPER = 4.0

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Shade:
    """Shade of the ground: x (k,), y (n,) of cell centres, m; light (n, k) from 0 (dark) to 1, NaN without ground."""

    x: Floats
    y: Floats
    light: Floats


def shaded(terrain: Terrain, low: Floats, high: Floats) -> Shade:
    """Shade of the ground between two corners.

    Parameters
    ----------
    terrain : Terrain
        Heights in m.
    low, high : (2,) array
        Corners in metres, south-west and north-east.
    """
    cell = float(np.max(high - low)) / _CELLS
    x = np.arange(low[0] + cell / 2, high[0], cell)
    y = np.arange(low[1] + cell / 2, high[1], cell)
    level = terrain.sample(*(part.ravel() for part in np.meshgrid(x, y))).reshape(y.size, x.size)
    along_y, along_x = np.gradient(level * _STEEPER, cell)
    sun, up = np.radians(_AZIMUTH_DEG), np.radians(_ALTITUDE_DEG)
    light = np.sin(up) - np.cos(up) * (along_x * np.sin(sun) + along_y * np.cos(sun))
    return Shade(x, y, np.clip(light / np.sqrt(1.0 + along_x**2 + along_y**2), 0.0, 1.0))
