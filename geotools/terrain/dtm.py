"""Makes a terrain model from surveys: one GeoTIFF in metres, written tile by tile, with its density stated."""

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
from geotools.errors import InputError, OutputError
from geotools.io.area import outside_area
from geotools.io.crs import horizontal, metres_per_unit, vertical
from geotools.io.files import sha256, write_text
from geotools.io.rasters import RASTER_TROUBLE, small_cache
from geotools.terrain.flight_lines import step_words
from geotools.terrain.ground import bounds, density, density_warnings, gather
from geotools.terrain.odd_points import odd_point_words, odd_points
from geotools.terrain.points import NOTHING_STATED, Stated, Survey, settle_crs, settle_height_unit
from geotools.terrain.quality import SurveyQuality, resolved_by_points
from geotools.terrain.tin import CellGrid, interpolate, on_faces

TILE = 512
#: Cells around a tile whose points take part in its triangles: tiles then meet without a seam.
HALO = 96
#: Below this share of cells with a height, some points are likely where nobody surveyed.
LEAST_SHARE = 0.02
#: A triangle surface is laid down whole.
MAX_FACE_CELLS = 20_000_000
#: Pieces of a breakline are at most this many cells long: a tile then knows both ends of those near it.
LONGEST_EDGE = 4
#: No height is believed farther than this from a ground point unless the user says so.
REACH_M = 5.0
NODATA = -9999.0


@dataclass
class Made:
    """What was made, and how well the survey carries it. Lengths in metres."""

    path: Path
    cell_m: float
    rows: int
    columns: int
    points: int = 0
    edges: int = 0
    density_per_m2: float | None = None
    spacing_m: float | None = None
    known_share: float = 0.0
    quality: SurveyQuality | None = None
    farthest_95_m: float | None = None
    crs: str = ""
    vertical_unit: str = "metre"
    source_vertical_unit: str = "metre"
    vertical_datum: str = "not stated"
    sources: dict[str, str] = field(default_factory=dict)
    seams: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


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
        with small_cache(), rasterio.open(temporary, "w", **profile) as raster:
            raster.units = ("metre",)
            raster.set_band_description(1, "ground height")
            raster.update_tags(VERTICAL_DATUM=made.vertical_datum, SOURCES=json.dumps(made.sources, sort_keys=True))
            if made.quality is not None:
                raster.update_tags(**made.quality.tags())
            yield raster
        os.replace(temporary, path)
        described = {**asdict(made), "path": path.name}
        report = path.with_suffix(".json")
        write_text(report, json.dumps(described, indent=2, sort_keys=True) + "\n")
    except (OSError, *RASTER_TROUBLE) as problem:
        raise OutputError(
            "the terrain model could not be written; what stood there before is untouched",
            where=path,
            found=f"{type(problem).__name__}: {problem}",
            mend="check free space and write permission of the folder",
        ) from problem
    finally:
        temporary.unlink(missing_ok=True)


def _accuracy(surveys: Sequence[tuple[Path, Survey]]) -> float | None:
    """The worst of the stated accuracies; None where one survey states none."""
    stated = [survey.accuracy_m for _, survey in surveys]
    return max((a for a in stated if a is not None), default=None) if None not in stated else None


def _kind(surveys: Sequence[tuple[Path, Survey]]) -> str:
    return "ground" if all(survey.kind == "ground" for _, survey in surveys) else "surface"


def _datum(surveys: Sequence[tuple[Path, Survey]], crs: CRS, told: str | None, warnings: list[str]) -> str:
    """What the heights stand on: as stated, else as the files say; a warning where they do not say the same."""
    named: dict[str, str] = {}
    for path, survey in surveys:
        upright = vertical(survey.crs if survey.crs is not None else crs)
        name = upright.name if upright is not None else survey.vertical_datum
        if name:
            named.setdefault(name, path.name)
    if len(named) > 1:
        told_apart = ", ".join(f"{name} ({file})" for name, file in sorted(named.items()))
        warnings.append(f"the surveys' heights stand on different datums: {told_apart}; bring them to one first")
    return told or ", ".join(sorted(named)) or "not stated"


def grid_survey(
    surveys: Sequence[tuple[Path, Survey]],
    out: Path,
    *,
    cell_m: float,
    stated: Stated = NOTHING_STATED,
    reach_m: float | None = None,
    progress: Callable[[int, int, str], None] = lambda done, total, what: None,
) -> Made:
    """Grid points, breaklines or a triangle surface.

    Parameters
    ----------
    surveys : files and what was read from them; all in one system.
    out : GeoTIFF to write, with a report of the same name ending in ``.json`` beside it.
    cell_m : cell size. stated : what the files do not say.
    reach_m : how far from a ground point a height is believed; beyond it there is no data. None for four times the
        spacing of the points, at most 5 m.

    Raises InputError where system, unit or points are missing; OutputError where it cannot be written.
    """
    where, crs = ", ".join(str(path) for path, _ in surveys), stated.crs
    system = settle_crs(surveys[0][1], crs, surveys[0][0])
    for path, survey in surveys:
        if crs is not None and survey.crs is not None and horizontal(crs) != horizontal(survey.crs):
            survey.warnings.append(f"{path.name} names its own system, {survey.crs.name}: it is taken, not --crs")
    for path, survey in surveys[1:]:
        if horizontal(settle_crs(survey, crs, path)) != horizontal(system):
            raise InputError(
                "the surveys are in different coordinate systems", where=path, found=survey.crs, expected=system.name
            )
    units = dict(
        settle_height_unit(survey, settle_crs(survey, crs, p), stated.vertical_unit, p) for p, survey in surveys
    )
    if len(units) != 1:
        raise InputError(
            "the surveys are in different units of height",
            where=where,
            found=", ".join(sorted(units.values())),
            expected="one unit",
            mend="grid them one by one and join the results, the most trusted first",
        )
    ((to_metres, unit_name),) = units.items()
    unit = metres_per_unit(system)
    cell = cell_m / unit
    warnings = [text for _, survey in surveys for text in survey.warnings]
    made = Made(
        out, cell_m, 0, 0,
        crs=horizontal(system).name,
        source_vertical_unit=unit_name,
        vertical_datum=_datum(surveys, system, stated.vertical_datum, warnings),
        warnings=warnings,
        sources={path.name: sha256(path) for path, _ in surveys},
    )  # fmt: skip
    made.notes += [note for _, survey in surveys for note in survey.notes]
    if to_metres != 1.0:
        made.notes.append(f"heights converted from {unit_name} to metres (1 {unit_name} = {to_metres:.10g} m)")
    if any(survey.faces is not None for _, survey in surveys):
        return _grid_faces(surveys, made, system, cell, to_metres)
    ground = gather(surveys, cell, to_metres, where)
    made.warnings += odd_point_words(odd_points(ground.points, unit))
    for path, survey in surveys:
        made.warnings += step_words(path.name, survey.line_steps, to_metres)
    x, y = np.median(ground.points[:, :2], axis=0).tolist()
    if (far := outside_area(system, x, y)) is not None:
        made.warnings.append(far)
    made.rows, made.columns, made.points = ground.grid.rows, ground.grid.columns, ground.given
    made.density_per_m2, made.spacing_m = density(ground.points, ground.weight, ground.grid, unit)
    made.warnings += density_warnings(made.spacing_m, cell_m)
    made.quality = SurveyQuality(
        resolved_by_points(made.spacing_m, cell_m), "metadata", spacing_m=made.spacing_m, method="points",
        accuracy_m=_accuracy(surveys), kind=_kind(surveys),
    )  # fmt: skip
    reach = (reach_m if reach_m is not None else min(4.0 * made.spacing_m, REACH_M)) / unit
    longest = min(LONGEST_EDGE * cell, max(reach, cell / 2))
    points, made.edges = ground.triangulated(longest, unit, where, made.notes, made.warnings)
    _write_tiles(made, points, ground.grid, system, reach, unit, progress)
    return made


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
                f"only {100 * made.known_share:.2g} % of the cells have a height: there are stray points, or "
                "the points lie too far apart"
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
    grid = CellGrid.over(bounds(used), cell)
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
    # No warning of it: a designed surface has few points because it is plain, not because it was surveyed thinly.
    made.density_per_m2, made.spacing_m = density(used, np.ones(len(used)), grid, metres_per_unit(system))
    # What it resolves is left to its heights: a design has few points and is whole, a survey of few points is not.
    made.quality = SurveyQuality(
        made.cell_m, "cell", spacing_m=made.spacing_m, method="triangles",
        accuracy_m=_accuracy(surveys), kind=_kind(surveys),
    )  # fmt: skip
    with writing(made.path, grid, system, made) as raster:
        raster.write(np.where(np.isfinite(heights), heights, NODATA).astype(np.float32), 1)
    return made
