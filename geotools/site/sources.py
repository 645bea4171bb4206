"""What the site's files are in: systems, units and datums, and the coordinate system that the plan takes from them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import fiona
import numpy
import numpy as np
import pyproj
import rasterio
import scipy
import shapely
from pyproj import CRS

from geotools.errors import InputError
from geotools.io.crs import horizontal, metres_per_unit, transformer, unit_name, utm_for, vertical
from geotools.io.files import given_file, sha256
from geotools.io.rasters import open_raster, understood
from geotools.io.sidecars import says_nothing
from geotools.io.vectors import FenceLines, crs_from, read_fence
from geotools.io.vrt import MAX_DEPTH, is_vrt, vrt_sources
from geotools.site import Site
from geotools.site.height_units import HeightUnit, height_unit
from geotools.site.true_metres import check_true_metres
from geotools.terrain.known import KnownLevels
from geotools.terrain.measured import read_table
from geotools.terrain.model import Terrain
from geotools.terrain.quality import from_tags

#: Accuracy that a model is taken to have about levels measured again where nobody states it, m.
UNSTATED_M = 0.10
#: 95 % of normal errors lie within this many standard deviations.
PER_95 = 1.96


@dataclass(frozen=True)
class Sources:
    """The site's fence lines with everything about the files that a plan has to know."""

    fence: FenceLines
    terrain_crs: CRS
    plan_crs: CRS
    height_unit: HeightUnit
    vertical_datum: str
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    @property
    def metres_per_height(self) -> float:
        """Metres in one unit of the raster's heights."""
        return self.height_unit.metres

    @property
    def source_vertical_unit(self) -> str:
        """Unit of the heights in the terrain file."""
        return self.height_unit.name

    def open_terrain(self, site: Site) -> Terrain:
        """The terrain model in the plan's metres, corrected about levels that were measured again."""
        terrain = self.open_raster_alone(site)
        terrain.known = known_levels(site, terrain)
        return terrain

    def open_raster_alone(self, site: Site) -> Terrain:
        """The terrain model as its file has it, in the plan's metres."""
        return Terrain(
            site.path(site.input.terrain),
            self.plan_crs,
            metres_per_height=self.metres_per_height,
            source_crs=self.terrain_crs,
            band=site.input.terrain_band,
        )


def known_levels(site: Site, terrain: Terrain) -> KnownLevels | None:
    """Levels that the site names as measured again, against the terrain model; None where it names none.

    Where works are proposed and not built, the levels are of the ground before them.
    """
    if site.input.levels is None:
        return None
    path = site.path(site.input.levels)
    xyz = np.concatenate([*read_table(path).chunks])
    xy = xyz[:, :2] * metres_per_unit(terrain.plan_crs)
    model = terrain.sample(xy[:, 0], xy[:, 1])
    inside = np.isfinite(model)
    if not inside.any():
        raise InputError(
            "the levels measured again lie outside the terrain model",
            where=path,
            found=f"0 of {len(xyz)} inside",
            expected="places on the terrain model",
            mend="give them in the plan's coordinate system",
        )
    works = open_works(site, terrain.plan_crs)
    change = 0.0 if works is None else np.nan_to_num(works.sample(xy[inside, 0], xy[inside, 1]))
    said = from_tags(terrain.tags, terrain.cell_m)
    accuracy = site.input.vertical_accuracy_m or (None if said is None else said.accuracy_m) or UNSTATED_M
    return KnownLevels(
        xy[inside],
        xyz[inside, 2] + change - model[inside],
        accuracy / PER_95,
        site.survey.correlation_m,
        site.input.levels_accuracy_m / PER_95,
    )


def open_works(site: Site, plan_crs: CRS) -> Terrain | None:
    """The change of level by works that are not measured yet, metres; None where the site names none."""
    if site.input.works is None:
        return None
    return Terrain(site.path(site.input.works), plan_crs, source_crs=plan_crs)


def _terrain_header(site: Site) -> tuple[CRS, str | None, str | None]:
    """The raster's system, the unit its band names, and the datum that `geotools terrain` noted in it."""
    path = site.path(site.input.terrain)
    number = site.input.terrain_band
    with open_raster(path) as raster, understood(path):
        if number > raster.count:
            raise InputError(
                "the terrain raster has no such band", where=path, found=number, expected=f"1 to {raster.count}"
            )
        colour = raster.colorinterp[number - 1].name
        kind = raster.dtypes[number - 1]
        own = raster.crs.to_wkt() if raster.crs else None
        unit, datum = raster.units[number - 1], raster.tags().get("VERTICAL_DATUM")
    if colour in ("palette", "red", "green", "blue", "alpha", "hue", "saturation", "lightness") or kind.startswith(
        "complex"
    ):
        raise InputError(
            "the terrain raster holds no elevation",
            where=f"{path}, band {number}",
            found=f"{colour} values of type {kind}",
            expected="one number a cell, the height of the ground",
            mend="give the digital terrain model itself, not a picture of it",
        )
    if own is None and site.input.terrain_crs is None:
        raise InputError(
            "the terrain raster names no coordinate system",
            where=path,
            expected="a raster that names its system",
            mend="set input.terrain_crs in the site file",
        )
    crs = CRS.from_wkt(own) if own else crs_from(str(site.input.terrain_crs), "input.terrain_crs")
    return crs, (unit or None), datum


def _choose_plan_crs(site: Site, fence: FenceLines, terrain_crs: CRS, notes: list[str]) -> CRS:
    if site.input.plan_crs:
        chosen = horizontal(crs_from(site.input.plan_crs, "input.plan_crs"))
        if not chosen.is_projected:
            raise InputError("the plan's coordinate system is not projected", where="input.plan_crs", found=chosen.name)
        return chosen
    for crs, whose in ((terrain_crs, "terrain raster"), (fence.crs, "fence file")):
        if horizontal(crs).is_projected:
            notes.append(f"plan in {horizontal(crs).name}, the system of the {whose}")
            return horizontal(crs)
    proposal = "a projected system of your region"
    if horizontal(fence.crs).is_geographic:
        to_degrees = transformer(horizontal(fence.crs), CRS("EPSG:4326"))
        longitude, latitude = to_degrees.transform(*fence.lines[0].coords[0])
        proposal = f'plan_crs = "{utm_for(longitude, latitude)}"'
    raise InputError(
        "fence and terrain are both in degrees, and a beam is measured in metres",
        where=f"{site.input.fence}, {site.input.terrain}",
        found=f"{fence.crs.name}; {terrain_crs.name}",
        expected="a projected system for the plan",
        mend=f"set it in the site file under [input], for example {proposal}",
    )


def open_sources(site: Site) -> Sources:
    """Read the fence and the terrain's header, and settle units and the plan's coordinate system.

    InputError where any of them cannot be settled; nothing is written.
    """
    notes: list[str] = []
    warnings: list[str] = []
    fence = read_fence(site.path(site.input.fence), layer=site.input.fence_layer, crs=site.input.fence_crs)
    notes += fence.notes
    terrain_crs, band_unit, noted = _terrain_header(site)
    plan_crs = _choose_plan_crs(site, fence, terrain_crs, notes)
    for crs in (fence.crs, terrain_crs):
        transformer(horizontal(crs), plan_crs)
    check_true_metres(site, fence, plan_crs, warnings, notes)
    unit = height_unit(site, terrain_crs, band_unit, warnings, notes)
    if unit.metres != 1.0:
        notes.append(f"heights converted from {unit.name} to metres (1 {unit.name} = {unit.metres:.10g} m)")
    if metres_per_unit(plan_crs) != 1.0:
        notes.append(
            f"map units of {plan_crs.name} are {unit_name(plan_crs)}; all lengths in the plan's tables are metres"
        )
    if horizontal(terrain_crs) != plan_crs:
        notes.append(f"the terrain is reprojected from {terrain_crs.name} to {plan_crs.name}")
    if horizontal(fence.crs) != plan_crs:
        notes.append(f"the fence is reprojected from {fence.crs.name} to {plan_crs.name}")
    upright = vertical(terrain_crs)
    datum = site.input.vertical_datum or (upright.name if upright is not None else noted or "not stated")
    return Sources(fence, terrain_crs, plan_crs, unit, datum, notes, warnings)


_SHAPEFILE_PARTS = (".shx", ".dbf", ".prj", ".cpg")
#: Files beside a raster from which the library takes its place, system, nodata and statistics.
_RASTER_PARTS = (".tfw", ".tifw", ".tiffw", ".wld", ".prj", ".aux.xml", ".jgw", ".pgw", ".bpw", ".hdr")


def file_parts(path: Path) -> list[Path]:
    """A file with everything that belongs to it: a Shapefile's parts, a raster's sidecars, a virtual raster's tiles.

    Parameters
    ----------
    path : Path
        A local file.

    Returns
    -------
    list of Path
        The file first, then its tiles, those that are not there too, and of the others those that are; what a GIS notes
        as it shows a raster is none of them.
    """
    found = _parts(path)
    for part in list(found):
        beside = [part.with_suffix(end) for end in _RASTER_PARTS]
        beside += [part.with_name(part.name + end) for end in (".aux.xml", ".msk", ".wld")]
        found += [other for other in beside if other not in found and other.is_file() and not says_nothing(other)]
    return found


def input_hashes(site: Site) -> dict[str, str]:
    """SHA-256 of settings, fence and terrain files with their parts; what is fetched from elsewhere is named alone."""
    found = {"site": hashlib.sha256(site.model_dump_json().encode("utf-8")).hexdigest()}
    for what, given in (("fence", site.input.fence), ("terrain", site.input.terrain)):
        path = given_file(site.path(given), what)
        found[what] = _hash_all(file_parts(path)) if isinstance(path, Path) else f"not hashed: {path}"
    return found


def _parts(path: Path, depth: int = 0) -> list[Path]:
    if path.suffix.lower() == ".shp":
        return [path, *(part for end in _SHAPEFILE_PARTS if (part := path.with_suffix(end)).is_file())]
    if not path.is_file() or not is_vrt(path) or depth > MAX_DEPTH:
        return [path]
    return [path, *(part for source in vrt_sources(path) for part in _parts(source, depth + 1))]


def _hash_all(paths: list[Path]) -> str:
    if len(paths) == 1:
        return sha256(paths[0])
    return hashlib.sha256("".join(f"{sha256(path)} {path.name}\n" for path in paths).encode("utf-8")).hexdigest()


def library_versions() -> str:
    """Versions of the libraries whose change can change a figure."""
    named = [f"{module.__name__} {module.__version__}" for module in (numpy, scipy, shapely, rasterio, fiona)]
    return "; ".join([*named, f"GDAL {rasterio.__gdal_version__}", f"PROJ {pyproj.proj_version_str}"])
