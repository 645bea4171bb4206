"""Makes a terrain model from surveys: one GeoTIFF in metres of height, written tile by tile, with its density told."""

from __future__ import annotations

import json
import os
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from pyproj import CRS
from rasterio import Affine
from rasterio.windows import Window

from geotools.corridor import Array
from geotools.crs import horizontal, metres_per_unit, vertical
from geotools.errors import InputError, OutputError
from geotools.files import sha256
from geotools.rasters import RASTER_TROUBLE
from geotools.survey.points import Survey, settle_crs, settle_height_unit
from geotools.survey.tin import CellGrid, densified, interpolate, on_faces, thin
from geotools.vectors import FARTHEST

#: The shortest dip a prone person hides in is about as long as the person (common practice, no source); three points
#: are the least that show a dip at all.
SHORTEST_DIP_M = 1.7
TILE = 512
#: Cells around a tile whose points take part in its triangles: tiles then meet without a seam.
HALO = 96
#: Below this share of cells with a height, some points are likely where nobody surveyed.
LEAST_SHARE = 0.02
#: A triangle surface is laid down whole.
MAX_FACE_CELLS = 20_000_000
#: No height is believed farther than this from a ground point unless the user says so.
REACH_M = 5.0
MAX_CELLS = 4_000_000_000
NODATA = -9999.0


@dataclass
class Made:
    """What was made, and how well the survey carries it. Lengths in metres."""

    path: Path
    cell_m: float
    rows: int
    columns: int
    points: int = 0
    density_per_m2: float | None = None
    spacing_m: float | None = None
    known_share: float = 0.0
    farthest_95_m: float | None = None
    crs: str = ""
    vertical_unit: str = "metre"
    source_vertical_unit: str = "metre"
    vertical_datum: str = "not stated"
    sources: dict[str, str] = field(default_factory=dict)
    seams: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def density_warnings(spacing_m: float, cell_m: float) -> list[str]:
    """What a survey of that point spacing cannot show, in words."""
    found = []
    if 3 * spacing_m > SHORTEST_DIP_M:
        found.append(
            f"ground points lie {spacing_m:.2f} m apart: dips shorter than {3 * spacing_m:.1f} m are not seen, and a "
            f"prone person hides in one of {SHORTEST_DIP_M} m; {SHORTEST_DIP_M / 3:.2f} m between points is wanted"
        )
    if spacing_m > 2 * cell_m:
        found.append(
            f"cells of {cell_m:.2f} m are finer than the survey's {spacing_m:.2f} m between points: what they show "
            "between points is interpolation"
        )
    return found


def tiles(rows: int, columns: int, size: int = TILE) -> Iterator[tuple[slice, slice]]:
    """Pieces of a grid, row by row."""
    for r in range(0, rows, size):
        for c in range(0, columns, size):
            yield slice(r, min(r + size, rows)), slice(c, min(c + size, columns))


@contextmanager
def writing(path: Path, grid: CellGrid, crs: CRS, made: Made) -> Iterator[Any]:
    """The GeoTIFF, open for its tiles; it takes its place when all are written, or never."""
    temporary = path.with_name(f".{path.stem}-{uuid.uuid4().hex}.tif")
    profile = {
        "driver": "GTiff", "width": grid.columns, "height": grid.rows, "count": 1, "dtype": "float32",
        "crs": crs.to_wkt(), "transform": Affine(grid.cell, 0.0, grid.left, 0.0, -grid.cell, grid.top),
        "nodata": NODATA, "tiled": True, "blockxsize": TILE, "blockysize": TILE, "compress": "deflate",
        "predictor": 3, "bigtiff": "if_safer", "sparse_ok": True,
    }  # fmt: skip
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with rasterio.Env(GDAL_CACHEMAX=64), rasterio.open(temporary, "w", **profile) as raster:
            raster.units = ("metre",)
            raster.set_band_description(1, "ground height")
            raster.update_tags(VERTICAL_DATUM=made.vertical_datum, SOURCES=json.dumps(made.sources, sort_keys=True))
            yield raster
        os.replace(temporary, path)
        described = {**asdict(made), "path": path.name}
        report = path.with_suffix(".json")
        temporary_report = path.with_name(f".{report.name}.tmp")
        temporary_report.write_text(json.dumps(described, indent=2, sort_keys=True) + "\n", encoding="utf-8")
        os.replace(temporary_report, report)
    except (OSError, *RASTER_TROUBLE) as problem:
        raise OutputError(
            "the terrain model could not be written; what stood there before is untouched",
            where=path,
            found=f"{type(problem).__name__}: {problem}",
            mend="check free space and write permission of the folder",
        ) from problem
    finally:
        temporary.unlink(missing_ok=True)


def _bounds(points: Array) -> tuple[float, float, float, float]:
    (left, bottom), (right, top) = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    return float(left), float(bottom), float(right), float(top)


def grid_survey(
    surveys: Sequence[tuple[Path, Survey]],
    out: Path,
    *,
    cell_m: float,
    crs: CRS | None = None,
    vertical_unit: str | None = None,
    vertical_datum: str | None = None,
    reach_m: float | None = None,
    progress: Callable[[int, int, str], None] = lambda done, total, what: None,
) -> Made:
    """Grid points, breaklines or a triangle surface.

    Parameters
    ----------
    surveys : files and what was read from them; all in one system.
    out : GeoTIFF to write, with a report of the same name ending in ``.json`` beside it.
    cell_m : cell size. ``crs``, ``vertical_unit``, ``vertical_datum`` : what the files do not say.
    reach_m : how far from a ground point a height is believed; beyond it there is no data. None for four times the
        spacing of the points, at most 5 m.

    Raises InputError where system, unit or points are missing; OutputError where it cannot be written.
    """
    where = ", ".join(str(path) for path, _ in surveys)
    system = settle_crs(surveys[0][1], crs, where)
    for path, survey in surveys[1:]:
        if horizontal(settle_crs(survey, crs, path)) != horizontal(system):
            raise InputError(
                "the surveys are in different coordinate systems", where=path, found=survey.crs, expected=system.name
            )
    factors = {settle_height_unit(survey, settle_crs(survey, crs, p), vertical_unit, p) for p, survey in surveys}
    if len(factors) != 1:
        raise InputError("the surveys are in different units of height", where=where, found=sorted(factors))
    ((to_metres, unit_name),) = factors
    unit = metres_per_unit(system)
    cell = cell_m / unit
    upright = vertical(system)
    made = Made(
        out, cell_m, 0, 0,
        crs=horizontal(system).name,
        source_vertical_unit=unit_name,
        vertical_datum=vertical_datum or (upright.name if upright is not None else "not stated"),
        sources={path.name: sha256(path) for path, _ in surveys},
    )  # fmt: skip
    made.notes += [note for _, survey in surveys for note in survey.notes]
    if to_metres != 1.0:
        made.notes.append(f"heights converted from {unit_name} to metres (1 {unit_name} = {to_metres:.10g} m)")
    if any(survey.faces is not None for _, survey in surveys):
        return _grid_faces(surveys, made, system, cell, to_metres)
    points, grid, made.points = _gather(surveys, cell, where)
    points[:, 2] *= to_metres
    made.rows, made.columns = grid.rows, grid.columns
    _judge_density(made, points, grid, unit)
    reach = (reach_m if reach_m is not None else min(4.0 * float(made.spacing_m or cell_m), REACH_M)) / unit
    _write_tiles(made, points, grid, system, reach, unit, progress)
    return made


def _on_a_map(chunk: Array, path: Path) -> Array:
    """The points, if a map has such coordinates; InputError otherwise."""
    strange = ~(np.abs(chunk) < FARTHEST).all(axis=1)
    if strange.any():
        raise InputError(
            "a surveyed point has coordinates no map has",
            where=path,
            found=", ".join(f"{value:g}" for value in chunk[strange.argmax()]),
            expected=f"x, y and height within {FARTHEST:.0e} of the origin",
            mend="take the stray point out of the file",
        )
    return chunk


def _gather(surveys: Sequence[tuple[Path, Survey]], cell: float, where: str) -> tuple[Array, CellGrid, int]:
    """All points, thinned to one a cell; the grid over them; how many there were."""
    # Cells count from the system's own origin: the same place falls into the same cell whatever else is surveyed.
    world = CellGrid(0.0, 0.0, cell, 1, 2**31)
    thinned, total = thin((_on_a_map(chunk, path) for path, survey in surveys for chunk in survey.chunks), world)
    lines = [densified(line, cell / 2) for _, survey in surveys for line in survey.breaklines]
    parts = [thinned, *lines]
    points = np.concatenate([part for part in parts if len(part)]) if any(len(part) for part in parts) else thinned
    if len(points) < 3 or not np.isfinite(points).all():
        raise InputError("the survey has too few points", where=where, found=len(points), expected="at least three")
    grid = CellGrid.over(_bounds(points), cell)
    if grid.rows * grid.columns > MAX_CELLS:
        raise InputError(
            "the survey's points lie absurdly far apart for such cells",
            where=where,
            found=f"{grid.columns} x {grid.rows} cells",
            expected=f"at most {MAX_CELLS:.0e}",
            mend="check for stray points, or take larger cells",
        )
    order = np.lexsort((points[:, 0], points[:, 1]))
    return points[order], grid, total + sum(map(len, lines))


def _judge_density(made: Made, points: Array, grid: CellGrid, unit: float) -> None:
    """Spacing of the points over the ground they cover: squares that hold any, of a size that holds about twenty."""
    square = 10 * grid.cell
    held = len(np.unique(np.floor(points[:, :2] / square), axis=0))
    while len(points) < 20 * held and held > 1:
        square *= 2
        held = len(np.unique(np.floor(points[:, :2] / square), axis=0))
    left, bottom, right, top = _bounds(points)
    area_m2 = min(held * square**2, max((right - left) * (top - bottom), grid.cell**2)) * unit**2
    made.density_per_m2 = round(len(points) / area_m2, 4)
    made.spacing_m = round(float(np.sqrt(area_m2 / len(points))), 4)
    made.warnings += density_warnings(made.spacing_m, made.cell_m)


def _write_tiles(
    made: Made, points: Array, grid: CellGrid, system: CRS, reach: float, unit: float, progress: Any
) -> None:
    pieces = list(tiles(grid.rows, grid.columns))
    halo = max(HALO * grid.cell, 2 * reach)
    known = 0
    far: list[Array] = []
    with writing(made.path, grid, system, made) as raster:
        for number, (rows, columns) in enumerate(pieces):
            progress(number, len(pieces), "terrain tiles")
            left, bottom, right, top = grid.edges(rows, columns)
            # Points are sorted from south to north: a tile's share is found without looking at all.
            south, north = np.searchsorted(points[:, 1], [bottom - halo, top + halo])
            band = points[south:north]
            near = band[(band[:, 0] >= left - halo) & (band[:, 0] <= right + halo)]
            if not _any_within(near, (left, bottom, right, top), reach):
                continue  # tiles that are not written hold no data, and take no room
            x, y = grid.centres(rows, columns)
            heights, distance = interpolate(near, x, y, reach)
            good = np.isfinite(heights)
            known += int(good.sum())
            if good.any():
                far.append(np.array([np.percentile(distance[good], 95)]))
            raster.write(np.where(good, heights, NODATA).astype(np.float32), 1, window=_window(rows, columns))
        made.known_share = round(known / (grid.rows * grid.columns), 6)
        if made.known_share < LEAST_SHARE:
            made.warnings.append(
                f"only {100 * made.known_share:.2g} % of the cells have a height: look for stray points"
            )
        made.farthest_95_m = round(float(np.max(far)) * unit, 4) if far else None
    progress(len(pieces), len(pieces), "terrain tiles")


def _any_within(points: Array, bounds: tuple[float, float, float, float], reach: float) -> bool:
    left, bottom, right, top = bounds
    x, y = points[:, 0], points[:, 1]
    return bool(((x >= left - reach) & (x <= right + reach) & (y >= bottom - reach) & (y <= top + reach)).any())


def _window(rows: slice, columns: slice) -> Window:
    return Window(columns.start, rows.start, columns.stop - columns.start, rows.stop - rows.start)


def _grid_faces(surveys: Sequence[tuple[Path, Survey]], made: Made, system: CRS, cell: float, to_metres: float) -> Made:
    """A surface's own triangles, as they are."""
    if len(surveys) != 1:
        raise InputError("a triangle surface stands alone", where=surveys[-1][0], expected="one LandXML file")
    survey = surveys[0][1]
    points = next(iter(survey.chunks)).copy()
    points[:, 2] *= to_metres
    assert survey.faces is not None
    used = points[np.unique(survey.faces)]
    grid = CellGrid.over(_bounds(used), cell)
    low, high = (edge(points[survey.faces][:, :, :2], axis=1) for edge in (np.min, np.max))
    laid = float(np.prod((high - low) / cell + 1.0, axis=1).sum())
    if grid.rows * grid.columns > MAX_FACE_CELLS or laid > 4 * MAX_FACE_CELLS:
        raise InputError(
            "the surface is too large for such cells",
            where=surveys[0][0],
            found=f"{grid.columns} x {grid.rows} cells",
            expected=f"at most {MAX_FACE_CELLS:.0e}",
            mend="look for stray points; take larger cells, or a part of the surface",
        )
    made.rows, made.columns, made.points = grid.rows, grid.columns, len(used)
    heights = on_faces(points, survey.faces, grid)
    made.known_share = round(float(np.isfinite(heights).mean()), 6)
    _judge_density(made, used, grid, metres_per_unit(system))
    # A designed surface has few points because it is plain, not because it was surveyed thinly.
    made.warnings.clear()
    with writing(made.path, grid, system, made) as raster:
        raster.write(np.where(np.isfinite(heights), heights, NODATA).astype(np.float32), 1)
    return made
