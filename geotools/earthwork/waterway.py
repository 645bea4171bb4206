"""A way for water through the works, as drawings and files show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely import get_coordinates

from geotools.corridor import BeamLine
from geotools.engine.step import StepContext
from geotools.plan.schema import WATER_CROSSINGS

__all__ = ["Waterway", "water_ways"]

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Waterway:
    """A way for water through the works.

    Parameters
    ----------
    name, zone_id, kind : str
        Its own name, the zone whose works it crosses, and how it is built.
    line : (n, 2) array
        From inlet to outlet, m.
    inlet_m, outlet_m : float
        Levels of its ends, m.
    """

    name: str
    zone_id: str
    kind: str
    line: Array
    inlet_m: float
    outlet_m: float

    @property
    def levels(self) -> Array:
        """Inlet and outlet in space, (2, 3), m."""
        return np.c_[self.line[[0, -1]], [self.inlet_m, self.outlet_m]]

    def in_words(self, along: BeamLine) -> str:
        """Kind, chainage and levels in a line of text."""
        station = float(along.from_map(*self.line.mean(axis=0))[0])
        length = float(np.hypot(*np.diff(self.line, axis=0).T).sum())
        return (
            f"{self.name} {self.kind}, chainage {station:.1f}, {length:.1f} m, "
            f"inlet {self.inlet_m:.2f}, outlet {self.outlet_m:.2f}"
        )


def water_ways(ctx: StepContext) -> list[Waterway]:
    """The ways for water that the proposal builds through the works."""
    if not ctx.workspace.has(WATER_CROSSINGS):
        return []
    rows = ctx.read(WATER_CROSSINGS).itertuples()
    return [
        Waterway(r.crossing_id, r.zone_id, r.kind, get_coordinates(r.geometry), r.inlet_m, r.outlet_m) for r in rows
    ]
