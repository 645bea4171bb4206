"""From a plan's layers and the site's settings to the ground that may be worked, and back from the plan's rasters."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import numpy.typing as npt
from pyproj import CRS
from rasterio import Affine
from rasterio.features import geometry_mask
from rasterio.io import DatasetReader
from shapely import STRtree, box
from shapely.geometry.base import BaseGeometry

from geotools.corridor import BeamLine
from geotools.detection.from_plan import height_limits
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.buildable import Machine
from geotools.earthwork.disturb import Tolerances
from geotools.earthwork.falls import WaterRules
from geotools.earthwork.prices import CrossingKind, Prices
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings
from geotools.errors import InputError, StepError
from geotools.io.crs import metres_per_unit
from geotools.io.features import read_figures
from geotools.io.grids import GridBand, write_grid
from geotools.io.rasters import open_raster
from geotools.io.sparse_grid import SparseGrid
from geotools.site import Site
from geotools.site.obstacles import obstacles_of
from geotools.terrain.design import DesignSurface, Ground, StripCells

__all__ = [
    "CUT_FILL",
    "KeptCells",
    "design_of",
    "grade_settings",
    "keep_mask",
    "kept_areas",
    "no_dig_areas",
    "prices_of",
    "surface_over",
    "write_change",
]

#: The change of level that the remedy writes beside the plan.
CUT_FILL = "cut_fill.tif"

#: Tolerance for a threat whose target names none (the stricter of the two in use; common practice, no source).
_STRICT_M = 0.075
#: What a kind of crossing is good for: catchments of stone fill and of a grated drain, m2, and the fill over a pipe, m
#: (common practice, no source).
_STONE_FILL_M2, _GRATED_DRAIN_M2, _PIPE_COVER_M = 1000.0, 10_000.0, 0.30


def prices_of(site: Site) -> Prices:
    """What things cost as the site file has it, and which of the prices it leaves to the placeholders."""
    p = site.prices
    kinds = (
        CrossingKind("stone fill", p.stone_fill_m, most_catchment_m2=_STONE_FILL_M2),
        CrossingKind("grated drain", p.grated_drain_m, most_catchment_m2=_GRATED_DRAIN_M2),
        CrossingKind("covered pipe", p.pipe_m, 2 * p.pipe_end, cover_m=_PIPE_COVER_M),
    )
    return Prices(
        p.cut_m3,
        p.fill_m3,
        p.haul_m3,
        p.surface_m2,
        p.strip_m2,
        p.set_head,
        p.head,
        p.post,
        kinds,
        frozenset(type(p).model_fields) - p.model_fields_set,
    )


def grade_settings(site: Site, fences: gpd.GeoDataFrame) -> GradeSettings:
    """Limits of heads and earth as the site file has them; ``fences`` : layer fence, for heads at a fence's top."""
    g = site.grading
    return GradeSettings(
        GradingRules(prices_of(site), max_slope=g.max_slope, balance=g.balance),
        {t: site.all_targets[t].straightness_m or _STRICT_M for t in site.threats},
        under_m=g.under_m,
        batter_m=g.batter_m,
        height_limits=height_limits(site, fences),
        headroom=g.headroom,
        tolerances=Tolerances(g.build_tolerance_m, g.settlement_m, g.head_tolerance_m),
        machine=Machine(g.least_lift_m, g.least_width_m),
        accuracy_m=site.input.vertical_accuracy_m or 0.0,
        water=WaterRules(least_fall=g.min_fall, catchment_m2=g.catchment_m2) if g.keep_fall else None,
    )


def surface_over(site: Site, perimeter: Perimeter, ground: Ground, zones: Sequence[str] | None = None) -> DesignSurface:
    """A design surface without works over the strips of the zones, all if not given, and what lies just beside them."""
    reach = site.grading.under_m + site.grading.batter_m + 3.0
    chosen = [perimeter.zones[z] for z in (perimeter.zones if zones is None else zones)]
    if not chosen:
        raise InputError("the plan has no zones", where="layer beams", mend="run `geotools layout` first")
    boxes = [z.line.rectangle(0.0, z.line.length, reach).buffer(3.0).bounds for z in chosen]
    left, bottom, right, top = zip(*boxes, strict=True)
    return DesignSurface(ground, (min(left), min(bottom), max(right), max(top)), cell_m=site.grading.cell_m)


def write_change(path: Path, plan_crs: CRS, surface: DesignSurface, strips: Sequence[StripCells]) -> None:
    """The change of level of a design as a raster in the plan's system; no data where no strip is worked."""
    change = SparseGrid(surface.change.shape, np.nan)
    for strip in strips:
        row, column = surface.locate(strip.x, strip.y)
        change[row, column] = surface.change[row, column]
    write_grid(path, plan_crs, surface.transform, [GridBand(change, "fill (positive) or cut (negative)")])


def kept_areas(site: Site, fence: gpd.GeoDataFrame, work_crs: CRS) -> STRtree:
    """Ground that is not to be moved: beside the fence, no-dig areas of the site file, and keep-outs (roads, drains,
    buildings, trees, neighbours' ground) save those that are about posts, beams or cameras alone.
    """
    areas: list[BaseGeometry] = []
    if site.grading.keep_off_fence_m > 0:
        areas += [line.buffer(site.grading.keep_off_fence_m) for line in fence.geometry]
    areas += no_dig_areas(site, work_crs)
    areas += [one.area for one in obstacles_of(site, work_crs) if not one.graded]
    return STRtree(areas)


class KeptCells:
    """Cells of a surface where nothing may be moved, drawn where they are requested."""

    def __init__(self, kept: STRtree, surface: DesignSurface) -> None:
        self._kept, self._surface = kept, surface

    def __getitem__(self, place: tuple[npt.ArrayLike, npt.ArrayLike]) -> npt.NDArray[np.bool_]:
        """True at the rows and columns that an area touches."""
        row, column = np.broadcast_arrays(np.asarray(place[0]), np.asarray(place[1]))
        if not row.size:
            return np.zeros(row.shape, bool)
        r0, c0 = int(row.min()), int(column.min())
        shape = int(row.max()) - r0 + 1, int(column.max()) - c0 + 1
        (x0, x1), (y0, y1) = self._surface.centres(np.array([r0, r0 + shape[0]]), np.array([c0, c0 + shape[1]]))
        near = self._kept.geometries[self._kept.query(box(x0, y1, x1, y0).buffer(self._surface.cell_m))]
        if not len(near):
            return np.zeros(row.shape, bool)
        t = self._surface.transform
        corner = Affine(t.a, 0.0, t.c + c0 * t.a, 0.0, t.e, t.f + r0 * t.e)
        return np.asarray(
            geometry_mask(list(near), shape, corner, all_touched=True, invert=True)[row - r0, column - c0]
        )


def keep_mask(kept: STRtree, surface: DesignSurface) -> KeptCells | None:
    """Cells of a surface where nothing may be moved; None where everything may."""
    return KeptCells(kept, surface) if len(kept.geometries) else None


def no_dig_areas(site: Site, work_crs: CRS) -> list[BaseGeometry]:
    """The areas of the site file where nothing may be dug; none where it names none."""
    if site.grading.no_dig is None:
        return []
    given = site.grading
    path = site.path(str(given.no_dig))
    areas = read_figures(path, "no-dig", "grading.no_dig", work_crs, layer=given.no_dig_layer, crs=given.no_dig_crs)
    kinds = sorted({area.geom_type for area in areas} - {"Polygon"})
    if kinds:
        raise InputError(
            "the no-dig file holds something else than areas",
            where=path,
            found=", ".join(kinds),
            expected="Polygon or MultiPolygon",
            mend="buffer pipes and cables to areas first",
        )
    return areas


def design_of(site: Site, perimeter: Perimeter, ground: Ground, folder: Path, plan_crs: CRS) -> DesignSurface:
    """The design surface that the remedy wrote into a plan's folder.

    StepError where it does not lie on the grid that site and plan ask for now; InputError where it cannot be read.
    """
    surface = surface_over(site, perimeter, ground)
    path = folder / CUT_FILL
    if not path.exists():
        raise StepError("the plan has no design surface yet", where=path, mend="run `geotools remedy` first")
    unit = metres_per_unit(plan_crs)
    with open_raster(path, "design surface") as raster:
        shape = raster.height, raster.width
        transform = Affine(*(unit * value for value in raster.transform[:6]))
        if shape == surface.change.shape and transform.almost_equals(surface.transform, 1e-4):
            for zone in perimeter.zones.values():
                _read_change(raster, surface, zone.line, site)
            return surface
    raise StepError(
        "the design surface does not belong to this plan",
        where=path,
        found=f"{shape[0]} x {shape[1]} cells from {transform.c:.2f}, {transform.f:.2f}",
        expected=f"{surface.change.shape[0]} x {surface.change.shape[1]} cells from "
        f"{surface.transform.c:.2f}, {surface.transform.f:.2f}",
        mend="run `geotools remedy` again after moving zones or changing the site file",
    )


def _read_change(raster: DatasetReader, surface: DesignSurface, line: BeamLine, site: Site) -> None:
    """Take over the change around one line."""
    reach = site.grading.under_m + site.grading.batter_m + 3.0
    row, column = surface.locate([line.x0, line.x1], [line.y0, line.y1])
    pad = int(np.ceil(reach / surface.cell_m)) + 1
    rows, columns = surface.change.shape
    r0, r1 = max(int(row.min()) - pad, 0), min(int(row.max()) + pad + 1, rows)
    c0, c1 = max(int(column.min()) - pad, 0), min(int(column.max()) + pad + 1, columns)
    change = raster.read(1, window=((r0, r1), (c0, c1)))
    r, c = np.nonzero(np.isfinite(change) & (change != 0))
    surface.change[r + r0, c + c0] = change[r, c]
