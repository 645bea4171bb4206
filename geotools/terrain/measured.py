"""Measured points and breaklines: tables, and vector files whose geometry has heights."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Mapping
from itertools import chain
from pathlib import Path

import fiona
import numpy as np
from pyproj import CRS
from shapely import get_coordinates, has_z
from shapely.geometry import shape

from geotools.corridor import Array
from geotools.errors import InputError
from geotools.io.files import local_file
from geotools.io.tables import csv_rows
from geotools.io.vector_kind import drivers_for
from geotools.io.vectors import FENCE_TROUBLE, safe_gdal
from geotools.terrain.point_codes import code_column, left_out_words, meaning_of
from geotools.terrain.points import Survey

_NAMES = {
    "x": ("x", "easting", "east", "e"),
    "y": ("y", "northing", "north", "n"),
    "z": ("z", "height", "elevation", "level", "h"),
}
MAX_TABLE_BYTES = 500_000_000


def read_table(path: Path | str, codes: Mapping[str, str] | None = None) -> Survey:
    """Points from a table with columns for easting, northing and height; InputError names line and column at fault.

    Parameters
    ----------
    path : Path or str
        The table.
    codes : mapping of str to str, optional
        Codes in lower case that are no ground, with their meaning: where the table has a column ``code``, such points
        are left out, and the survey's notes say so. If not given, every point counts.
    """
    local = local_file(path, "table of points")
    if local.stat().st_size > MAX_TABLE_BYTES:
        raise InputError("the table of points is too large", where=local, expected=f"at most {MAX_TABLE_BYTES} bytes")
    rows = csv_rows(local, [])
    first = next(rows, {})
    heads = {name.lower().split("[")[0].strip().removesuffix("_m"): name for name in first}
    columns = {axis: next((heads[n] for n in names if n in heads), None) for axis, names in _NAMES.items()}
    if not first or None in columns.values():
        raise InputError(
            "the table has no columns for the three coordinates",
            where=local,
            found=", ".join(heads) or "nothing",
            expected="columns x, y, z (or easting, northing, height) and a row a point",
        )
    column, left_out = code_column(heads), Counter[tuple[str, str]]()
    places = array("d")
    for number, row in enumerate(chain([first], rows)):
        meaning = meaning_of(row[column], codes) if codes and column is not None else None
        if meaning is not None:
            left_out[row[str(column)], meaning] += 1
            continue
        for name in columns.values():
            try:
                place = float(row[str(name)])
            except ValueError:
                place = np.nan
            if not np.isfinite(place):
                raise InputError(
                    "a coordinate is not a number",
                    where=f"{local}, line {number + 2}, column {name}",
                    found=repr(row[str(name)])[:60],
                    expected="a number with a decimal point",
                )
            places.append(place)
    notes = [left_out_words(local, left_out)] if left_out else []
    return Survey(None, iter([np.array(places).reshape(-1, 3)]), notes=notes)


def read_vector(path: Path | str, layer: str | None = None) -> Survey:
    """Points and lines with heights from a vector file; lines are breaklines.

    InputError where the file cannot be read, or a feature has no heights.
    """
    local = local_file(path, "survey file")
    drivers = drivers_for(local, "survey file")
    points: list[Array] = []
    lines: list[Array] = []
    try:
        with safe_gdal(), fiona.open(local, layer=layer, enabled_drivers=drivers) as source:
            crs = CRS.from_wkt(source.crs_wkt) if source.crs_wkt else None
            for number, feature in enumerate(source, start=1):
                if feature.geometry is None:
                    continue
                figure = shape(feature.geometry)
                if figure.is_empty or not has_z(figure):
                    raise InputError(
                        "a feature of the survey has no heights",
                        where=f"{local}, feature {number}",
                        found=figure.geom_type,
                        expected="points, lines or areas with a height at every vertex",
                    )
                for part in getattr(figure, "geoms", [figure]):
                    places = get_coordinates(part, include_z=True)
                    if not np.isfinite(places).all():
                        raise InputError("a vertex of the survey is not a number", where=f"{local}, feature {number}")
                    (lines if part.geom_type == "LineString" else points).append(places)
    except FENCE_TROUBLE as problem:
        raise InputError(
            "the survey file cannot be read", where=local, found=str(problem)[:300], mend="copy it again"
        ) from problem
    if not points and not lines:
        raise InputError("the survey file holds nothing", where=local, expected="points or lines with heights")
    return Survey(crs, iter([np.concatenate(points)] if points else []), lines)
