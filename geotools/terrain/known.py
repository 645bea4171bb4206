"""Levels measured again at single points: the terrain model corrected about them, and its error known there.

Simple kriging (best linear estimate for a normal error of known correlation; Cressie 1993, Statistics for Spatial Data,
3.2, from memory) with the correlation exp(-(distance / length)**2) of the model's error.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.spatial.distance import cdist

from geotools.corridor import Array

__all__ = ["KnownLevels"]

#: Correlation is nothing beyond this many lengths: exp(-9) is 0.0001.
REACH = 3.0
#: Places that are corrected at once.
_AT_ONCE = 200_000


@dataclass(frozen=True, eq=False)
class KnownLevels:
    """What was measured again.

    Parameters
    ----------
    xy : (m, 2) array
        Places in the plan's metres.
    off_m : (m,) array
        Measured level less the model's own, m.
    sigma_m : float
        Standard deviation of the model's error, m.
    correlation_m : float
        Distance at which the correlation of that error has fallen to 1/e, m.
    own_sigma_m : float
        Standard deviation of the measured levels, m.
    """

    xy: Array
    off_m: Array
    sigma_m: float
    correlation_m: float
    own_sigma_m: float

    @cached_property
    def _weights(self) -> Array:
        near = np.exp(-((cdist(self.xy, self.xy) / self.correlation_m) ** 2))
        return np.linalg.solve(near + self.noise * np.eye(len(near)), self.off_m)

    @property
    def noise(self) -> float:
        """Variance of the measured levels as a share of the model's own."""
        return max((self.own_sigma_m / max(self.sigma_m, 1e-6)) ** 2, 1e-6)

    def correction(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Array:
        """What is to be added to the model at places, m, in their shape; 0 far from all that was measured."""
        x, y = np.broadcast_arrays(np.asarray(x_m, float), np.asarray(y_m, float))
        places = np.column_stack([x.ravel(), y.ravel()])
        made = np.zeros(len(places))
        for start in range(0, len(places), _AT_ONCE):
            part = places[start : start + _AT_ONCE]
            near = self.within(part.min(axis=0), part.max(axis=0))
            if near.any():
                share = np.exp(-((cdist(part, self.xy[near]) / self.correlation_m) ** 2))
                made[start : start + _AT_ONCE] = share @ self._weights[near]
        return made.reshape(x.shape)

    def within(self, low: Array, high: Array) -> npt.NDArray[np.bool_]:
        """Which points are felt inside a box of the plan, (m,)."""
        reach = REACH * self.correlation_m
        return np.asarray(((self.xy >= low - reach) & (self.xy <= high + reach)).all(axis=1))
