"""The levels of one zone as built against its design, and where to go because of them, in words."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from rasterio import Affine
from shapely import MultiPolygon

from geotools.errors import place_words
from geotools.io.crs import map_place
from geotools.io.grids import outline
from geotools.plan.model import Zone
from geotools.steps.asbuilt.closeness import MeasuredPoints, accuracy_of, between_points, spacing_of
from geotools.steps.asbuilt.kernel import Comparison, Measuring, OutArea, compare
from geotools.terrain.design import DesignSurface
from geotools.terrain.model import Terrain

__all__ = ["LevelCheck", "ZoneLevels"]

Array = npt.NDArray[np.float64]

#: Cells that take their level from the nearest measured point are no larger than this, m, so that every point has some.
_FINE_M = 0.25
#: A design that bends by this much between points has an edge there, m.
_EDGE_M = 0.01
#: So many places are named in a sentence; all of them stand in the layer.
_NAMED = 3


@dataclass(frozen=True)
class _Window:
    """Cells around a zone: transform, places (rows, columns), and which lie in its graded strip."""

    transform: Affine
    x: Array
    y: Array
    inside: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class ZoneLevels:
    """One zone's levels compared. found : figures and areas. between_m : (2, rows, columns), as `between_points`."""

    zone: Zone
    found: Comparison
    window: _Window
    between_m: Array

    def outline(self, area: OutArea) -> MultiPolygon:
        """An area on the map."""
        mask = np.zeros(self.window.x.shape, bool)
        mask.ravel()[area.cells] = True
        return outline(mask, self.window.transform)

    def places(self, map_unit_m: float) -> list[str]:
        """The worst place out of tolerance, or else what is to be measured where: the largest areas that are open."""
        if self.found.areas:
            return [self._place(max(self.found.areas, key=lambda area: abs(area.worst)), map_unit_m)]
        return [f"{self._subject(area)} {self._place(area, map_unit_m)}" for area in self.found.open[:_NAMED]]

    def _subject(self, area: OutArea) -> str:
        if np.isnan(area.worst):
            return "the ground without a level about"
        edge = self.between_m.max(axis=0).ravel()[area.cells].max() > _EDGE_M
        return "the edge at" if edge else "once more about"

    def _place(self, area: OutArea, map_unit_m: float) -> str:
        x, y = (float(v.ravel()[area.cells].mean()) for v in (self.window.x, self.window.y))
        chainage, offset = (float(v) for v in self.zone.line.from_map(x, y))
        return f"{place_words(chainage, offset)} ({map_place(x, y, map_unit_m)})"


@dataclass(frozen=True)
class LevelCheck:
    """Holds surveys of zones to their design.

    surface : the design. survey : levels as built. points : what they were drawn over, where it is known.
    reach_m : half width of the graded strip. tolerance_m : that passes. least_m2 : smaller areas are not shown.
    ground_m : accuracy of the levels of the ground that was not worked, which its design has from the first survey.
    """

    surface: DesignSurface
    survey: Terrain
    points: MeasuredPoints | None
    reach_m: float
    tolerance_m: float
    least_m2: float
    ground_m: float

    def of(self, zone: Zone) -> ZoneLevels:
        """Compare one zone."""
        parts = int(np.ceil(self.surface.cell_m / _FINE_M)) if self.points is not None else 1
        window = self._window(zone, parts)
        x, y, inside = window.x, window.y, window.inside
        design = np.where(inside, self.surface.sample(x, y), np.nan)
        cell_m = self.surface.cell_m / parts
        worked = self.surface.change_at(x, y) != 0.0
        tolerance = self.tolerance_m + np.where(worked, 0.0, self.ground_m)
        between, used = np.zeros((2, *x.shape)), np.empty(0, np.intp)
        if self.points is None:
            survey = self.survey.sample(x, y)
            spacing = spacing_of(self.survey, self.surface.cell_m)
            between = between_points(self.surface, x, y, spacing)
            how = Measuring(between, accuracy_of(self.survey), spacing)
        else:
            # a square of the least area that is judged holds a point wherever none of its cells lies farther from one
            reach = max(np.sqrt(self.least_m2 / 2), cell_m)
            survey, nearest, used = self.points.levels(self.surface, x, y, inside, reach)
            how = Measuring(0.0, accuracy_of(self.survey), 0.0, nearest)
        found = compare(design, survey, cell_m**2, tolerance=tolerance, least_area=self.least_m2, measuring=how)
        if self.points is not None:
            found = self._in_points(found, used)
        return ZoneLevels(zone, found, window, between)

    def _in_points(self, found: Comparison, used: npt.NDArray[np.intp]) -> Comparison:
        """The figures of measured points in place of those of cells."""
        assert self.points is not None
        if not used.size:
            return found
        x, y = self.points.xy[used].T
        away = self.points.z[used] - self.surface.sample(x, y)
        allowed = self.tolerance_m + np.where(self.surface.change_at(x, y) != 0.0, 0.0, self.ground_m)
        return replace(
            found,
            cells=int(used.size),
            cells_out=int((np.abs(away) > allowed).sum()),
            mean=float(away.mean()),
            rms=float(np.sqrt((away**2).mean())),
            worst=float(away[np.argmax(np.abs(away))]),
        )

    def _window(self, zone: Zone, parts: int) -> _Window:
        """The cells around a zone, each cut into so many parts along its sides."""
        surface, line = self.surface, zone.line
        rows, columns = surface.locate([line.x0, line.x1], [line.y0, line.y1])
        pad = int(np.ceil(self.reach_m / surface.cell_m)) + 1
        r0, r1 = max(rows.min() - pad, 0), min(rows.max() + pad + 1, surface.change.shape[0])
        c0, c1 = max(columns.min() - pad, 0), min(columns.max() + pad + 1, surface.change.shape[1])
        t, cell = surface.transform, surface.cell_m / parts
        corner = Affine(cell, 0.0, t.c + c0 * t.a, 0.0, -cell, t.f + r0 * t.e)
        across, down = np.arange((c1 - c0) * parts) + 0.5, np.arange((r1 - r0) * parts) + 0.5
        x, y = np.meshgrid(corner.c + across * cell, corner.f - down * cell)
        along, off = line.from_map(x, y)
        return _Window(corner, x, y, (np.abs(off) <= self.reach_m) & (along >= 0) & (along <= line.length))
