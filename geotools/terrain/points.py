"""Points on the ground, as every reader of surveys gives them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from pyproj import CRS

from geotools.corridor import Array
from geotools.errors import InputError
from geotools.io.crs import horizontal, metres_in, metres_per_unit, unit_name, vertical
from geotools.terrain.flight_lines import LineStep


@dataclass(frozen=True)
class Stated:
    """What a person says of heights whose files do not say it.

    Attributes
    ----------
    crs : CRS or None
        Their coordinate system.
    vertical_unit : str or None
        Unit of the heights.
    vertical_datum : str or None
        What the heights stand on.
    """

    crs: CRS | None = None
    vertical_unit: str | None = None
    vertical_datum: str | None = None


NOTHING_STATED = Stated()


@dataclass
class Survey:
    """Ground in pieces.

    Parameters
    ----------
    crs : its coordinate system, None where the file names none.
    chunks : points (n, 3) in the file's own units, piece by piece: a large file never lies in memory whole.
    breaklines : lines (n, 3) along which the ground has an edge.
    faces : triangles as rows of three point numbers, where the survey is a surface of its own; then there is one chunk.
    kind : ``ground``, or ``surface`` where roofs and plants are among the points. accuracy_m : vertical accuracy, 95 %,
        as its supplier states it.
    height_unit, vertical_datum : of the heights, where the file states them beside its coordinate system.
    line_steps : between flight lines, in the file's units; known once all pieces were read.
    notes, warnings : what was met on the way.
    """

    crs: CRS | None
    chunks: Iterator[Array]
    breaklines: list[Array] = field(default_factory=list)
    faces: np.ndarray | None = None
    height_unit: str | None = None
    vertical_datum: str | None = None
    kind: str = "ground"
    accuracy_m: float | None = None
    line_steps: list[LineStep] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def settle_crs(survey: Survey, told: CRS | None, where: object) -> CRS:
    """The survey's projected system; InputError where nobody names one, or it is in degrees."""
    crs = survey.crs if survey.crs is not None else told
    if crs is None:
        raise InputError(
            "the survey names no coordinate system",
            where=where,
            expected="a file that names its system, or --crs",
            mend="add --crs, such as --crs EPSG:32632",
        )
    if not horizontal(crs).is_projected:
        raise InputError(
            "the survey is not in a projected coordinate system",
            where=where,
            found=crs.name,
            expected="metres or feet on a map, not degrees",
            mend="reproject it first, or ask its supplier",
        )
    return crs


def refuse_two_units(of_system: str, beside: str, where: object) -> None:
    """InputError where a file's coordinate system and the file itself name different units of height."""
    if metres_in(of_system) != metres_in(beside):
        raise InputError(
            "a file contradicts itself about the unit of its heights",
            where=where,
            found=f"its coordinate system says {of_system}, the file beside it {beside}",
            expected="one unit of height",
            mend="ask its supplier, then add --vertical-unit",
        )


def settle_height_unit(survey: Survey, crs: CRS, told: str | None, where: object) -> tuple[float, str]:
    """Metres in a unit of height, and its name: what the user says, else the file; InputError where it stays open."""
    upright = vertical(crs)
    in_file = (upright.axis_info[0].unit_name if upright is not None else None) or survey.height_unit
    name = told or in_file
    if told is None and upright is not None and survey.height_unit:
        refuse_two_units(upright.axis_info[0].unit_name, survey.height_unit, where)
    if told and in_file and metres_in(in_file) != metres_in(told):
        survey.warnings.append(f"heights are taken in {told} as stated, though {where} says {in_file}")
    if name is None and metres_per_unit(crs) == 1.0:
        return 1.0, "metre"
    metres = metres_in(name)
    if name is None or metres is None:
        raise InputError(
            "the survey does not say in what unit its heights are",
            where=where,
            found=name or f"the map counts in {unit_name(crs)}; of the heights the file says nothing",
            expected="metre, foot or US survey foot",
            mend='add --vertical-unit "metre", "foot" or "US survey foot"',
        )
    return metres, name
