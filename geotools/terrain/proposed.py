"""The terrain as it will be: existing levels and their change in one raster that reads as the design surface does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import rasterio
from pyproj import CRS
from rasterio import Affine
from rasterio.errors import RasterioError
from rasterio.io import DatasetReader, DatasetWriter
from rasterio.windows import Window

from geotools.errors import InputError, OutputError
from geotools.io.crs import metres_per_unit
from geotools.io.rasters import open_raster, small_cache, understood
from geotools.terrain.design import DesignSurface
from geotools.terrain.model import Terrain

__all__ = ["WrittenTerrain", "write_proposed"]

Array = npt.NDArray[np.float64]

#: Side of the pieces that are read and written at once, cells.
_PIECE = 1024
#: The finest common grid is looked for down to this share of the terrain's cell.
_MOST_PARTS = 32
#: A terrain of more cells is refused: it would fill a disk.
_MOST_CELLS = 4_000_000_000


@dataclass(frozen=True)
class WrittenTerrain:
    """What was written.

    Attributes
    ----------
    cell_m : float
        Side of its cells, m.
    rows, columns : int
        Its size.
    same_grid : bool
        Whether its cells are those of the existing terrain.
    reprojected : bool
        Whether it is in the plan's coordinate system, in metres, because the existing terrain is in another one.
    """

    cell_m: float
    rows: int
    columns: int
    same_grid: bool
    reprojected: bool


@dataclass(frozen=True)
class _Grid:
    """Place of the cells in metres; ``shift`` : from its rows and columns to the design's, None where they differ."""

    transform: Affine
    rows: int
    columns: int
    shift: tuple[int, int] | None = None


def _whole(value: float) -> bool:
    return abs(value - round(value)) < 1e-3


def _parts(terrain: Terrain, surface: DesignSurface) -> int | None:
    """Into how many parts the terrain's cell has to be cut so that both grids' centres are centres; None if none do.

    Between such centres both surfaces are bilinear, so the sum is read from the raster as from its parts.
    """
    t, s = terrain.transform, surface.transform
    if terrain.reprojected or t.b or t.d or abs(t.a + t.e) > 1e-9 * t.a or t.a <= 0:
        return None
    across, down = (s.c + s.a / 2) - (t.c + t.a / 2), (t.f + t.e / 2) - (s.f + s.e / 2)
    for parts in range(1, _MOST_PARTS + 1):
        cell = t.a / parts
        if all(_whole(length / cell) for length in (s.a, across, down)):
            return parts
    return None


def _grid_for(terrain: Terrain, surface: DesignSurface) -> _Grid:
    t, s = terrain.transform, surface.transform
    parts = _parts(terrain, surface)
    rows, columns = terrain.shape
    if parts == 1 and _whole(s.a / t.a) and round(s.a / t.a) == 1:
        return _Grid(t, rows, columns, (round((s.f - t.f) / s.e), round((s.c - t.c) / s.a)))
    if parts is not None:
        cell = t.a / parts
        past = (parts - 1) // 2  # whole cells beyond the outermost centres, within the terrain's edge
        corner = Affine(cell, 0.0, t.c + t.a / 2 - (past + 0.5) * cell, 0.0, -cell, t.f - t.a / 2 + (past + 0.5) * cell)
        return _Grid(corner, (rows - 1) * parts + 1 + 2 * past, (columns - 1) * parts + 1 + 2 * past)
    # another system, or turned: a third of the design's cell keeps its centres, and rounds the ground little
    cell = s.a / 3
    left, bottom, right, top = terrain.bounds_m
    c0, r0 = int(np.floor((left - s.c) / cell)), int(np.floor((s.f - top) / cell))
    c1, r1 = int(np.ceil((right - s.c) / cell)), int(np.ceil((s.f - bottom) / cell))
    return _Grid(Affine(cell, 0.0, s.c + c0 * cell, 0.0, -cell, s.f - r0 * cell), r1 - r0, c1 - c0)


def _windows(grid: _Grid) -> Iterator[Window]:
    for row in range(0, grid.rows, _PIECE):
        for column in range(0, grid.columns, _PIECE):
            yield Window(column, row, min(_PIECE, grid.columns - column), min(_PIECE, grid.rows - row))


def _profile(source: DatasetReader, band: int, grid: _Grid, crs: CRS, unit: float) -> dict[str, Any]:
    kind = source.dtypes[band - 1]
    given = source.nodatavals[band - 1]
    real = kind if kind in ("float32", "float64") else "float32"
    return {
        "driver": "GTiff",
        "width": grid.columns,
        "height": grid.rows,
        "count": 1,
        "dtype": real,
        "nodata": float("nan") if given is None else float(np.dtype(real).type(given)),
        "crs": crs.to_wkt(),
        "transform": Affine(*(value / unit for value in grid.transform[:6])),
        "tiled": True,
        "blockxsize": 256,
        "blockysize": 256,
        "compress": "deflate",
        "predictor": 3,
        "bigtiff": "if_safer",
    }


def _describe(source: DatasetReader, band: int, made: DatasetWriter, unit: str | None) -> None:
    """Carry over what the file says of itself; statistics no longer hold."""
    made.update_tags(**{name: text for name, text in source.tags().items() if not name.startswith("STATISTICS_")})
    kept = {name: text for name, text in source.tags(band).items() if not name.startswith("STATISTICS_")}
    made.update_tags(1, **kept)
    if source.descriptions[band - 1]:
        made.set_band_description(1, source.descriptions[band - 1])
    if unit:
        made.set_band_unit(1, unit)


def _own_cells(
    source: DatasetReader, terrain: Terrain, surface: DesignSurface, window: Window, shift: tuple[int, int]
) -> Array:
    """Values in the file's unit on the terrain's own cells, NaN where it has no data; untouched cells as they are."""
    band = terrain.band
    with understood(terrain.path):
        cells = source.read(band, window=window, masked=True).astype(np.float64).filled(np.nan)
    scale, offset = source.scales[band - 1], source.offsets[band - 1]
    if scale != 1.0 or offset != 0.0:
        cells = cells * scale + offset
    row = np.arange(window.row_off, window.row_off + window.height) - shift[0]
    column = np.arange(window.col_off, window.col_off + window.width) - shift[1]
    change = surface.change[row[:, None], column[None, :]]
    return np.asarray(np.where(change == 0.0, cells, cells + change.astype(np.float64) / terrain.metres_per_height))


def _new_cells(terrain: Terrain, surface: DesignSurface, grid: _Grid, window: Window) -> Array:
    """Levels of the design surface at the centres of cells, m, NaN where the terrain has no data."""
    t = grid.transform
    x = t.c + (np.arange(window.col_off, window.col_off + window.width) + 0.5) * t.a
    y = t.f + (np.arange(window.row_off, window.row_off + window.height) + 0.5) * t.e
    x, y = np.meshgrid(x, y)
    level = terrain.sample(x, y)
    # beside cells without data a centre that falls on another counts with the side that has some
    near = 1e-4 * t.a
    for across, up in ((-near, near), (near, near), (-near, -near), (near, -near)):
        lost = np.isnan(level)
        if not lost.any():
            break
        level[lost] = terrain.sample(x[lost] + across, y[lost] + up)
    return np.asarray(level + surface.change_at(x, y))


def write_proposed(path: Path, terrain: Terrain, surface: DesignSurface) -> WrittenTerrain:
    """Write the terrain with the change of a design as a GeoTIFF, piece by piece.

    The cells are the terrain's own where the design lies on them; else those of the coarsest grid that has the centres
    of both among its own, so that reading it between centres gives what reading both and adding gives. A terrain in
    another coordinate system than the plan is written in the plan's, in metres, at a third of the design's cell.

    Parameters
    ----------
    path : Path
        File to write.
    terrain : Terrain
        Existing ground.
    surface : DesignSurface
        Its change.

    Returns
    -------
    WrittenTerrain
        The grid that was written.

    Raises
    ------
    InputError
        Where the common grid would be too large, or the terrain cannot be read.
    OutputError
        Where the file cannot be written.
    """
    grid = _grid_for(terrain, surface)
    if grid.rows * grid.columns > _MOST_CELLS:
        raise InputError(
            "the proposed terrain would have too many cells",
            where=terrain.path,
            found=f"{grid.columns} x {grid.rows} cells of {grid.transform.a:g} m",
            expected=f"at most {_MOST_CELLS}",
            mend="cut the terrain to the site, or set grading.cell_m to the terrain's own cell",
        )
    foreign = terrain.reprojected
    crs = terrain.plan_crs.to_2d() if foreign else terrain.source_crs
    per_height = 1.0 if foreign else terrain.metres_per_height
    try:
        with small_cache(), open_raster(terrain.path) as source:
            profile = _profile(source, terrain.band, grid, crs, metres_per_unit(terrain.plan_crs))
            with rasterio.open(path, "w", **profile) as made:
                _describe(source, terrain.band, made, "metre" if foreign else source.units[terrain.band - 1])
                for window in _windows(grid):
                    if grid.shift is not None:
                        values = _own_cells(source, terrain, surface, window, grid.shift)
                    else:
                        values = _new_cells(terrain, surface, grid, window) / per_height
                    empty = np.isnan(values)
                    made.write(np.where(empty, profile["nodata"], values).astype(profile["dtype"]), 1, window=window)
    except (RasterioError, OSError) as problem:
        raise OutputError(
            "the proposed terrain could not be written", where=path, found=str(problem)[:300]
        ) from problem
    return WrittenTerrain(grid.transform.a, grid.rows, grid.columns, grid.shift is not None, foreign)
