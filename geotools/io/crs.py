"""Coordinate systems and their units: what is projected, what a map unit is worth, and the metric twin of a system."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from pyproj import CRS, Proj, Transformer
from pyproj.database import get_units_map
from pyproj.exceptions import ProjError

from geotools.errors import InputError

METRE = "metre"

#: Spellings met in files beside the names and short names of the PROJ unit database.
_SPELLINGS = {
    "meter": "metre",
    "metres": "metre",
    "meters": "metre",
    "feet": "foot",
    "international foot": "foot",
    "us-ft": "us survey foot",
    "ftus": "us survey foot",
    "foot_us": "us survey foot",
    "us foot": "us survey foot",
    "u.s. survey foot": "us survey foot",
    "us survey feet": "us survey foot",
}


@lru_cache(maxsize=1)
def _linear_units() -> dict[str, float]:
    units = get_units_map(auth_name="EPSG", category="linear").values()
    named = {unit.name.lower(): unit.conv_factor for unit in units}
    short = {unit.proj_short_name.lower(): unit.conv_factor for unit in units if unit.proj_short_name}
    return short | named


def metres_in(unit: str | None) -> float | None:
    """Metres in a unit of length by the names files use (PROJ unit database); None for what is no such name."""
    if unit is None:
        return None
    name = unit.strip().lower()
    return _linear_units().get(_SPELLINGS.get(name, name))


def horizontal(crs: CRS) -> CRS:
    """The horizontal part of a compound system, or the system itself, without height axis."""
    for part in crs.sub_crs_list:
        if part.is_projected or part.is_geographic:
            return part.to_2d()
    return crs.to_2d()


def vertical(crs: CRS) -> CRS | None:
    """The vertical part of a compound system, None where it has none."""
    return next((part for part in crs.sub_crs_list if part.is_vertical), None)


def metres_per_unit(crs: CRS) -> float:
    """How many metres one map unit of a projected system is worth (0.3048 exactly for the international foot)."""
    axes = {axis.unit_conversion_factor for axis in horizontal(crs).axis_info}
    if len(axes) != 1:
        raise InputError("a coordinate system has axes of different units", where=crs.name, found=sorted(axes))
    return float(axes.pop())


def unit_name(crs: CRS) -> str:
    """Name of the map unit."""
    return str(horizontal(crs).axis_info[0].unit_name)


@lru_cache(maxsize=32)
def metric_twin(crs: CRS) -> CRS:
    """The same projected system counted in metres; the system itself where it is metric already.

    The twin differs by a scale of the axes alone, so nothing is reprojected. InputError where the system is not
    projected.
    """
    flat = horizontal(crs)
    if not flat.is_projected:
        raise InputError(
            "a plan needs a projected coordinate system",
            where=crs.name,
            found="geographic" if crs.is_geographic else crs.type_name,
            mend="name a projected system as input.plan_crs in the site file",
        )
    if metres_per_unit(flat) == 1.0:
        return flat
    described: dict[str, Any] = flat.to_json_dict()
    described.pop("id", None)
    described["name"] = f"{described['name']} counted in metres"
    for axis in described["coordinate_system"]["axis"]:
        axis["unit"] = METRE
    return CRS.from_json_dict(described)


@lru_cache(maxsize=64)
def authority(crs: CRS, *, of: str | None = None, min_confidence: int = 70) -> tuple[str, str] | None:
    """Authority and code by which a registry knows a system, None where it knows none; asked once for each system.

    For a system whose file names no code, PROJ compares it with every one of its database: a quarter of a second each
    time, and a step asks for every layer it writes.

    Parameters
    ----------
    crs : CRS
        The system.
    of : str, optional
        The authority whose code is wanted, as "EPSG"; any if not given.
    min_confidence : int
        Least likeness in percent, as PROJ's ``proj_identify`` rates it.
    """
    found = crs.to_authority(auth_name=of, min_confidence=min_confidence)
    return None if found is None else (str(found[0]), str(found[1]))


def epsg_code(crs: CRS, *, min_confidence: int = 70) -> int | None:
    """EPSG code of a system, None where it has none; asked once for each system."""
    found = authority(crs, of="EPSG", min_confidence=min_confidence)
    return int(found[1]) if found else None


def short_name(crs: CRS) -> str:
    """Authority and code as one word where they are certain, else the words the system was read from."""
    found = authority(crs, min_confidence=100)
    return ":".join(found) if found else str(crs.srs)


def transformer(source: CRS, target: CRS) -> Transformer:
    """From one system to the other, x before y in both; InputError where there is no way between them."""
    try:
        return Transformer.from_crs(source, target, always_xy=True)
    except ProjError as problem:
        raise InputError(
            "there is no way from one coordinate system to the other",
            where=f"{source.name} to {target.name}",
            found=str(problem)[:200],
            expected="two systems of one planet, whole in their files",
            mend="check the systems that the files name",
        ) from problem


@dataclass(frozen=True)
class MapFactors:
    """How a projected system bends lengths and directions at a place.

    Parameters
    ----------
    least, most : float
        Length on the map over length on the ellipsoid, in the direction where it is least and most.
    convergence_deg : float
        Angle from true north to grid north, degrees.
    longitude, latitude : float
        The place, degrees (WGS 84).
    """

    least: float
    most: float
    convergence_deg: float
    longitude: float
    latitude: float

    @property
    def error(self) -> float:
        """Largest relative error of a length: 0.0004 is 1 in 2500."""
        return max(abs(self.least - 1.0), abs(self.most - 1.0))


def map_factors(crs: CRS, x: float, y: float) -> MapFactors:
    """Scale and convergence of a projected system at a place, from PROJ's own differentiation.

    Parameters
    ----------
    crs : CRS
        A projected system.
    x, y : float
        Place in its own units, easting before northing.

    Raises
    ------
    InputError
        The place is outside what the system can show.
    """
    flat = horizontal(crs)
    nothing = InputError(
        "a place lies outside what its coordinate system can show",
        where=flat.name,
        found=f"x {x:g}, y {y:g}",
        expected="coordinates within the system's own area",
        mend="check which system the file is really in",
    )
    geographic = flat.geodetic_crs
    if geographic is None:
        raise nothing
    try:
        longitude, latitude = transformer(flat, geographic).transform(x, y, errcheck=True)
        back = transformer(geographic, flat).transform(longitude, latitude, errcheck=True)
        found = Proj(flat).get_factors(longitude, latitude, errcheck=True)
        degrees = transformer(flat, CRS("EPSG:4326")).transform(x, y)
    except ProjError as problem:
        raise nothing from problem
    least, most = float(found.tissot_semiminor), float(found.tissot_semimajor)
    if not np.isfinite([longitude, latitude, least, most, *back]).all() or abs(latitude) > 90.0:
        raise nothing
    if np.hypot(back[0] - x, back[1] - y) * metres_per_unit(flat) > 1.0:
        raise nothing  # there and back again ends elsewhere: the formulas do not hold so far out
    return MapFactors(least, most, float(found.meridian_convergence), float(degrees[0]), float(degrees[1]))


def utm_for(longitude: float, latitude: float) -> str:
    """EPSG code of the WGS 84 UTM zone of a place, as a proposal."""
    zone = min(int((longitude + 180.0) // 6.0) + 1, 60)
    return f"EPSG:{(32600 if latitude >= 0 else 32700) + zone}"


def map_place(x_m: float, y_m: float, map_unit_m: float) -> str:
    """A place as the plan's own map has it, in words; where the map does not count in metres, that is said."""
    unit = "" if map_unit_m == 1.0 else " map units"
    return f"x {x_m / map_unit_m:.2f}  y {y_m / map_unit_m:.2f}{unit}"
