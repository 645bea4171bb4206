"""Geometry of a beam's strip: between map coordinates and (chainage, offset), all in metres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely import LineString, Polygon

from geotools.errors import NumericInputError

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class BeamLine:
    """The straight line from a zone's start post to its end post.

    Chainage counts from the start post; offset is positive to the left of the direction start to end. Metres.
    """

    x0: float
    y0: float
    x1: float
    y1: float

    def __post_init__(self) -> None:
        if not np.isfinite([self.x0, self.y0, self.x1, self.y1]).all() or self.length <= 0.0:
            raise NumericInputError("a beam line has no length", found=(self.x0, self.y0, self.x1, self.y1))

    @classmethod
    def of(cls, line: LineString) -> BeamLine:
        """From the first to the last vertex of a line."""
        (x0, y0), (x1, y1) = (line.coords[0][:2], line.coords[-1][:2])
        return cls(x0, y0, x1, y1)

    @property
    def length(self) -> float:
        """Length on the ground plan, m."""
        return float(np.hypot(self.x1 - self.x0, self.y1 - self.y0))

    @property
    def azimuth_deg(self) -> float:
        """Direction start to end, degrees clockwise from grid north, 0 to 360."""
        return float(np.degrees(np.arctan2(self.x1 - self.x0, self.y1 - self.y0)) % 360.0)

    @property
    def _along(self) -> tuple[float, float]:
        return (self.x1 - self.x0) / self.length, (self.y1 - self.y0) / self.length

    def to_map(self, chainage_m: npt.ArrayLike, offset_m: npt.ArrayLike = 0.0) -> tuple[Array, Array]:
        """Map x and y of places given by chainage and offset; the two inputs are broadcast."""
        ux, uy = self._along
        s, o = np.broadcast_arrays(np.asarray(chainage_m, float), np.asarray(offset_m, float))
        return self.x0 + s * ux - o * uy, self.y0 + s * uy + o * ux

    def from_map(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Array, Array]:
        """Chainage and offset of map places."""
        ux, uy = self._along
        dx, dy = np.asarray(x, float) - self.x0, np.asarray(y, float) - self.y0
        return dx * ux + dy * uy, dy * ux - dx * uy

    def reversed(self) -> BeamLine:
        """The same line seen from its end post."""
        return BeamLine(self.x1, self.y1, self.x0, self.y0)

    def line(self) -> LineString:
        """As a line."""
        return LineString([(self.x0, self.y0), (self.x1, self.y1)])

    def rectangle(self, from_m: float, to_m: float, half_width_m: float) -> Polygon:
        """The piece of the strip between two chainages, as an area (counter-clockwise)."""
        x, y = self.to_map([from_m, to_m, to_m, from_m], [-half_width_m, -half_width_m, half_width_m, half_width_m])
        return Polygon(zip(x, y, strict=True))


@dataclass(frozen=True)
class StripGrid:
    """Nodes of a strip: chainages from 0 to the line's length, offsets symmetric about the line."""

    line: BeamLine
    chainage_m: Array
    offset_m: Array

    @classmethod
    def over(cls, line: BeamLine, half_width_m: float, spacing_m: float) -> StripGrid:
        """Nodes no further apart than ``spacing_m`` that end exactly at the posts and at the strip's edges."""
        if not (half_width_m > 0 and spacing_m > 0):
            raise NumericInputError(
                "a strip needs a width and a spacing", found=(half_width_m, spacing_m), expected="both above 0 m"
            )
        along = max(int(np.ceil(line.length / spacing_m - 1e-9)), 1) + 1
        across = 2 * max(int(np.ceil(half_width_m / spacing_m - 1e-9)), 1) + 1
        return cls(line, np.linspace(0.0, line.length, along), np.linspace(-half_width_m, half_width_m, across))

    def map_xy(self) -> tuple[Array, Array]:
        """Map coordinates of the nodes, each (chainages, offsets)."""
        return self.line.to_map(self.chainage_m[:, None], self.offset_m[None, :])

    @property
    def spacing_m(self) -> tuple[float, float]:
        """Spacing of the nodes along and across, m."""
        return float(self.chainage_m[1] - self.chainage_m[0]), float(self.offset_m[1] - self.offset_m[0])

    def locate(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Array, Array, npt.NDArray[np.bool_]]:
        """Row and column (fractional) of map places, and whether they lie on the strip, each in the shape of x."""
        along, across = self.line.from_map(x, y)
        dx, dy = self.spacing_m
        half = float(self.offset_m[-1])
        inside = (along >= 0) & (along <= self.line.length) & (np.abs(across) <= half)
        return along / dx, (across + half) / dy, inside
