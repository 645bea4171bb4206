"""Several rasters as one: the first that knows a place decides, and what they disagree by is reported."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pyproj import CRS

from geotools.errors import InputError
from geotools.io.crs import horizontal, metres_in, metres_per_unit, vertical
from geotools.io.files import local_file, sha256
from geotools.io.rasters import open_raster
from geotools.terrain.dtm import NODATA, Made, _window, tiles, writing
from geotools.terrain.ground import MAX_CELLS
from geotools.terrain.model import Terrain
from geotools.terrain.points import NOTHING_STATED, Stated, refuse_two_units
from geotools.terrain.quality import SurveyQuality, from_tags
from geotools.terrain.tin import CellGrid

#: A step at a seam looks like a gap under the beam. Half of the straightness a prone threat requires (TRADE: common
#: practice, no source) is as much as may pass without a word.
STEP_M = 0.0375


def _height_unit(path: Path, told: str | None, crs: CRS) -> str:
    with open_raster(path) as raster:
        upright = vertical(crs)
        if told is None and upright is not None and raster.units[0] and metres_in(raster.units[0]) is not None:
            refuse_two_units(upright.axis_info[0].unit_name, raster.units[0], path)
        name = told or raster.units[0] or (upright.axis_info[0].unit_name if upright is not None else None)
    if name is None and metres_per_unit(crs) == 1.0:
        return "metre"
    if name is None or metres_in(name) is None:
        raise InputError(
            "a raster does not say in what unit its heights are",
            where=path,
            found=name or "no unit",
            expected="metre, foot or US survey foot",
            mend="add --vertical-unit",
        )
    return str(name)


def join_rasters(
    paths: Sequence[Path],
    out: Path,
    *,
    cell_m: float | None = None,
    stated: Stated = NOTHING_STATED,
    progress: Callable[[int, int, str], None] = lambda done, total, what: None,
) -> Made:
    """One terrain model from several rasters, each in its own system and unit; the first named wins where they overlap.

    Parameters
    ----------
    paths : rasters, most trusted first. ``cell_m`` : cell size, None for that of the first.
    stated : what the files do not say.

    Raises InputError where one cannot be read or names no system; OutputError where the result cannot be written.
    """
    files, crs = [local_file(path, "terrain raster") for path in paths], stated.crs
    with open_raster(files[0]) as first:
        own = CRS.from_user_input(first.crs) if first.crs else crs
    if own is None:
        raise InputError("a raster names no coordinate system", where=files[0], mend="add --crs")
    plan = horizontal(own)
    if not plan.is_projected:
        raise InputError("the first raster is in degrees", where=files[0], mend="name one in a projected system first")
    terrains: list[Terrain] = []
    try:
        units = []
        for path in files:
            with open_raster(path) as raster:
                source = CRS.from_user_input(raster.crs) if raster.crs else crs
            if source is None:
                raise InputError("a raster names no coordinate system", where=path, mend="add --crs")
            units.append(_height_unit(path, stated.vertical_unit, source))
            terrains.append(Terrain(path, plan, metres_per_height=metres_in(units[-1]) or 1.0, source_crs=source))
        return _join(_Joined(terrains, files, units, own, stated.vertical_datum), out, cell_m, progress)
    finally:
        for terrain in terrains:
            terrain.close()


@dataclass(frozen=True)
class _Joined:
    """Rasters to be joined, most trusted first, the system of the first, and the datum that is stated for all."""

    terrains: list[Terrain]
    files: list[Path]
    units: list[str]
    own: CRS
    datum: str | None


def _join(rasters: _Joined, out: Path, cell_m: float | None, progress: Callable[[int, int, str], None]) -> Made:
    terrains, files, own, plan = rasters.terrains, rasters.files, rasters.own, horizontal(rasters.own)
    unit = metres_per_unit(plan)
    cell = cell_m or terrains[0].cell_m
    corners = np.array([terrain.bounds_m for terrain in terrains])
    bounds = (*corners[:, :2].min(axis=0).tolist(), *corners[:, 2:].max(axis=0).tolist())
    grid = CellGrid.over(bounds, cell)
    if grid.rows * grid.columns > MAX_CELLS:
        raise InputError(
            "the rasters lie too far apart to be joined",
            where=out,
            found=f"{grid.columns} x {grid.rows} cells",
            expected=f"at most {MAX_CELLS:.0e}",
            mend="use a virtual raster (gdalbuildvrt) instead, or join fewer",
        )
    upright = vertical(own)
    made = Made(
        out, cell, grid.rows, grid.columns,
        crs=plan.name,
        source_vertical_unit=", ".join(dict.fromkeys(rasters.units)),
        vertical_datum=rasters.datum or (upright.name if upright is not None else "not stated"),
        sources={path.name: sha256(path) for path in files},
    )  # fmt: skip
    said = [from_tags(terrain.tags, terrain.cell_m) for terrain in rasters.terrains]
    accuracies = [quality.accuracy_m for quality in said if quality is not None and quality.accuracy_m is not None]
    kinds = {quality.kind if quality is not None else "unknown" for quality in said}
    # how fine it is differs from place to place, and shows in the heights along the fence
    made.quality = SurveyQuality(
        cell, "cell", method="joined",
        accuracy_m=max(accuracies) if len(accuracies) == len(said) else None,
        kind=kinds.pop() if len(kinds) == 1 else "unknown",
    )  # fmt: skip
    differences: dict[int, list[np.ndarray]] = {number: [] for number in range(1, len(terrains))}
    known = 0
    in_map_units = CellGrid(grid.left / unit, grid.top / unit, cell / unit, grid.rows, grid.columns)
    pieces = list(tiles(grid.rows, grid.columns))
    with writing(out, in_map_units, own, made) as raster:
        for done, (rows, columns) in enumerate(pieces):
            progress(done, len(pieces), "terrain tiles")
            x, y = grid.centres(rows, columns)
            heights = np.full(x.shape, np.nan)
            for number, terrain in enumerate(terrains):
                left, bottom, right, top = terrain.bounds_m
                if x.max() < left or x.min() > right or y.max() < bottom or y.min() > top:
                    continue
                here = terrain.sample(x, y)
                both = np.isfinite(here) & np.isfinite(heights)
                if both.any():
                    differences[number].append((here - heights)[both].astype(np.float32))
                heights = np.where(np.isfinite(heights), heights, here)
            known += int(np.isfinite(heights).sum())
            raster.write(
                np.where(np.isfinite(heights), heights, NODATA).astype(np.float32), 1, window=_window(rows, columns)
            )
        made.known_share = round(known / (grid.rows * grid.columns), 6)
        made.points = known
        for number, parts in differences.items():
            _tell_seam(made, files[number], np.concatenate(parts) if parts else np.empty(0, np.float32))
    return made


def _tell_seam(made: Made, path: Path, difference: np.ndarray) -> None:
    """What a raster lies above those before it, where both know the ground."""
    if not len(difference):
        made.notes.append(f"{path.name} does not overlap the rasters before it; a step at their edge cannot be checked")
        return
    middle, spread = float(np.median(difference)), float(np.percentile(np.abs(difference), 95))
    made.seams.append(
        {"raster": path.name, "cells": len(difference), "median_m": round(middle, 4), "abs_95_m": round(spread, 4)}
    )
    made.notes.append(
        f"{path.name} lies {middle:+.3f} m (median; 95 % within {spread:.3f} m) to those before it over "
        f"{len(difference)} shared cells"
    )
    if abs(middle) > STEP_M or spread > 2 * STEP_M:
        made.warnings.append(
            f"a step of {middle:+.3f} m (95 % within {spread:.3f} m) stands at the seam to {path.name}: it looks "
            "like a gap under the beam, or hides one; bring the models to one datum first"
        )
