"""Places that cannot be: outside the area that a coordinate system is made for, as its registry states it."""

from __future__ import annotations

import math

from pyproj import CRS
from pyproj.exceptions import ProjError

from geotools.io.crs import epsg_code, horizontal, transformer

__all__ = ["outside_area"]

#: Systems are used a little beyond their area; farther out the file rather is in another system, degrees.
_BEYOND_DEG = 0.5


def outside_area(crs: CRS, x: float, y: float) -> str | None:
    """Where a place lies, and for where its system is made, in words; None where it lies there, or nothing is known.

    Parameters
    ----------
    crs : CRS
        A projected system.
    x, y : float
        Place in its own units, easting before northing.
    """
    flat = horizontal(crs)
    code = epsg_code(flat)
    # well-known text of files leaves the area out; the registry has it
    area = flat.area_of_use or (CRS.from_epsg(code).area_of_use if code is not None else None)
    if area is None:
        return None
    try:
        longitude, latitude = transformer(flat, CRS("EPSG:4326")).transform(x, y, errcheck=True)
    except ProjError:
        longitude = latitude = math.inf
    if not (math.isfinite(longitude) and math.isfinite(latitude)):
        return f"x {x:.1f}, y {y:.1f} is no place on earth in {flat.name}"
    # areas across the date line run from a larger to a smaller longitude
    width = (area.east - area.west) % 360.0 or 360.0
    inside = (longitude - area.west + _BEYOND_DEG) % 360.0 <= width + 2.0 * _BEYOND_DEG
    if inside and area.south - _BEYOND_DEG <= latitude <= area.north + _BEYOND_DEG:
        return None
    return (
        f"x {x:.1f}, y {y:.1f} in {flat.name} lies at longitude {longitude:.2f}, latitude {latitude:.2f}, outside the "
        f"area that the system is made for (longitude {area.west:g} to {area.east:g}, latitude {area.south:g} to "
        f"{area.north:g}): is the file in another system, or are its coordinates shortened or local?"
    )
