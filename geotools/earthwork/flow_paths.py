"""What water may ask for, the paths it takes through a strip, and the ways that are built for it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.earthwork.prices import CrossingKind

__all__ = ["FlowPath", "WaterCrossing", "WaterRules", "runs_of"]


@dataclass(frozen=True)
class WaterRules:
    """What water may ask for.

    least_fall : fall that a flow path keeps, rise over run, where it has as much today. catchment_m2 : paths that drain
    at least so much are kept from the first; smaller ones where a pond shows that they matter. pond_m3 : new standing
    water that is let pass. margin_m : ground looked at around the strip. ways : those that the ground holds already,
    kept open whatever is built: inlet and outlet of each in space, (2, 3), m.
    """

    least_fall: float = 0.005
    catchment_m2: float = 100.0
    pond_m3: float = 0.05
    margin_m: float = 20.0
    ways: tuple[np.ndarray, ...] = ()


@dataclass(frozen=True)
class WaterCrossing:
    """A way for water through the works.

    kind : of the price list. line : (2, 2) map coordinates of inlet and outlet, m. inlet_m, outlet_m : their levels.
    cover_m : least depth of ground over the middle half of the way. cost : price.
    """

    kind: str
    line: np.ndarray
    inlet_m: float
    outlet_m: float
    cover_m: float
    catchment_m2: float
    cost: float

    @property
    def levels(self) -> np.ndarray:
        """Inlet and outlet in space, (2, 3), m."""
        return np.c_[self.line, [self.inlet_m, self.outlet_m]]


@dataclass(frozen=True)
class FlowPath:
    """Rows of one flow path: cells of the strip from upper to lower, and the crossing on offer, None where none is."""

    upper: np.ndarray
    lower: np.ndarray
    least: np.ndarray
    length_m: float
    catchment_m2: float
    kind: CrossingKind | None

    def lost(self, design: np.ndarray) -> npt.NDArray[np.bool_]:
        """Which of the falls a design, (n,) levels, does not keep."""
        return np.asarray(design[self.upper] - design[self.lower] < self.least - 1e-4)


def runs_of(p: np.ndarray, q: np.ndarray) -> np.ndarray:
    """For each link from p to q the number of the run of links it belongs to."""
    last: dict[int, int] = {}
    follows = dict(zip(p.tolist(), q.tolist(), strict=True))
    for start in follows:
        seen, at = [], start
        while at in follows and at not in last:
            seen.append(at)
            at = follows[at]
        end = last.get(at, at)
        last.update(dict.fromkeys(seen, end))
    return np.array([last[i] for i in p.tolist()])
