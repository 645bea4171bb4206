"""The works of one zone as drawings and files need them: sections, long section, triangles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.corridor import BeamLine
from geotools.earthwork.volumes import average_end_area, grid_volumes, prismoidal, section_areas
from geotools.terrain.design import DesignSurface

__all__ = ["MEASURE_M", "MapUnits", "Triangles", "Works", "stations", "works_of"]

Array = npt.NDArray[np.float64]

#: Volumes are measured from sections at most so far apart, m.
MEASURE_M = 2.5


@dataclass(frozen=True)
class MapUnits:
    """What files count in: name as EPSG has it and metres per unit."""

    name: str = "metre"
    metres: float = 1.0

    def out(self, values: npt.ArrayLike) -> Array:
        """Metres as map units."""
        return np.asarray(values, float) / self.metres


@dataclass(frozen=True)
class Triangles:
    """A triangulated surface: xyz (p, 3) metres, faces (f, 3) indices, counter-clockwise seen from above."""

    xyz: Array
    faces: npt.NDArray[np.int64]


@dataclass(frozen=True)
class Works:
    """Earthworks of one zone.

    chainage : (n,) stations of the cross-sections. offset : (m,) positive to the left. existing, design : (n, m)
    levels. fine : (p,) chainages of the long section with fine_existing, fine_design, sight (p,) levels; sight is the
    straight line the ground should follow. beams : level name to the heights of start and end head above the design
    ground. volumes : by method, cut and fill in m3.
    """

    zone_id: str
    line: BeamLine
    chainage: Array
    offset: Array
    existing: Array
    design: Array
    fine: Array
    fine_existing: Array
    fine_design: Array
    sight: Array
    beams: dict[str, tuple[float, float]]
    volumes: dict[str, tuple[float, float]]


def stations(length: float, every: float = 10.0) -> Array:
    """Chainages of cross-sections: whole multiples of `every`, and the end."""
    whole = np.arange(0.0, length, every)
    return whole if length - whole[-1] < 0.01 else np.append(whole, length)


def works_of(
    surface: DesignSurface,
    zone_id: str,
    line: BeamLine,
    beams: dict[str, tuple[float, float]],
    *,
    reach_m: float,
    sight_rise: tuple[float, float] = (0.0, 0.0),
    every_m: float = 10.0,
    measure_m: float = MEASURE_M,
) -> Works:
    """Sections, long section and the volumes by three methods.

    reach_m : half width of the sections. sight_rise : how far the sight line's ends lie above the existing ground at
    the posts. every_m : between the sections that are drawn. measure_m : at most so far apart are those that volumes
    are measured from: works of a few metres would fall between the drawn ones. The middle sections that the
    prismoidal formula wants are measured, not averaged.
    """
    across = np.linspace(-reach_m, reach_m, 2 * max(int(np.ceil(reach_m / surface.cell_m)), 1) + 1)
    at = stations(line.length, every_m)
    measured = stations(line.length, min(every_m, measure_m))
    middle = (measured[:-1] + measured[1:]) / 2

    def levels(chainage: Array) -> tuple[Array, Array]:
        x, y = line.to_map(chainage[:, None], across[None, :])
        ground = surface.terrain.sample(x, y)
        return ground, ground + surface.change_at(x, y)

    existing, design = levels(at)
    cut, fill = section_areas(across, *levels(measured))
    mid_cut, mid_fill = section_areas(across, *levels(middle))
    # the grid method on strip nodes of the zone alone, a cell's share of the strip each
    step = surface.cell_m / 2
    along = (np.arange(max(int(line.length / step), 1)) + 0.5) * line.length / max(int(line.length / step), 1)
    side = (np.arange(max(int(2 * reach_m / step), 1)) + 0.5) * 2 * reach_m / max(int(2 * reach_m / step), 1) - reach_m
    change = surface.change_at(*line.to_map(along[:, None], side[None, :]))
    by_grid = grid_volumes(np.zeros_like(change), change, line.length * 2 * reach_m / change.size)
    fine = np.linspace(0.0, line.length, max(int(np.ceil(line.length / surface.cell_m)), 1) + 1)
    fx, fy = line.to_map(fine)
    fine_existing = surface.terrain.sample(fx, fy)
    ends = fine_existing[[0, -1]] + np.asarray(sight_rise)
    return Works(
        zone_id,
        line,
        at,
        across,
        existing,
        design,
        fine,
        fine_existing,
        fine_existing + surface.change_at(fx, fy),
        ends[0] + fine / line.length * (ends[1] - ends[0]),
        beams,
        {
            "grid": by_grid,
            "average end area": (average_end_area(measured, cut), average_end_area(measured, fill)),
            "prismoidal": (
                prismoidal(measured, cut, mid_cut),
                prismoidal(measured, fill, mid_fill),
            ),
        },
    )


def triangulate(surface: DesignSurface, row: np.ndarray, column: np.ndarray) -> Triangles:
    """Triangles over grid cells, one vertex per cell centre at its design level; two faces where four cells meet."""
    r0, c0 = row.min(), column.min()
    number = np.full((row.max() - r0 + 1, column.max() - c0 + 1), -1)
    x, y = surface.centres(row, column)
    z = surface.sample(x, y)
    known = np.isfinite(z)
    number[row[known] - r0, column[known] - c0] = np.arange(int(known.sum()))
    a, b, c, d = number[:-1, :-1], number[:-1, 1:], number[1:, :-1], number[1:, 1:]
    whole = (a >= 0) & (b >= 0) & (c >= 0) & (d >= 0)
    faces = np.r_[np.c_[a[whole], c[whole], b[whole]], np.c_[b[whole], c[whole], d[whole]]]
    return Triangles(np.c_[x[known], y[known], z[known]], faces)
