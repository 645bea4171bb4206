"""From a plan's layers to the perimeter that remedies are tried on."""

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

from geotools.beam import HeadType, Target
from geotools.corridor import BeamLine
from geotools.crs import metres_per_unit
from geotools.earthwork.programme import GradingRules
from geotools.earthwork.surface import DesignSurface, Ground
from geotools.earthwork.zones import GradeSettings
from geotools.errors import InputError, StepError
from geotools.figures import read_figures
from geotools.rasters import open_raster
from geotools.scenario import HeadPair, Perimeter, Rules, ZoneSetup
from geotools.site import Site

__all__ = [
    "CUT_FILL",
    "design_of",
    "grade_settings",
    "head_type_of",
    "keep_mask",
    "kept_areas",
    "perimeter_of",
    "rules_of",
    "surface_over",
    "zone_with",
    "zones_of",
]

#: The change of level that grading writes beside the plan.
CUT_FILL = "cut_fill.tif"

#: Tolerance for a threat whose target names none (the stricter of the two in use; common practice, no source).
_STRICT_M = 0.075


def head_type_of(site: Site, name: str) -> HeadType:
    """A head type of the site as the beam model takes it."""
    kind = site.all_head_types[name]
    return HeadType(name, kind.frequency_ghz * 1e9, kind.beamwidth_az_deg, kind.beamwidth_el_deg, kind.max_range_m)


def rules_of(site: Site) -> Rules:
    """Threshold, strip and targets as the site file has them."""
    targets = {}
    for threat in site.threats:
        t = site.all_targets[threat]
        targets[threat] = Target(threat, t.height_m, t.width_m, t.base_m)
    d = site.detection
    return Rules(d.threshold, d.half_width_m, d.spacing_m, targets, d.grass_m)


def zones_of(site: Site, beams: gpd.GeoDataFrame) -> list[ZoneSetup]:
    """Zones by name, from the plan's beams; StepError where the beams of a zone do not fit together."""
    zones = []
    for zone_id, rows in beams.sort_values(["zone_id", "beam_id"]).groupby("zone_id", sort=True):
        lines = [BeamLine.of(line) for line in rows.geometry]
        ends = {(round(li.x0, 3), round(li.y0, 3), round(li.x1, 3), round(li.y1, 3)) for li in lines}
        if len(ends) != 1:
            raise StepError(
                "the beams of one zone do not run between the same posts",
                where=f"layer beams, zone {zone_id}",
                found=f"{len(ends)} different lines",
                expected="one line from transmitter post to receiver post",
                mend="move all heads of a post together, or run layout again",
            )
        unknown = sorted(set(rows.head_type) - set(site.all_head_types))
        if unknown:
            raise StepError(
                "a beam names a head type that the site file does not have",
                where=f"layer beams, zone {zone_id}",
                found=", ".join(unknown),
                expected=", ".join(site.all_head_types),
            )
        pairs = [
            HeadPair(str(r.level), head_type_of(site, r.head_type), float(r.tx_height_m), float(r.rx_height_m))
            for r in rows.itertuples()
        ]
        zones.append(
            ZoneSetup(str(zone_id), lines[0], tuple(sorted(pairs, key=lambda p: p.tx_height_m + p.rx_height_m)))
        )
    return zones


def zone_with(site: Site, zone: ZoneSetup, level: str, heights: tuple[float, float]) -> ZoneSetup:
    """The zone with one level's heads at these heights, transmitter and receiver; a level it lacks is added."""
    if any(p.level == level for p in zone.pairs):
        return zone.with_heights(level, *heights)
    rule = next((r for r in site.stack_rules if r.level == level), None)
    if rule is None:
        raise StepError(
            "the plan names a head level that the site's stack rules do not have",
            where=f"zone {zone.zone_id}",
            found=level,
            expected=", ".join(r.level for r in site.stack_rules),
            mend="run `geotools remedy` and `geotools grade` again",
        )
    return zone.with_pair(HeadPair(level, head_type_of(site, rule.head_type), *heights))


def perimeter_of(site: Site, beams: gpd.GeoDataFrame, ground: Ground) -> Perimeter:
    """Every zone of the plan on a ground; InputError where the ground has no level under a beam's strip."""
    perimeter = Perimeter(zones_of(site, beams), ground, rules_of(site))
    perimeter.check_ground()
    return perimeter


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
