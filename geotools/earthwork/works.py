"""The works of one zone as drawings and files need them: sections, long section, volumes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from shapely import Polygon

from geotools.corridor import BeamLine
from geotools.earthwork.volumes import average_end_area, prismoidal, section_areas
from geotools.terrain.design import DesignSurface

__all__ = [
    "CAUTIONS",
    "MEASURE_M",
    "MapUnits",
    "OwnWorks",
    "SectionPlan",
    "Works",
    "deepest_stations",
    "stations",
    "works_of",
]

Array = npt.NDArray[np.float64]

#: Volumes are measured from sections at most so far apart, m.
MEASURE_M = 2.5
#: What is moved by less is no earthwork, m; a section within so much of another shows nothing new, m.
_MOVED_M, _APART_M = 1e-3, 0.25

#: On every drawing and in every file of the works.
CAUTIONS = (
    "Locate buried services before any ground is broken.",
    "Drainage, slopes and erosion are for a licensed civil engineer; local codes govern.",
    "A model is no acceptance: walk-test every zone.",
    "Volumes and levels follow from the terrain model and its accuracy; check them on site. Handle as sensitive.",
)


@dataclass(frozen=True)
class MapUnits:
    """What files count in: name as EPSG has it and metres per unit."""

    name: str = "metre"
    metres: float = 1.0

    def out(self, values: npt.ArrayLike) -> Array:
        """Metres as map units."""
        return np.asarray(values, float) / self.metres


@dataclass(frozen=True)
class SectionPlan:
    """Where sections are taken.

    Parameters
    ----------
    reach_m : float
        Half width of the sections.
    neighbours : sequence of BeamLine
        Lines of other zones with works: ground nearer to one of them is counted there.
    every_m : float
        Distance of the sections that are drawn.
    measure_m : float
        Volumes are measured from sections at most so far apart: works of a few metres would fall between the others.
    """

    reach_m: float
    neighbours: Sequence[BeamLine] = ()
    every_m: float = 10.0
    measure_m: float = MEASURE_M


@dataclass(frozen=True)
class OwnWorks:
    """What the cells nearest to one zone add up to.

    Parameters
    ----------
    cut_m3, fill_m3, area_m2, depth_m : float
        Volumes cell by cell, worked area and greatest depth.
    areas : mapping of str to sequence of Polygon
        Outlines of ``cut`` and of ``fill`` on the map, m.
    """

    cut_m3: float
    fill_m3: float
    area_m2: float
    depth_m: float
    areas: Mapping[str, Sequence[Polygon]] = field(default_factory=dict)


@dataclass(frozen=True)
class Works:
    """Earthworks of one zone.

    chainage : (n,) stations of the cross-sections. deepest : those of them where the works are deepest, (k,).
    offset : (m,) positive to the left. existing, design : (n, m) levels. fine : (p,) chainages of the long section with
    fine_existing, fine_design, sight (p,) levels; sight is the straight line the ground should follow. beams : level
    name to the heights of start and end head above the design ground. volumes : by method, cut and fill in m3.
    own : volumes, area and outlines of the zone's own cells.
    """

    zone_id: str
    line: BeamLine
    chainage: Array
    deepest: Array
    offset: Array
    existing: Array
    design: Array
    fine: Array
    fine_existing: Array
    fine_design: Array
    sight: Array
    beams: dict[str, tuple[float, float]]
    volumes: dict[str, tuple[float, float]]
    own: OwnWorks


def stations(length: float, every: float = 10.0) -> Array:
    """Chainages of cross-sections: whole multiples of `every`, and the end."""
    whole = np.arange(0.0, length, every)
    return whole if length - whole[-1] < 0.01 else np.append(whole, length)


def deepest_stations(chainage: Array, change: Array) -> Array:
    """Where along a line each piece of cut and each piece of fill is deepest.

    Parameters
    ----------
    chainage : (n,) array
        Stations, increasing, m.
    change : (n, m) array
        Design minus existing level at each station's offsets, m.

    Returns
    -------
    (k,) array
        Stations in order, one for each unbroken run of stations with cut or with fill.
    """
    found: list[float] = []
    for depth in (np.nanmax(change, axis=1), np.nanmax(-change, axis=1)):
        worked = depth > _MOVED_M
        for run in np.split(np.arange(len(chainage)), np.flatnonzero(np.diff(worked.astype(int))) + 1):
            if worked[run[0]]:
                found.append(float(chainage[run[np.argmax(depth[run])]]))
    return np.unique(found)


def works_of(
    surface: DesignSurface,
    zone_id: str,
    line: BeamLine,
    beams: dict[str, tuple[float, float]],
    sections: SectionPlan,
    own: OwnWorks,
    sight_rise: tuple[float, float] = (0.0, 0.0),
) -> Works:
    """Sections, long section and the volumes by three methods.

    Parameters
    ----------
    surface : DesignSurface
        Ground as it is and as it shall be.
    zone_id : str
        Name of the zone.
    line : BeamLine
        From the transmitter to the receiver.
    beams : dict of str to (float, float)
        By level, heights of the start and the end head above the design ground, m.
    sections : SectionPlan
        Where they are taken. The middle sections that the prismoidal formula wants are measured, not averaged.
    own : OwnWorks
        The zone's own cells: volumes by the grid method.
    sight_rise : (float, float)
        How far the ends of the sight line lie above the existing ground at the posts, m.
    """
    reach = sections.reach_m
    across = np.linspace(-reach, reach, 2 * max(int(np.ceil(reach / surface.cell_m)), 1) + 1)
    measured = stations(line.length, min(sections.every_m, sections.measure_m))
    middle = (measured[:-1] + measured[1:]) / 2
    fine = np.linspace(0.0, line.length, max(int(np.ceil(line.length / surface.cell_m)), 1) + 1)

    def levels(chainage: Array, counted: bool) -> tuple[Array, Array]:
        """Existing and design levels; ``counted`` : with the works of neighbours left out."""
        x, y = line.to_map(chainage[:, None], across[None, :])
        ground, change = surface.terrain.sample(x, y), surface.change_at(x, y)
        if counted and sections.neighbours:
            mine = _away(line, x, y) <= np.min([_away(near, x, y) for near in sections.neighbours], axis=0)
            change = np.where(mine, change, 0.0)
        return ground, ground + change

    before, after = levels(fine, True)
    change = np.nan_to_num(after - before)
    regular = stations(line.length, sections.every_m)
    deepest = deepest_stations(fine, change)
    near = np.abs(deepest[:, None] - regular[None, :])
    at = np.sort(np.r_[regular, deepest[near.min(axis=1) > _APART_M]] if len(deepest) else regular)
    if len(deepest):
        deepest = np.unique(at[np.abs(deepest[:, None] - at[None, :]).argmin(axis=1)])
    existing, design = levels(at, False)
    cut, fill = section_areas(across, *levels(measured, True))
    mid_cut, mid_fill = section_areas(across, *levels(middle, True))
    fx, fy = line.to_map(fine)
    fine_existing = surface.terrain.sample(fx, fy)
    ends = fine_existing[[0, -1]] + np.asarray(sight_rise)
    return Works(
        zone_id,
        line,
        at,
        deepest,
        across,
        existing,
        design,
        fine,
        fine_existing,
        fine_existing + surface.change_at(fx, fy),
        ends[0] + fine / line.length * (ends[1] - ends[0]),
        beams,
        {
            "grid": (own.cut_m3, own.fill_m3),
            "average end area": (average_end_area(measured, cut), average_end_area(measured, fill)),
            "prismoidal": (prismoidal(measured, cut, mid_cut), prismoidal(measured, fill, mid_fill)),
        },
        own,
    )


def _away(line: BeamLine, x: Array, y: Array) -> Array:
    """Distance of places from a line between its posts, m."""
    along, off = line.from_map(x, y)
    return np.asarray(np.hypot(off, np.maximum(np.maximum(-along, along - line.length), 0.0)))
