"""How closely the ground was measured: what a survey makes of a surface between its points, and the points themselves.

A levelled edge between two points is drawn straight from one to the other: a surface exactly as designed then reads off
by the height of the edge. Where the points themselves are known they are what is compared; where only the surface drawn
over them is, no more than that is held against it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from pyproj import CRS
from scipy.spatial import cKDTree

from geotools.errors import InputError
from geotools.io.crs import horizontal, metres_per_unit, transformer
from geotools.terrain.design import Ground
from geotools.terrain.measured import read_table, read_vector
from geotools.terrain.model import Terrain
from geotools.terrain.point_codes import NOT_GROUND
from geotools.terrain.points import settle_crs, settle_height_unit
from geotools.terrain.quality import from_tags

__all__ = ["MeasuredPoints", "accuracy_of", "between_points", "read_points", "spacing_of"]

Array = npt.NDArray[np.float64]

#: Points of a survey and the surface drawn over them differ by less than this at most of them, m (a choice of this
#: toolkit: cells of 0.25 m on a slope of 1 in 3 make a tenth of that, another datum or unit makes more).
_SAME_M = 0.10
#: Chords are drawn from these shares of the spacing on one side to these on the other.
_SHARES = (0.25, 0.5, 0.75, 1.0)
_DIRECTIONS = 8


@dataclass(frozen=True)
class MeasuredPoints:
    """Points as they were measured, in the plan's metres. xy : (n, 2). z : (n,)."""

    xy: Array
    z: Array

    def levels(
        self, design: Ground, x: Array, y: Array, inside: npt.NDArray[np.bool_], reach_m: float
    ) -> tuple[Array, npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Levels of cells from the nearest point: the cell's design and by how much that point is off its own.

        Parameters
        ----------
        design : Ground
            What the points are held to, at their own places.
        x, y : (rows, columns) array
            Middles of the cells, m.
        inside : (rows, columns) array of bool
            Which of them are compared.
        reach_m : float
            Farther from every point a cell has no level, m.

        Returns
        -------
        (Array, array of int, array of int)
            Levels, nan where there is none, and the number of the point of each cell, both (rows, columns); the numbers
            of the points that some cell has its level from.
        """
        away = self.z - design.sample(self.xy[:, 0], self.xy[:, 1])
        known = np.flatnonzero(np.isfinite(away))
        level, nearest = np.full(x.shape, np.nan), np.full(x.shape, -1, np.intp)
        if known.size:
            places = np.c_[x[inside], y[inside]]
            distance, found = cKDTree(self.xy[known]).query(places, distance_upper_bound=reach_m)
            near = np.isfinite(distance)
            row, column = (part[near] for part in np.nonzero(inside))
            nearest[row, column] = known[found[near]]
            level[row, column] = design.sample(x[row, column], y[row, column]) + away[known[found[near]]]
        return level, nearest, np.unique(nearest[nearest >= 0])


def read_points(
    paths: Sequence[Path], survey: Terrain, plan_crs: CRS, vertical_unit: str | None
) -> MeasuredPoints | None:
    """The measured points of a survey: rows of tables, points of vector files and the vertices of their lines.

    Parameters
    ----------
    paths : sequence of Path
        Tables (.csv, .txt) and vector files; where one names no coordinate system, it is in the survey's.
    survey : Terrain
        The surface that was drawn over them.
    plan_crs : CRS
        The plan's system.
    vertical_unit : str, optional
        Unit of their heights where a file does not say it.

    Returns
    -------
    MeasuredPoints or None
        None where no file is given.

    Raises
    ------
    InputError
        Where a file cannot be read, or its points are not those of the survey.
    """
    found = []
    for path in paths:
        read = read_table(path, NOT_GROUND) if path.suffix.lower() in (".csv", ".txt") else read_vector(path)
        crs = settle_crs(read, survey.source_crs, path)
        to_metres, _ = settle_height_unit(read, crs, vertical_unit, path)
        places = np.concatenate([*read.chunks, *read.breaklines])
        x, y = places[:, 0], places[:, 1]
        if horizontal(crs) != horizontal(plan_crs):
            x, y = transformer(horizontal(crs), horizontal(plan_crs)).transform(x, y)
        unit = metres_per_unit(plan_crs)
        xy, z = np.c_[x, y] * unit, places[:, 2] * to_metres
        _refuse_others(path, z - survey.sample(xy[:, 0], xy[:, 1]))
        found.append((xy, z))
    return MeasuredPoints(*(np.concatenate(part) for part in zip(*found, strict=True))) if found else None


def _refuse_others(path: Path, off: Array) -> None:
    """InputError where points are not those that a surface was drawn over."""
    known = off[np.isfinite(off)]
    if known.size and np.median(np.abs(known)) <= _SAME_M:
        return
    raise InputError(
        "the measured points are not those of the survey",
        where=path,
        found=f"half of them lie {np.median(np.abs(known)):.2f} m or more off the surface of --survey"
        if known.size
        else "none of them lies on the surface of --survey",
        expected=f"the points that --survey was made from, most of them within {_SAME_M:g} m of it",
        mend="check that both are of one day, one coordinate system, one unit and one vertical datum; --vertical-unit "
        "names the unit of the points' heights",
    )


def spacing_of(survey: Terrain, design_cell_m: float) -> float:
    """Distance between the levels that a survey rests on, m; 0 where they lie as close as the design's cells.

    Parameters
    ----------
    survey : Terrain
        The new survey; what it was made from stands in its metadata where `geotools terrain` made it.
    design_cell_m : float
        Of the design, m.
    """
    quality = from_tags(survey.tags, survey.cell_m)
    if quality is not None and quality.method == "points" and quality.spacing_m is not None:
        return quality.spacing_m
    return survey.cell_m if survey.cell_m > 1.01 * design_cell_m else 0.0


def accuracy_of(survey: Terrain) -> float:
    """Accuracy of a measured level, 95 %, as the survey's metadata state it, m; 0 where they do not."""
    quality = from_tags(survey.tags, survey.cell_m)
    return 0.0 if quality is None or quality.accuracy_m is None else quality.accuracy_m


def between_points(design: Ground, x: Array, y: Array, spacing_m: float) -> Array:
    """How far above and below the design a survey of it may come out between points so far apart.

    Parameters
    ----------
    design : Ground
        The surface, taken to be built exactly.
    x, y : (rows, columns) array
        Places, m.
    spacing_m : float
        Between the points, m.

    Returns
    -------
    (2, rows, columns) array
        The farthest that a straight line between two levels of the design on either side of the place, each no farther
        than the spacing, runs above it, and below it, m; 0 where that is on no side. On a plane both are 0, however
        steep it is.
    """
    most = np.zeros((2, *x.shape))
    if spacing_m <= 0.0:
        return most
    here = design.sample(x, y)
    for turn in np.pi / _DIRECTIONS * np.arange(_DIRECTIONS):
        step = np.cos(turn) * spacing_m, np.sin(turn) * spacing_m
        ahead = [(s, design.sample(x + s * step[0], y + s * step[1])) for s in _SHARES]
        behind = [(s, design.sample(x - s * step[0], y - s * step[1])) for s in _SHARES]
        for a, before in behind:
            for b, after in ahead:
                chord = (b * before + a * after) / (a + b) - here
                most[0], most[1] = np.fmax(most[0], chord), np.fmax(most[1], -chord)
    return most
