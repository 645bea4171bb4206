"""An invented hilly site: smooth hills of several sizes, on which zones of 100 m stand over crests and hollows."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from tests.evidence.applied_sites import Invented

__all__ = ["HILLY"]

_SIDE = 220


def _level(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Heights of 1 m cells by Gaussian-filtered noise: hills 40 m wide of 4 m, of 14 m and 0.5 m, of 5 m and 0.06 m."""
    rng = np.random.default_rng(11)
    ground = np.full((_SIDE, _SIDE), 320.0)
    for size, height in ((40, 4.0), (14, 0.5), (5, 0.06)):
        noise = ndimage.gaussian_filter(rng.normal(size=(_SIDE, _SIDE)), size, mode="reflect")
        ground += height * noise / noise.std()
    return ground[np.clip((_SIDE - y).astype(int), 0, _SIDE - 1), np.clip(x.astype(int), 0, _SIDE - 1)]


HILLY = Invented(
    "hilly",
    _level,
    (((50.0, 70.0), (180.0, 70.0), (180.0, 180.0), (50.0, 180.0), (50.0, 70.0)),),
    size=(220.0, 220.0),
    cell=1.0,
    longest_m=100.0,
    threats=("walk", "crawl", "prone"),
)
