"""The gates of a site: openings with their width, and the ground that their leaves sweep."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from pyproj import CRS
from shapely import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from geotools.errors import InputError
from geotools.io.features import read_named
from geotools.site import Site

__all__ = ["Gate", "gates_of"]

_WIDEST_M, _SIDES = 60.0, ("inside", "outside", "both")


@dataclass(frozen=True)
class Gate:
    """A gate.

    Attributes
    ----------
    words : str
        Number and name, for messages.
    opening : BaseGeometry
        As it was drawn, or the stretch of the fence that it takes, m.
    swept : Polygon
        The ground that its leaves sweep; empty for a gate that does not swing, m.
    """

    words: str
    opening: BaseGeometry
    swept: Polygon


def _metres(fields: Mapping[str, Any], name: str, where: str) -> float | None:
    value = fields.get(name)
    if value is None or value == "" or pd.isna(value):
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not 0.0 <= number <= _WIDEST_M:
        raise InputError(
            "a gate's measure is invalid", where=f"{where}, field {name}", found=value, expected=f"0 to {_WIDEST_M:g} m"
        )
    return number


def _opening(shape: BaseGeometry, width_m: float | None, fence: LineString, where: str) -> BaseGeometry:
    """The opening: as drawn where that is wide enough, else so wide about its middle along the fence."""
    if width_m is None and shape.geom_type == "Point":
        raise InputError(
            "a gate drawn as a point has no width",
            where=where,
            found="no field width_m",
            expected="its width, m",
            mend="fill in width_m, or draw the gate across its opening",
        )
    if width_m is None or shape.length >= width_m:
        return shape
    at, length = fence.project(shape.centroid), fence.length
    ends = np.array([at - width_m / 2, at + width_m / 2])
    if fence.is_closed and (ends[0] < 0 or ends[1] > length):
        whole = LineString(np.vstack([fence.coords, np.array(fence.coords)[1:]]))
        return substring(whole, *(ends + (length if ends[0] < 0 else 0.0)))
    return substring(fence, *np.clip(ends, 0.0, length))


def _swept(opening: BaseGeometry, swing_m: float, side: str, fence: LineString) -> Polygon:
    both = opening.buffer(swing_m, cap_style="flat") if opening.length else opening.buffer(swing_m)
    if side == "both" or not fence.is_ring:
        return both
    area = Polygon(fence)
    return both.intersection(area) if side == "inside" else both.difference(area)


def gates_of(site: Site, work_crs: CRS, fences: Sequence[LineString]) -> list[Gate]:
    """Gates of a site in the order of its file, none where it names no file.

    Parameters
    ----------
    site : fields ``name``, ``width_m``, ``swing_m`` (how far leaves reach) and ``swing_side`` (inside, outside or both,
        of a closed fence) of its gates are read.
    work_crs : the plan's system in metres.
    fences : fence lines, m.

    Raises
    ------
    InputError : the file cannot be read, a measure is no length, a point has no width.
    """
    i = site.input
    if i.gates is None:
        return []
    found = []
    for number, (fields, parts) in enumerate(
        read_named(site.path(i.gates), "gates", "input.gates", work_crs, i.gates_layer, i.gates_crs), start=1
    ):
        where, name = f"{i.gates}, feature {number}", fields.get("name")
        words = f"gate {number}" if pd.isna(name) or name == "" else f"gate {str(name)!r}"
        width, swing = (_metres(fields, field, where) for field in ("width_m", "swing_m"))
        side = fields.get("swing_side")
        side = "both" if pd.isna(side) or side == "" else str(side)
        if side not in _SIDES:
            raise InputError(
                "a gate opens to an unknown side",
                where=f"{where}, field swing_side",
                found=side,
                expected=", ".join(_SIDES),
            )
        for shape in parts:
            fence = min(fences, key=shape.distance)
            opening = _opening(shape, width, fence, where)
            found.append(Gate(words, opening, _swept(opening, swing, side, fence) if swing else Polygon()))
    return found
