"""Whether other levels of a site bear out the unit that the terrain's heights are taken to be in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from pyproj import CRS

from geotools.corridor import Array
from geotools.detection.accuracy import read_check_points
from geotools.io.crs import horizontal, metres_in, metres_per_unit, transformer, vertical
from geotools.io.files import local_file
from geotools.io.vectors import FenceLines
from geotools.site import Site
from geotools.site.sources import Sources
from geotools.terrain.measured import read_table

__all__ = ["check_height_unit", "unit_shown"]

#: The international foot in metres, exact; the US survey foot is the same to two millionths.
FOOT_M = 0.3048
#: Levels of one place in one unit differ by less than this, m or share of the level: a fence's top, a rough survey.
_SAME_M, _SAME_SHARE = 3.0, 0.02
#: Below this difference nothing is concluded from levels, m: datums differ by as much.
_DECIDES_M = 10.0
#: Relief that is enough to compare by itself, m, and what of it may be left over.
_RELIEF_M, _LEFT = 1.0, 0.25

Shown = Literal["metres", "terrain in feet", "levels in feet", "undecided"]


@dataclass(frozen=True)
class _Levels:
    """Levels of a file: (n, 3), in the plan's metres, heights in metres if the file is as it should be."""

    what: str
    where: str
    xyz: Array


def unit_shown(terrain_m: Array, levels_m: Array) -> Shown:
    """What levels of the same places say of the terrain's unit.

    Parameters
    ----------
    terrain_m, levels_m : (n,) array
        Heights of the terrain and of another survey, both taken to be metres; datums may differ.

    Returns
    -------
    {"metres", "terrain in feet", "levels in feet", "undecided"}
        Decided by the levels themselves where they are far enough from the datum, and by the relief, which no datum
        changes, where there is some; undecided where the two contradict each other or neither decides.
    """
    known = np.isfinite(terrain_m) & np.isfinite(levels_m)
    here, there = np.asarray(terrain_m, float)[known], np.asarray(levels_m, float)[known]
    if len(here) < 3:
        return "undecided"
    tried: dict[Shown, tuple[Array, Array]] = {
        "metres": (here, there),
        "terrain in feet": (FOOT_M * here, there),
        "levels in feet": (here, FOOT_M * there),
    }
    said = {found for found in (_by_level(tried), _by_relief(tried)) if found != "undecided"}
    return said.pop() if len(said) == 1 else "undecided"


def _by_level(tried: dict[Shown, tuple[Array, Array]]) -> Shown:
    off = {shown: float(np.median(np.abs(a - b))) for shown, (a, b) in tried.items()}
    same = [s for s, (_, b) in tried.items() if off[s] <= max(_SAME_M, _SAME_SHARE * float(np.median(np.abs(b))))]
    if len(same) != 1 or min(off[s] for s in off if s != same[0]) < _DECIDES_M:
        return "undecided"
    return same[0]


def _by_relief(tried: dict[Shown, tuple[Array, Array]]) -> Shown:
    fits: list[Shown] = []
    for shown, (a, b) in tried.items():
        rise, other = a - np.median(a), b - np.median(b)
        spread = float(np.median(np.abs(other)))
        if spread >= _RELIEF_M and float(np.median(np.abs(rise - other))) <= _LEFT * spread:
            fits.append(shown)
    return fits[0] if len(fits) == 1 else "undecided"


def _of_fence(fence: FenceLines, plan_crs: CRS) -> Array:
    """Vertices with a level; the level's unit as the system says it, else that of the map."""
    flat, upright = horizontal(fence.crs), vertical(fence.crs)
    unit = metres_per_unit(flat) if flat.is_projected else 1.0
    if upright is not None:
        unit = metres_in(upright.axis_info[0].unit_name) or unit
    x, y = transformer(flat, plan_crs).transform(fence.levels[:, 0], fence.levels[:, 1])
    metres = metres_per_unit(plan_crs)
    return np.column_stack([metres * np.asarray(x), metres * np.asarray(y), unit * fence.levels[:, 2]])


def _all_levels(site: Site, sources: Sources) -> list[_Levels]:
    found = []
    if len(sources.fence.levels):
        found.append(_Levels("fence vertices", site.input.fence, _of_fence(sources.fence, sources.plan_crs)))
    readers: list[tuple[str, str | None, Callable[[Path], Array]]] = [
        ("check points", site.survey.check_points, read_check_points),
        ("levels measured again", site.input.levels, lambda path: np.concatenate([*read_table(path).chunks])),
    ]
    for what, given, read in readers:
        if given is not None:
            xyz = np.array(read(Path(local_file(site.path(given), f"file of {what}"))), float)
            xyz[:, :2] *= metres_per_unit(sources.plan_crs)
            found.append(_Levels(what, given, xyz))
    return found


def check_height_unit(site: Site, sources: Sources, warn: Callable[[str], None], say: Callable[[str], None]) -> None:
    """Say what other levels of the site show of the unit of the terrain's heights, or that it stays open.

    Parameters
    ----------
    site : Site
        For its files.
    sources : Sources
        As opened for it.
    warn, say : callable
        Take a sentence each: what contradicts, and what bears out or stays open.
    """
    levels, unit = _all_levels(site, sources), sources.height_unit
    borne_out, doubted = [], False
    with sources.open_raster_alone(site) as terrain:
        for one in levels:
            model = terrain.sample(one.xyz[:, 0], one.xyz[:, 1])
            shown = unit_shown(model, one.xyz[:, 2])
            known = np.isfinite(model)
            if shown == "metres":
                borne_out.append(f"{int(known.sum())} {one.what} of {one.where}")
            if shown not in ("terrain in feet", "levels in feet"):
                continue
            here, there = float(np.median(model[known])), float(np.median(one.xyz[known, 2]))
            found = (
                f"at {int(known.sum())} {one.what} of {one.where} the terrain (unit taken: {unit.name}) has "
                f"{here:.1f} m where these have {there:.1f}: a ratio of {_ratio(model[known], one.xyz[known, 2]):.3g}, "
                "and a metre has 3.28 feet; expected: both the same, but for their datums"
            )
            doubted |= shown == "terrain in feet"
            if shown == "terrain in feet":
                warn(
                    f"{site.input.terrain}: its heights look like feet, which makes every dip, slope and volume 3.28 "
                    f'times too large; {found}. Ask its supplier, and set input.vertical_unit = "foot" or '
                    '"US survey foot" in the site file'
                )
            elif one.what == "fence vertices":
                say(f"{one.where}: heights of its vertices look like feet; {found}. Nothing is made of them")
            else:
                warn(f"{one.where}: its heights look like feet; {found}. They are read as metres: give them in metres")
    upright = vertical(sources.fence.crs)
    if unit.stated or doubted:
        return
    if upright is not None and metres_in(upright.axis_info[0].unit_name) not in (1.0, None):
        warn(
            f"{site.input.terrain} does not say in what unit its heights are, and metres are taken, but the fence's "
            f"system ({site.input.fence}) counts heights in {upright.axis_info[0].unit_name}: ask the terrain's "
            "supplier, and set input.vertical_unit in the site file"
        )
    if borne_out:
        say(f"{', '.join(borne_out)} confirm that the terrain's heights are in metres")
    else:
        why = (
            "levels that are there do not decide it" if levels else "no check points, no levels, no fence with heights"
        )
        say(
            f"nothing in the site's files can confirm that the terrain's heights are in metres and not feet ({why}); "
            "compare one with a level that you know, and set input.vertical_unit in the site file"
        )


def _ratio(model: Array, levels: Array) -> float:
    """How many times as large the terrain's heights are: by the relief where there is some, else by the levels."""
    rise, other = model - np.median(model), levels - np.median(levels)
    if float(np.median(np.abs(other))) >= _RELIEF_M / 3.0:
        return float(np.median(np.abs(rise)) / np.median(np.abs(other)))
    return float(np.median(model) / np.median(levels))
