"""What of the whole site lies near one window or pond: a long line has thousands of each."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from geopandas import GeoDataFrame
from rasterio import Affine
from shapely import Geometry, Point, STRtree, box, get_coordinates

__all__ = ["LowHeads", "Ways"]

#: A low head this near to standing water is splashed and mirrored (common practice, no source).
SPLASH_REACH_M = 3.0
LOW_HEAD_M = 0.40
#: Cells beyond a window that a way is still near in: what is looked for reaches two cells from it.
_BEYOND_CELLS = 3


class LowHeads:
    """Heads near enough to the ground to be splashed, by identifier.

    Parameters
    ----------
    beams : GeoDataFrame
        Layer beams.
    """

    def __init__(self, beams: GeoDataFrame) -> None:
        found = []
        for row in beams.itertuples():
            ends = get_coordinates(row.geometry)[[0, -1]]
            for name, height, place in zip(
                (row.tx_head_id, row.rx_head_id), (row.tx_height_m, row.rx_height_m), ends, strict=True
            ):
                if height <= LOW_HEAD_M:
                    found.append((str(name), Point(place)))
        found.sort(key=lambda item: item[0])
        self.names, self.places = [name for name, _ in found], [place for _, place in found]
        self._tree = STRtree(self.places)

    def splashed(self, area: Geometry) -> list[str]:
        """Heads within reach of standing water, by identifier."""
        x0, y0, x1, y1 = area.bounds
        reach = SPLASH_REACH_M + 0.01  # what counts is the distance below
        near = np.sort(self._tree.query(box(x0 - reach, y0 - reach, x1 + reach, y1 + reach)))
        return [self.names[k] for k in near if area.distance(self.places[k]) <= SPLASH_REACH_M]


class Ways:
    """Ways for water through the works, inlet and outlet of each in space, (2, 3), m; in their order.

    Parameters
    ----------
    levels : sequence of (2, 3) array
        Inlet and outlet of each way.
    """

    def __init__(self, levels: Sequence[np.ndarray]) -> None:
        self.levels = list(levels)
        ends = np.array(self.levels, float).reshape(-1, 2, 3)[:, :, :2]
        self._low, self._high = ends.min(axis=1), ends.max(axis=1)

    def near(self, transform: Affine, shape: tuple[int, int]) -> list[np.ndarray]:
        """Those that may touch cells of a window, or ground two cells beside them."""
        rows, columns = shape
        x = np.sort([transform.c, transform.c + columns * transform.a])
        y = np.sort([transform.f, transform.f + rows * transform.e])
        beyond = _BEYOND_CELLS * abs(transform.a)
        low, high = np.array([x[0], y[0]]) - beyond, np.array([x[1], y[1]]) + beyond
        return [self.levels[k] for k in np.flatnonzero(((self._high >= low) & (self._low <= high)).all(axis=1))]
