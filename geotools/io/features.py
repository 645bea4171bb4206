"""Things beside the fence, from any vector file GDAL reads: points, lines or areas in the plan's metres."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
from pyproj import CRS
from shapely import get_coordinates, get_parts, is_valid, make_valid
from shapely.geometry.base import BaseGeometry

from geotools.errors import InputError
from geotools.io.vectors import crs_from, read_frame

#: No projected system in use has larger coordinates: the zone's number before an easting makes 6e7 m at most.
_FARTHEST_M = 1e9

__all__ = ["read_figures", "read_named", "read_points"]


def _read(
    path: Path | str, what: str, setting: str, work_crs: CRS, *, layer: str | None, crs: str | None
) -> gpd.GeoDataFrame:
    """The file's features in the plan's metres, none of them empty or without a place."""
    frame, local = read_frame(path, what, layer), Path(path)
    shapes = frame.geometry if isinstance(frame, gpd.GeoDataFrame) else gpd.GeoSeries([])
    bad = [k for k, shape in enumerate(shapes) if shape is None or shape.is_empty]
    if len(shapes) == 0 or bad:
        raise InputError(
            f"the {what} file has features without geometry" if bad else f"the {what} file has no features",
            where=local,
            found=f"feature {bad[0] + 1}" if bad else None,
            mend=f"take {setting} out of the site file if there are none",
        )
    if shapes.crs is None:
        if crs is None:
            raise InputError(
                f"the {what} file names no coordinate system",
                where=local,
                expected="a file that names its system",
                mend=f"set {setting}_crs in the site file",
            )
        shapes = shapes.set_crs(crs_from(crs, f"{setting}_crs"))
    placed = frame.set_geometry(shapes).to_crs(work_crs)
    for number, shape in enumerate(placed.geometry, start=1):
        at = get_coordinates(shape)
        if not np.isfinite(at).all():
            raise InputError(
                f"a feature of the {what} file cannot be brought into the plan's coordinate system",
                where=f"{local}, feature {number}",
                found=str(shapes.crs.name),
                expected=work_crs.name,
            )
        if np.abs(at).max() > _FARTHEST_M:
            raise InputError(
                f"a feature of the {what} file lies farther away than any place on Earth",
                where=f"{local}, feature {number}",
                found=f"a coordinate of {at.flat[np.abs(at).argmax()]:g} m",
                expected=f"coordinates within {_FARTHEST_M:g} m, in {work_crs.name}",
                mend=f"correct the point, or state the file's own system ({setting}_crs)",
            )
    return placed


def read_figures(
    path: Path | str, what: str, setting: str, work_crs: CRS, *, layer: str | None = None, crs: str | None = None
) -> list[BaseGeometry]:
    """Single points, lines and polygons of a file, brought into the plan's metres.

    Parameters
    ----------
    path : vector file; ``layer`` : its layer where there are several; ``crs`` : its system where it names none.
    what, setting : words for messages, such as ``keep-outs`` and ``input.keep_outs``.
    work_crs : system of the result.

    Raises InputError where the file cannot be read, is empty, or names no system.
    """
    placed = _read(path, what, setting, work_crs, layer=layer, crs=crs)
    whole = [shape if is_valid(shape) else make_valid(shape) for shape in placed.geometry]
    return [part for shape in whole for part in get_parts(shape) if not part.is_empty]


def read_named(
    path: Path | str, what: str, setting: str, work_crs: CRS, layer: str | None = None, crs: str | None = None
) -> list[tuple[dict[str, Any], list[BaseGeometry]]]:
    """Every feature's fields, and its single points, lines and polygons in the plan's metres.

    Parameters and errors as in `read_figures`.
    """
    placed = _read(path, what, setting, work_crs, layer=layer, crs=crs)
    fields = placed.drop(columns=placed.geometry.name).to_dict("records")
    whole = [shape if is_valid(shape) else make_valid(shape) for shape in placed.geometry]
    parts = [[part for part in get_parts(shape) if not part.is_empty] for shape in whole]
    return list(zip(fields, parts, strict=True))


def read_points(
    path: Path | str, what: str, setting: str, work_crs: CRS, *, layer: str | None = None, crs: str | None = None
) -> list[dict[str, Any]]:
    """Points of a file with their fields, ``geometry`` among them, brought into the plan's metres.

    Parameters and errors as in `read_figures`; InputError also where a feature is not a single point.
    """
    placed = _read(path, what, setting, work_crs, layer=layer, crs=crs)
    for number, shape in enumerate(placed.geometry, start=1):
        if shape.geom_type != "Point":
            raise InputError(
                f"a feature of the {what} file is not a point",
                where=f"{path}, feature {number}",
                found=shape.geom_type,
                expected="Point",
            )
    return placed.to_dict("records")
