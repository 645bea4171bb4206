"""The ground as light and shade, coarse enough for a page."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from geotools.terrain.model import Terrain

__all__ = ["shaded"]

#: Cells along the longer side: sharp enough on a screen, small enough in a file.
_CELLS = 220
#: Light from the north-west, half way up, as maps are commonly shaded.
_AZIMUTH_DEG, _ALTITUDE_DEG = 315.0, 45.0
#: Slopes are drawn this many times as steep, or a flat site would be one grey.
_STEEPER = 4.0


def shaded(terrain: Terrain, low: npt.NDArray[np.float64], high: npt.NDArray[np.float64]) -> dict[str, Any]:
    """Shade of the ground between two corners, from 0 (dark) to 100, as plain data.

    Parameters
    ----------
    terrain : Terrain
        Heights in m. low, high : (2,) array, corners in metres, south-west and north-east.

    Returns
    -------
    dict
        ``x``, ``y`` (centres relative to the south-west corner, m) and ``shade`` (rows from the south; None where there
        is no ground).
    """
    cell = float(np.max(high - low)) / _CELLS
    x = np.arange(low[0] + cell / 2, high[0], cell)
    y = np.arange(low[1] + cell / 2, high[1], cell)
    level = terrain.sample(*(part.ravel() for part in np.meshgrid(x, y))).reshape(y.size, x.size)
    along_y, along_x = np.gradient(level * _STEEPER, cell)
    sun, up = np.radians(_AZIMUTH_DEG), np.radians(_ALTITUDE_DEG)
    light = np.sin(up) - np.cos(up) * (along_x * np.sin(sun) + along_y * np.cos(sun))
    shade = 100.0 * np.clip(light / np.sqrt(1.0 + along_x**2 + along_y**2), 0.0, 1.0)
    rows = [[None if not np.isfinite(v) else round(float(v)) for v in row] for row in shade]
    return {"x": np.round(x - low[0], 2).tolist(), "y": np.round(y - low[1], 2).tolist(), "shade": rows}
