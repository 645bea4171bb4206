"""A way for water through the works, as drawings and files show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pyproj import CRS
from shapely import get_coordinates

from geotools.corridor import BeamLine
from geotools.engine.step import StepContext
from geotools.errors import InputError
from geotools.io.features import read_points
from geotools.plan.schema import WATER_CROSSINGS
from geotools.site import Site

__all__ = ["Waterway", "standing_ways", "water_ways"]

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


def standing_ways(site: Site, work_crs: CRS) -> list[Array]:
    """Ways for water that the site's ground holds already: inlet and outlet of each in space, (2, 3), m.

    Raises
    ------
    InputError
        The file cannot be read, or a way lacks an end or its level.
    """
    if site.input.waterways is None:
        return []
    path = site.path(site.input.waterways)
    ends: dict[object, dict[str, list[float]]] = {}
    for row in read_points(path, "waterways", "input.waterways", work_crs):
        level = row.get("level_m")
        place = [row["geometry"].x, row["geometry"].y, float("nan") if level is None else float(level)]
        ends.setdefault(row.get("way"), {})[str(row.get("end"))] = place
    for way, found in ends.items():
        if set(found) != {"inlet", "outlet"} or not np.isfinite([*found["inlet"], *found["outlet"]]).all():
            raise InputError(
                "a way for water is not whole",
                where=f"{path}, way {way}",
                found=", ".join(sorted(found)),
                expected="one point with end = inlet and one with end = outlet, each with its level_m",
                mend="run `geotools apply` again, or complete the file",
            )
    return [np.array([found["inlet"], found["outlet"]]) for found in ends.values()]
