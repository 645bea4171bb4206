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
from shapely import STRtree, box
from shapely.geometry.base import BaseGeometry

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.zones import GradeSettings
from geotools.errors import InputError, StepError
from geotools.io.crs import metres_per_unit
from geotools.io.features import read_figures
from geotools.io.rasters import open_raster
from geotools.site import Site
from geotools.terrain.design import DesignSurface, Ground

__all__ = ["CUT_FILL", "design_of", "grade_settings", "keep_mask", "kept_areas", "surface_over"]

#: The change of level that grading writes beside the plan.
CUT_FILL = "cut_fill.tif"

#: Tolerance for a threat whose target names none (the stricter of the two in use; common practice, no source).
_STRICT_M = 0.075


def grade_settings(site: Site) -> GradeSettings:
    """Limits of heads and earth as the site file has them."""
    g, p = site.grading, site.prices
    return GradeSettings(
        GradingRules(
            cut_cost=p.cut_m3, fill_cost=p.fill_m3, max_slope=g.max_slope, min_fall=g.min_fall, balance=g.balance
        ),
        {t: site.all_targets[t].straightness_m or _STRICT_M for t in site.threats},
        under_m=g.under_m,
        batter_m=g.batter_m,
        height_limits={level.level: level.limits_m for level in site.stack_levels()},
        keep_fall=g.keep_fall,
        headroom=g.headroom,
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


def kept_areas(site: Site, fence: gpd.GeoDataFrame, work_crs: CRS) -> STRtree:
    """Ground that is not to be moved: beside the fence, and the no-dig areas of the site file."""
    areas: list[BaseGeometry] = []
    if site.grading.keep_off_fence_m > 0:
        areas += [line.buffer(site.grading.keep_off_fence_m) for line in fence.geometry]
    if site.grading.no_dig is not None:
        areas += _no_dig(site, work_crs)
    return STRtree(areas)


def keep_mask(kept: STRtree, surface: DesignSurface) -> npt.NDArray[np.bool_] | None:
    """Cells of a surface where nothing may be moved; None where everything may."""
    rows, columns = surface.change.shape
    (x0, x1), (y0, y1) = surface.centres(np.array([0, rows]), np.array([0, columns]))
    near = kept.geometries[kept.query(box(x0, y1, x1, y0).buffer(surface.cell_m))]
    if not len(near):
        return None
    return geometry_mask(list(near), (rows, columns), surface.transform, all_touched=True, invert=True)


def _no_dig(site: Site, work_crs: CRS) -> list[BaseGeometry]:
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
    """The design surface that grading wrote into a plan's folder.

    StepError where it does not lie on the grid that site and plan ask for now; InputError where it cannot be read.
    """
    surface = surface_over(site, perimeter, ground)
    path = folder / CUT_FILL
    if not path.exists():
        raise StepError("the plan has no design surface yet", where=path, mend="run `geotools grade` first")
    unit = metres_per_unit(plan_crs)
    with open_raster(path, "design surface") as raster:
        change = raster.read(1)
        transform = Affine(*(unit * value for value in raster.transform[:6]))
    if change.shape != surface.change.shape or not transform.almost_equals(surface.transform, 1e-4):
        raise StepError(
            "the design surface does not belong to this plan",
            where=path,
            found=f"{change.shape[0]} x {change.shape[1]} cells from {transform.c:.2f}, {transform.f:.2f}",
            expected=f"{surface.change.shape[0]} x {surface.change.shape[1]} cells from "
            f"{surface.transform.c:.2f}, {surface.transform.f:.2f}",
            mend="run `geotools grade` again after moving zones or changing the site file",
        )
    surface.change[:] = np.nan_to_num(change, nan=0.0)
    return surface
