"""What a fence feature must be: lines of some length that do not cross themselves, with a height that a fence has."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from pyproj import CRS
from shapely import LineString, MultiLineString, get_coordinates, is_empty, is_simple
from shapely.errors import ShapelyError
from shapely.geometry import shape
from shapely.geometry.base import BaseGeometry

from geotools.errors import InputError
from geotools.io.crs import metres_per_unit

__all__ = ["CLOSING_M", "FARTHEST", "closed_ring", "fence_height", "lines_of", "outlines"]

#: No map has coordinates of this size, in whatever unit; arithmetic with them overflows.
FARTHEST = 1e10
#: A ring whose ends lie nearer together than this, m, is closed: less than anything on the ground.
CLOSING_M = 0.001


def outlines(shape: BaseGeometry) -> BaseGeometry:
    """An area's outlines as lines; anything else as it is."""
    polygons = {"Polygon": [shape], "MultiPolygon": getattr(shape, "geoms", [])}.get(shape.geom_type, [])
    rings = [LineString(ring.coords) for area in polygons for ring in (area.exterior, *area.interiors)]
    return MultiLineString(rings) if rings else shape


def lines_of(number: int, geometry: object, where: str) -> list[LineString]:
    """The single lines of a feature, outlines of areas among them; InputError where it is none."""
    expected = "line or polygon, single or multiple"
    if geometry is None:
        raise InputError("a fence feature has no geometry", where=f"{where}, feature {number}", expected=expected)
    try:
        figure = shape(geometry)
    except (ShapelyError, ValueError, TypeError, AttributeError) as problem:
        raise InputError(
            "a fence feature cannot be understood", where=f"{where}, feature {number}", found=problem
        ) from None
    figure = outlines(figure)
    if figure.geom_type not in ("LineString", "MultiLineString"):
        raise InputError(
            "a fence feature is no line and no area",
            where=f"{where}, feature {number}",
            found=figure.geom_type,
            expected=expected,
            mend="give the fence as lines, or as areas whose outlines it follows; "
            "where a drawing holds more than the fence, name the fence's layer as input.fence_layer",
        )
    parts = list(figure.geoms) if figure.geom_type == "MultiLineString" else [figure]
    if not parts or any(is_empty(part) for part in parts):
        raise InputError("a fence line is empty", where=f"{where}, feature {number}", expected=expected)
    for part in parts:
        coordinates = get_coordinates(part)
        if not (np.abs(coordinates) < FARTHEST).all():
            raise InputError(
                "a fence line has coordinates that are no places",
                where=f"{where}, feature {number}",
                found=coordinates[~(np.abs(coordinates) < FARTHEST)][:3].tolist(),
                expected="numbers, of a size that a map can have",
                mend="correct these vertices",
            )
        if part.length <= 0.0:
            raise InputError("a fence line has no length", where=f"{where}, feature {number}", found=part.wkt[:80])
        if not is_simple(part):
            raise InputError(
                "a fence line crosses itself",
                where=f"{where}, feature {number}",
                expected="a line that meets itself at most at its ends",
                mend="split it, or correct the vertices, in your GIS",
            )
    return parts


def fence_height(properties: Mapping[str, object], where: str) -> float | None:
    """The field height_m of a fence feature; None where it is empty or not there."""
    value = properties.get("height_m")
    if value is None or value == "":
        return None
    try:
        height = float(str(value))
    except ValueError:
        height = float("nan")
    if not 0.5 < height <= 10.0:
        raise InputError(
            "the height of a fence is out of range",
            where=f"{where}, field height_m",
            found=value,
            expected="more than 0.5, at most 10 m",
            mend="give the height of the fence above the ground in metres, or leave the field empty",
        )
    return height


def closed_ring(line: LineString, number: int, crs: CRS, notes: list[str]) -> LineString:
    """The line, closed where its ends lie less than a millimetre apart, as surveyed rings often do."""
    places = get_coordinates(line)
    (x, y), (end_x, end_y) = places[0], places[-1]
    if len(places) < 4 or (x, y) == (end_x, end_y):
        return line
    if crs.is_geographic:
        geod = crs.get_geod()
        apart = geod.inv(x, y, end_x, end_y)[2] if geod is not None else math.inf
    else:
        apart = math.hypot(end_x - x, end_y - y) * metres_per_unit(crs)
    if apart >= CLOSING_M:
        return line
    notes.append(f"the ends of fence feature {number} lie {1000 * apart:.2f} mm apart; it is taken as closed")
    return LineString([*places[:-1], places[0]])
