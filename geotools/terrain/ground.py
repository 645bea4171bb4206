"""Surveys put together: points thinned to cells, breaklines made edges, how densely the ground was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from geotools.corridor import Array
from geotools.errors import InputError, NumericInputError
from geotools.io.fence_shapes import FARTHEST
from geotools.terrain.breaklines import Network, conforming, network
from geotools.terrain.points import Survey
from geotools.terrain.tin import CellGrid, thin

#: The shortest dip a prone person hides in is about as long as the person (common practice, no source); three points
#: are the least that show a dip at all.
SHORTEST_DIP_M = 1.7
MAX_CELLS = 4_000_000_000
#: So many cells are made whatever their number of points; beyond, a point must stand for no more than the second.
ALWAYS_CELLS = 100_000_000
MAX_CELLS_A_POINT = 5_000_000
#: Points of one cell count for the density up to this number: a heap of them shows no more of the ground around.
COUNTED_PER_CELL = 9
#: Breaklines and points closer than this in plan are at one place.
ONE_PLACE_M = 0.001
#: A piece of a breakline is not split below this: short enough to pass anything that is not at the same place.
SHORTEST_PIECE_M = ONE_PLACE_M / 4
#: Heights that differ by less at one place are the survey's own noise; by more than the second, two different things.
AGREE_M = 0.02
CONTRADICT_M = 0.5


@dataclass(frozen=True)
class SurveyedGround:
    """What was surveyed, heights in metres.

    points : (n, 3), last of them the vertices of the lines. weight : (n,) how many surveyed points each stands for.
    lines : breaklines. grid : cells over all. given : how many points there were.
    """

    points: Array
    weight: Array
    lines: list[Array]
    grid: CellGrid
    given: int

    def triangulated(
        self, longest: float, unit: float, where: str, notes: list[str], warnings: list[str]
    ) -> tuple[Array, int]:
        """Points whose Delaunay triangles have the breaklines as edges, from south to north, and the number of edges.

        Notes and warnings are added to. ``longest`` : a piece of a line, in map units; ``unit`` : metres in one.
        InputError where lines contradict each other.
        """
        points, edges = self.points[: len(self.points) - sum(map(len, self.lines))], 0
        if self.lines:
            tolerance = ONE_PLACE_M / unit
            net = network(self.lines, tolerance)
            _judge_meetings(net, where, warnings)
            try:
                made = conforming(net, points, longest=longest, shortest=SHORTEST_PIECE_M / unit, tolerance=tolerance)
            except NumericInputError as problem:
                raise InputError(
                    problem.what,
                    where=where,
                    expected=problem.expected,
                    mend="look for stray vertices and for lines that are there twice; or take larger cells",
                ) from problem
            edges = len(made.pieces)
            ends = net.vertices[net.pieces, :2]
            length = float(np.hypot(*(ends[:, 1] - ends[:, 0]).T).sum()) * unit
            notes.append(f"{len(self.lines)} breaklines, {length:.1f} m, are edges of the triangles")
            _judge_points_on(made.off_m, points[~made.apart], warnings)
            if len(made.stubborn):
                x, y = made.vertices[made.pieces[made.stubborn[0], 0], :2]
                warnings.append(
                    f"points or other lines lie within {1000 * ONE_PLACE_M:.0f} mm of a breakline in "
                    f"{len(made.stubborn)} places (one at {x:.2f}, {y:.2f}): triangles may cross the line there"
                )
            points = np.vstack([points[made.apart], made.vertices])
        return points[np.lexsort((points[:, 0], points[:, 1]))], edges


def gather(surveys: Sequence[tuple[Path, Survey]], cell: float, to_metres: float, where: str) -> SurveyedGround:
    """All points, thinned to one a cell, and all breaklines, with their grid; InputError where there are too few."""
    # Cells count from the system's own origin: the same place falls into the same cell whatever else is surveyed.
    world = CellGrid(0.0, 0.0, cell, 1, 2**31)
    thinned, count = thin((_on_a_map(chunk, path) for path, survey in surveys for chunk in survey.chunks), world)
    lines = [_on_a_map(line, path) for path, survey in surveys for line in survey.breaklines if len(line) > 1]
    points = np.concatenate([thinned, *lines])
    if len(points) < 3 or not np.isfinite(points).all():
        raise InputError("the survey has too few points", where=where, found=len(points), expected="at least three")
    grid = CellGrid.over(bounds(points), cell)
    most = min(MAX_CELLS, max(ALWAYS_CELLS, MAX_CELLS_A_POINT * len(points)))
    if grid.rows * grid.columns > most:
        apart = np.abs(points[:, :2] - np.median(points[:, :2], axis=0)).max(axis=1)
        x, y, z = points[apart.argmax()]
        raise InputError(
            "the survey's points lie absurdly far apart for such cells",
            where=where,
            found=f"{grid.columns} x {grid.rows} cells; the farthest point is {x:.2f}, {y:.2f}, {z:.2f}",
            expected=f"at most {most:.0e} for {len(points)} points",
            mend="check for stray points, or take larger cells",
        )
    corners = sum(map(len, lines))
    weight = np.concatenate([np.minimum(count, COUNTED_PER_CELL), np.ones(corners)])
    scale = np.array([1.0, 1.0, to_metres])
    return SurveyedGround(points * scale, weight, [line * scale for line in lines], grid, int(count.sum()) + corners)


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


def _judge_meetings(net: Network, where: str, warnings: list[str]) -> None:
    """Lines that meet at one place should have one height there."""
    differ = net.disagreement
    worst = int(np.argmax(differ))
    if differ[worst] <= AGREE_M:
        return
    x, y = net.vertices[worst, :2]
    if differ[worst] > CONTRADICT_M:
        raise InputError(
            "breaklines meet or cross at different heights",
            where=f"{where}, at {x:.2f}, {y:.2f}",
            found=f"{differ[worst]:.2f} m between them; places like it: {int((differ > CONTRADICT_M).sum())}",
            expected=f"one height, to {CONTRADICT_M} m",
            mend="end the line that passes over or under (a bridge, a wall) before it, or correct the heights",
        )
    warnings.append(
        f"breaklines differ by up to {differ[worst]:.2f} m where they meet or cross ({int((differ > AGREE_M).sum())} "
        f"places, the worst at {x:.2f}, {y:.2f}): the mean was taken; correct the heights there"
    )


def _judge_points_on(off_m: Array, points: Array, warnings: list[str]) -> None:
    """Points measured upon a breakline should have its height."""
    away = np.abs(off_m)
    if len(away) and away.max() > AGREE_M:
        x, y = points[int(np.argmax(away)), :2]
        warnings.append(
            f"{int((away > AGREE_M).sum())} points upon breaklines lie up to {away.max():.2f} m above or below them "
            f"(the worst at {x:.2f}, {y:.2f}): the lines' heights were taken"
        )


def bounds(points: Array) -> tuple[float, float, float, float]:
    """Left, bottom, right, top."""
    (left, bottom), (right, top) = points[:, :2].min(axis=0), points[:, :2].max(axis=0)
    return float(left), float(bottom), float(right), float(top)


def density(points: Array, weight: Array, grid: CellGrid, unit: float) -> tuple[float, float]:
    """Points a square metre and metres between them, over the ground they cover: squares of about twenty that hold any.

    weight : (n,) how many surveyed points each stands for.
    """
    count = float(weight.sum())
    square = 10 * grid.cell
    held = len(np.unique(np.floor(points[:, :2] / square), axis=0))
    while count < 20 * held and held > 1:
        square *= 2
        held = len(np.unique(np.floor(points[:, :2] / square), axis=0))
    left, bottom, right, top = bounds(points)
    area_m2 = min(held * square**2, max((right - left) * (top - bottom), grid.cell**2)) * unit**2
    return round(count / area_m2, 4), round(float(np.sqrt(area_m2 / count)), 4)


def density_warnings(spacing_m: float, cell_m: float) -> list[str]:
    """What points so far apart, and cells of that size, cannot show, in words."""
    found = []
    wanted = SHORTEST_DIP_M / 3
    if round(spacing_m, 2) > round(wanted, 2):
        found.append(
            f"ground points lie {spacing_m:.2f} m apart: dips shorter than {3 * spacing_m:.1f} m do not show, and a "
            f"prone person hides in one of {SHORTEST_DIP_M} m; {wanted:.2f} m between points is needed"
        )
    if spacing_m > 2 * cell_m:
        found.append(
            f"cells of {cell_m:.2f} m are finer than the survey's {spacing_m:.2f} m between points: what they show "
            "between points is interpolation"
        )
    if round(cell_m, 2) > round(wanted, 2):
        found.append(
            f"cells of {cell_m:.2f} m are too coarse for a dip of {SHORTEST_DIP_M} m, which hides a prone person; take "
            f"{wanted:.2f} m or less"
        )
    return found
