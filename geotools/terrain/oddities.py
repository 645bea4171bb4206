"""Heights that are hardly those of ground: beside a line, named with their place before they decide anything.

Found are cells of exactly 0 or of impossible size, a few cells far below all about them (low noise of lidar, wells,
holes of no data that were filled), and pieces that rise from the ground with steep edges (roofs, vehicles, trees: a
surface model in place of the ground). A ditch or a bank is long, and so is none of these.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from rasterio.features import geometry_mask
from scipy import ndimage
from shapely import LineString, box, line_interpolate_point
from shapely.ops import substring

from geotools.errors import counted
from geotools.terrain.model import Terrain

__all__ = ["HIGHEST_M", "LOWEST_M", "Oddity", "odd_along", "odd_words", "oddities"]

Array = NDArray[np.float64]
Kind = Literal["zero", "impossible", "low", "high", "no_data"]

LOWEST_M, HIGHEST_M = -500.0, 9000.0
"""Heights of ground lie between these: below the shore of the Dead Sea, above the highest summit."""

#: A height of exactly 0 is one only near the datum; farther off it stands for no data, m.
_NEAR_DATUM_M = 5.0
#: A cell so far below the lowest about it is no ground; half a metre is more than noise leaves on bare ground.
_LOW_M = 0.5
#: A hole with sides steeper than 1 in 1 down to this far from its rim, and so at least this deep, m.
_CONE_M = 1.25
#: A piece that rises so far above the ground about it, over so much of it, with edges steeper than 1 in 1.
_HIGH_M, _LEAST_M2, _STEEP = 1.5, 1.0, 1.0
#: The widest piece that is told from the ground beneath it, m: a hall is wider, but its edge is found.
_WIDEST_M = 15.0
#: Length of line that is looked at in one go, m.
_PIECE_M = 200.0


@dataclass(frozen=True)
class Oddity:
    """Cells that are hardly ground, side by side.

    Attributes
    ----------
    kind : {"zero", "impossible", "low", "high", "no_data"}
        A height of 0 far from the datum's; out of range; a hole of a few cells; a rise with steep edges; nothing.
    x_m, y_m : float
        The cell that stands out most.
    height_m : float
        Its height for zero and impossible, else how far it lies below or above the ground about it; for no data the
        area without, m2.
    cells : int
        How many.
    """

    kind: Kind
    x_m: float
    y_m: float
    height_m: float
    cells: int


def oddities(height_m: Array, transform: Affine, asked: NDArray[np.bool_] | None = None) -> list[Oddity]:
    """What of a piece of a raster is hardly ground.

    Parameters
    ----------
    height_m : (rows, columns) array
        Heights, NaN where unknown.
    transform : Affine
        From columns and rows to the plan's metres.
    asked : (rows, columns) array of bool, optional
        Cells that count; the others are compared with alone.
    """
    z = np.asarray(height_m, float)
    known = np.isfinite(z)
    if not known.any():
        return []
    counts = known if asked is None else known & asked
    wrong = known & ((z < LOWEST_M) | (z > HIGHEST_M))
    usual = float(np.median(z[known & ~wrong])) if (known & ~wrong).any() else 0.0
    zero = (z == 0.0) & (abs(usual) > _NEAR_DATUM_M)
    found = [*_pieces("impossible", wrong & counts, z, transform), *_pieces("zero", zero & counts, z, transform)]
    ground = np.where(known & ~wrong & ~zero, z, usual)
    if not (known & ~wrong & ~zero).any():
        return found
    below = _lowest_about(ground, 2) - ground
    hole = below > _LOW_M
    cell = math.sqrt(abs(transform.determinant))
    if (far := math.ceil(_CONE_M / cell)) > 2:
        # a point of low noise that was gridded finer than the points lie is a cone of many cells
        beside = _lowest_about(ground, far) - ground
        hole |= beside > _CONE_M
        below = np.maximum(below, beside)
    hole &= counts & ~wrong & ~zero
    found += _pieces("low", hole, below, transform)
    return found + _rises(ground, counts & ~wrong & ~zero, transform)


def _lowest_about(z: Array, cells: int) -> Array:
    """The lowest level of the ring so many cells away. What lies in a ditch, or in a wider hollow, has cells as low as
    itself on that ring.
    """
    ring = np.ones((2 * cells + 1, 2 * cells + 1), bool)
    ring[1:-1, 1:-1] = False
    return np.asarray(ndimage.minimum_filter(z, footprint=ring, mode="nearest"))


def _rises(ground: Array, counts: NDArray[np.bool_], transform: Affine) -> list[Oddity]:
    cell = math.sqrt(abs(transform.determinant))
    side = 2 * math.ceil(_WIDEST_M / cell / 2) + 1
    above = ground - ndimage.grey_opening(ground, size=(side, side), mode="nearest")
    step = np.maximum(
        np.abs(ground - ndimage.minimum_filter(ground, size=(3, 1), mode="nearest")),
        np.abs(ground - ndimage.minimum_filter(ground, size=(1, 3), mode="nearest")),
    )
    steep = step > max(_STEEP * cell, 0.5 * _HIGH_M)
    labels, count = ndimage.label(above > _HIGH_M, np.ones((3, 3)))
    found = []
    for number in range(1, count + 1):
        piece = labels == number
        inner = ndimage.binary_erosion(piece, np.ones((3, 3)))
        edge = piece & ~inner
        if not (piece & counts).any() or piece.sum() * cell**2 < _LEAST_M2 or steep[edge].mean() < 0.5:
            continue
        found += _pieces("high", piece & counts, above, transform)
    return found


def _pieces(kind: Kind, flags: NDArray[np.bool_], value: Array, transform: Affine) -> list[Oddity]:
    labels, count = ndimage.label(flags, np.ones((3, 3)))
    found = []
    for number in range(1, count + 1):
        piece = labels == number
        most = np.where(piece, np.abs(value), -1.0)
        row, column = np.unravel_index(int(most.argmax()), most.shape)
        x, y = _place(transform, column + 0.5, row + 0.5)
        found.append(Oddity(kind, float(x), float(y), float(value[row, column]), int(piece.sum())))
    return found


def _without(flags: NDArray[np.bool_], transform: Affine) -> list[Oddity]:
    """Places without data: cells that belong together, their middle, and their area."""
    labels, count = ndimage.label(flags, np.ones((3, 3)))
    found = []
    for number in range(1, count + 1):
        row, column = np.mean(np.nonzero(labels == number), axis=1)
        cells = int((labels == number).sum())
        x, y = _place(transform, column + 0.5, row + 0.5)
        found.append(Oddity("no_data", float(x), float(y), cells * abs(transform.determinant), cells))
    return found


def _place(t: Affine, column: Any, row: Any) -> tuple[Any, Any]:
    return t.a * column + t.b * row + t.c, t.d * column + t.e * row + t.f


def odd_along(terrain: Terrain, line: LineString, reach_m: float) -> list[Oddity]:
    """What is hardly ground within ``reach_m`` of a line, in the order of the line, each piece of line by itself.

    Cells are those of the raster. A piece that lies across two pieces of line may be named for both.
    """
    found = []
    for part in _cut(line):
        left, bottom, right, top = part.buffer(reach_m + _WIDEST_M).bounds
        here = box(left, bottom, right, top).intersection(box(*terrain.bounds_m))
        if here.is_empty:
            continue
        piece = terrain.grid(here.bounds)
        near = geometry_mask([part.buffer(reach_m)], piece.height_m.shape, piece.transform, invert=True)
        found += oddities(piece.height_m, piece.transform, near)
        found += _without(~np.isfinite(piece.height_m) & near, piece.transform)
    seen: dict[tuple[str, float, float], Oddity] = {}
    for one in found:
        seen.setdefault((one.kind, one.x_m, one.y_m), one)
    return list(seen.values())


def _cut(line: LineString) -> Iterator[LineString]:
    count = max(math.ceil(line.length / _PIECE_M), 1)
    for number in range(count):
        part = substring(line, number / count, (number + 1) / count, normalized=True)
        yield part if part.length else LineString([line_interpolate_point(line, 0.0)] * 2)


_WORDS = {
    "zero": "a height of exactly 0 m, which rather stands for no data: state the raster's nodata value",
    "impossible": "a height of {height:g} m, which no ground has: check band, unit and nodata value",
    "low": "a hole of {height:.1f} m over a few cells: low noise of the survey, a well, or filled no data?",
    "no_data": "no data over {height:.1f} m2: a zone whose strip comes there stays without an answer",
    "high": "a rise of {height:.1f} m with steep edges: a building, vehicle or vegetation in a surface model?",
}


def odd_words(found: Sequence[Oddity], where: str, metres_a_unit: float = 1.0) -> list[str]:
    """A sentence for each kind, with how often it occurs and the place where it is largest, in map units."""
    said = []
    for kind, words in _WORDS.items():
        of_kind = [one for one in found if one.kind == kind]
        if not of_kind:
            continue
        worst = max(of_kind, key=lambda one: abs(one.height_m))
        more = f", and {counted(len(of_kind) - 1, 'more such place')}" if len(of_kind) > 1 else ""
        x, y = worst.x_m / metres_a_unit, worst.y_m / metres_a_unit
        unit = "m" if metres_a_unit == 1.0 else "in map units"
        said.append(f"{where}: at x {x:.1f}, y {y:.1f} {unit} {words.format(height=worst.height_m)}{more}")
    return said
