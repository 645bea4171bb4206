"""What a survey resolves: point spacing, source cell, accuracy; kept in a raster's metadata, or estimated from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.ndimage import uniform_filter

from geotools.corridor import Array

__all__ = [
    "ACCURACY_NOTED",
    "ORIGINS",
    "SurveyQuality",
    "estimated",
    "from_tags",
    "height_step",
    "resolved_by_points",
    "shortest_dip",
]

#: Begins what is said of an accuracy that nobody stated but the raster's metadata.
ACCURACY_NOTED = "vertical accuracy from the raster's metadata:"
#: Names in the raster's metadata begin so; they stand in the default domain, which copies and warps of GDAL carry on.
PREFIX = "GEOTOOLS_"
#: A dip needs two cells to be resolved at all (sampling theorem: nothing shorter than two samples).
CELLS_A_DIP = 2.0
#: Scattered points fall as they like: three spacings for the same dip, which is one and a half cells a spacing.
CELLS_A_SPACING = 1.5
#: Second differences of natural ground grow with the distance to a power of at most 1 (self-affine ground, Hurst
#: exponent below 1: Mandelbrot & Van Ness 1968, SIAM Review 10, 422); between the nodes of an interpolated model with
#: 1.5 (straight pieces) or 2 (curves). Here the two are told apart.
STEEP = 1.4
#: Distances that are compared, in cells.
_LADDER = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32, 48, 64, 96, 128)
#: A step of more than this between neighbouring cells, steeper than 1 to 1, is a roof, a wall or a hole; ground is
#: judged beside it (common practice, no source).
_STEP_M = 0.5
#: Above this many times the rounding of heights, a difference says something of the ground.
_ABOVE_ROUNDING = 2.0
#: Steps of height that files are rounded to, m and feet, coarsest first.
_STEPS = (1.0, 0.5, 0.3048, 0.1, 0.05, 0.03048, 0.01, 0.003048, 0.001)

Origin = Literal["stated", "metadata", "estimated", "cell"]
#: Where a figure of what a survey resolves comes from, in words.
ORIGINS: dict[str, str] = {
    "stated": "as the site file states",
    "metadata": "as the raster's metadata say",
    "estimated": "as the raster's heights show",
    "cell": "the raster's own cells",
}


@dataclass(frozen=True)
class SurveyQuality:
    """What is known of the survey behind a terrain model.

    Parameters
    ----------
    resolves_m : float
        Distance between heights that are independent of each other, m: the source's cell; for scattered points one
        and a half times their spacing. The shortest dip that shows is twice as long.
    origin : str
        Where that figure comes from: ``stated`` in the site file, ``metadata`` of the raster, ``estimated`` from its
        heights, ``cell`` where nothing but the raster's own cell shows it.
    spacing_m : float, optional
        Mean distance of the surveyed points, m.
    source_cell_m : float, optional
        Cell of the model that the raster was resampled from, m.
    accuracy_m : float, optional
        Vertical accuracy, 95 %, m.
    method : str
        How the raster was made: ``points``, ``triangles``, ``joined``, ``repeated`` (nearest neighbour),
        ``interpolated`` (straight or curved between nodes, or ground without detail), ``cells`` or ``unknown``.
    kind : str
        ``ground``, ``surface`` (with roofs and plants) or ``unknown``.
    height_step_m : float, optional
        Step that the heights are rounded to, m.
    """

    resolves_m: float
    origin: Origin
    spacing_m: float | None = None
    source_cell_m: float | None = None
    accuracy_m: float | None = None
    method: str = "unknown"
    kind: str = "unknown"
    height_step_m: float | None = None

    @property
    def shortest_dip_m(self) -> float:
        """Length of the shortest dip that the survey can show, m."""
        return shortest_dip(self.resolves_m)

    def tags(self) -> dict[str, str]:
        """The same as names and words of a raster's metadata."""
        values = {
            "SPACING_M": self.spacing_m,
            "ACCURACY_M": self.accuracy_m,
            "SOURCE_CELL_M": self.source_cell_m,
            "RESOLVES_M": None if self.origin == "cell" else self.resolves_m,
        }
        words = {PREFIX + name: f"{value:.6g}" for name, value in values.items() if value is not None}
        return {**words, PREFIX + "METHOD": self.method, PREFIX + "KIND": self.kind}


def shortest_dip(resolves_m: float) -> float:
    """Length of the shortest dip that independent heights this far apart can show, m (sampling theorem)."""
    return CELLS_A_DIP * resolves_m


def resolved_by_points(spacing_m: float, cell_m: float) -> float:
    """What scattered points resolve once they are gridded.

    Parameters
    ----------
    spacing_m : float
        Mean distance of the points, m.
    cell_m : float
        Cell that they were gridded to, m.
    """
    return max(CELLS_A_SPACING * spacing_m, cell_m)


def from_tags(tags: Mapping[str, str], cell_m: float) -> SurveyQuality | None:
    """What a raster's metadata say, never finer than the raster's own cells; None where they say nothing of it.

    Parameters
    ----------
    tags : mapping of str to str
        The raster's metadata.
    cell_m : float
        Its cell, m. It may be coarser than it was when the metadata were written.
    """
    numbers: dict[str, float] = {}
    for name in ("SPACING_M", "ACCURACY_M", "SOURCE_CELL_M", "RESOLVES_M"):
        try:
            value = float(tags.get(PREFIX + name, ""))
        except ValueError:
            continue
        if np.isfinite(value) and value > 0.0:
            numbers[name] = value
    method, kind = tags.get(PREFIX + "METHOD", "unknown"), tags.get(PREFIX + "KIND", "unknown")
    resolves = numbers.get("RESOLVES_M")
    if resolves is None and "SPACING_M" in numbers and method == "points":
        resolves = resolved_by_points(numbers["SPACING_M"], cell_m)
    resolves = resolves if resolves is not None else numbers.get("SOURCE_CELL_M")
    if resolves is None and not numbers and method == "unknown":
        return None
    return SurveyQuality(
        max(resolves or cell_m, cell_m),
        "metadata" if resolves is not None else "cell",
        spacing_m=numbers.get("SPACING_M"),
        source_cell_m=numbers.get("SOURCE_CELL_M"),
        accuracy_m=numbers.get("ACCURACY_M"),
        method=method,
        kind=kind if kind in ("ground", "surface") else "unknown",
    )


def height_step(patches: Sequence[Array]) -> float | None:
    """The step that heights are rounded to, of the common ones from 1 m to 1 mm; None where there is none.

    Parameters
    ----------
    patches : sequence of (rows, columns) arrays
        Heights, m; NaN where unknown.
    """
    values = np.concatenate([patch[np.isfinite(patch)].ravel()[:200_000] for patch in patches] or [np.empty(0)])
    if values.size == 0 or np.ptp(values) == 0.0:
        return None
    # single-precision heights are not exact multiples of a decimal step
    slack = 4.0 * np.spacing(np.float32(np.abs(values).max()))
    for step in _STEPS:
        if np.ptp(values) < step or slack > step / 8.0:
            continue
        if np.mean(np.abs(values - np.rint(values / step) * step) <= slack) > 0.999:
            return step
    return None


def estimated(patches: Sequence[Array], cell_m: float) -> SurveyQuality:
    """What a raster resolves, from its own heights.

    Second differences of ground at distance s, |z(x - s) - 2 z(x) + z(x + s)|, grow slowly with s. Between the nodes of
    an interpolated model they grow fast, and at the distance of its nodes that breaks: there is the source's cell.
    Where the nearest of the coarse heights was repeated, whole blocks are equal instead.

    Parameters
    ----------
    patches : sequence of (rows, columns) arrays
        Pieces of the raster as it is stored, m; NaN where unknown.
    cell_m : float
        Its cell, m.
    """
    usable = [patch for patch in patches if min(patch.shape) >= 8 and np.isfinite(patch).mean() > 0.5]
    step = height_step(usable)
    plain = SurveyQuality(cell_m, "cell", method="cells", height_step_m=step)
    if not usable:
        return plain
    block = max((_block(patch, step) for patch in usable), default=1.0)
    if block >= 1.5:
        return replace(
            plain, resolves_m=block * cell_m, source_cell_m=block * cell_m, origin="estimated", method="repeated"
        )
    rounding = _rounding(usable, step)
    facets = float(np.median([_facets(patch, rounding, cell_m) for patch in usable]))
    break_at = facets if facets >= 1.5 else _break(usable, rounding, cell_m)
    if break_at is None:
        return plain
    if break_at <= 1.5:
        return replace(plain, origin="estimated")
    return replace(
        plain,
        resolves_m=break_at * cell_m,
        source_cell_m=break_at * cell_m,
        origin="estimated",
        method="interpolated",
    )


def _block(patch: Array, step: float | None) -> float:
    """Side of the blocks of equal heights that a patch is made of, in cells; 1 where it is not."""
    across = [_spacing_of_edges(z) for z in (patch, patch.T)]
    if min(across) > 1.0:
        return float(np.mean(across))
    if step is not None:
        return 1.0  # rounded heights are equal over irregular areas
    # a source turned against this grid: blocks of equal heights everywhere, and edges everywhere
    equal = (np.diff(patch, axis=1)[:-1] == 0.0) & (np.diff(patch, axis=0)[:, :-1] == 0.0)
    local = uniform_filter(equal.astype(float), 32)[16::32, 16::32]
    share = float(np.median(local)) if local.size else 0.0
    return 1.0 / (1.0 - np.sqrt(share)) if 0.2 < share < 0.999 and np.mean(local < 0.999) > 0.8 else 1.0


def _spacing_of_edges(patch: Array) -> float:
    """Cells between the columns at which heights change, where all rows change there and nowhere else; else 1."""
    jumps = np.abs(np.diff(patch, axis=1))
    known = np.isfinite(jumps)
    differ = (known & (jumps > 0.0)).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    edges = np.flatnonzero(differ > 0.01)
    if edges.size < 3 or np.median(differ[edges]) < 0.5:
        return 1.0
    gaps = np.diff(edges)
    middle = float(np.mean(gaps))
    return middle if middle >= 1.5 and np.mean(np.abs(gaps - middle) <= 1.0) > 0.8 else 1.0


def _unbroken(z: Array, distance: int, cell_m: float) -> Array:
    """Second differences along rows at a distance in cells, where no wall, roof or hole stands between."""
    bend = z[:, 2 * distance :] - 2.0 * z[:, distance:-distance] + z[:, : -2 * distance]
    steps = np.cumsum(np.abs(np.diff(z, axis=1, prepend=z[:, :1])) > max(_STEP_M, cell_m), axis=1)
    free = steps[:, 2 * distance :] == steps[:, : -2 * distance]
    return np.asarray(np.where(free, bend, np.nan))


def _differences(patches: Sequence[Array], distance: int, cell_m: float) -> float | None:
    """Root mean square of second differences at a distance in cells, along rows and columns."""
    found = [
        _unbroken(z, distance, cell_m).ravel()
        for patch in patches
        for z in (patch, patch.T)
        if z.shape[1] > 2 * distance
    ]
    bends = np.concatenate(found) if found else np.empty(0)
    bends = bends[np.isfinite(bends)]
    return float(np.sqrt(np.mean(bends**2))) if bends.size >= 50 else None


def _rounding(patches: Sequence[Array], step: float | None) -> float:
    """What the rounding of heights makes of a second difference, root mean square: 6 variances of step**2 / 12."""
    highest = max(float(np.nanmax(np.abs(patch))) for patch in patches)
    return max(step or 0.0, float(np.spacing(np.float32(highest)))) / float(np.sqrt(2.0))


def _facets(patch: Array, rounding: float, cell_m: float) -> float:
    """Distance of the nodes between which a patch is straight, in cells; 1 where it is not made of straight pieces.

    A node or an edge of a triangle bends two neighbouring differences. A line meets one node a cell of a grid, but
    2.16 edges a spacing of scattered points (Poisson points of density n have Delaunay edges of mean length
    32 / (9 pi sqrt(n)), three a point: Okabe et al. 2000, Spatial Tessellations, table 5.11.1; from memory).
    """
    spacings = []
    for z in (patch, patch.T):
        bend = np.abs(_unbroken(z, 1, cell_m))
        known = np.isfinite(bend)
        clear, some = bend > 8.0 * rounding, bend > 3.0 * rounding
        share = float(clear[known].mean()) if known.any() else 1.0
        runs = float((some[:, 1:] & ~some[:, :-1]).sum() + some[:, 0].sum())
        if not 0.0 < share < 0.4 or some.sum() > 4.0 * runs or some.sum() > 1.5 * clear.sum():
            return 1.0
        tile = max(int(8.0 / share), 8)
        held = [clear[i : i + tile, j : j + tile].any() for i, j in _corners(clear.shape, tile)]
        if np.mean(held) < 0.8:
            return 1.0  # edges here and there on even ground, not all over it
        columns = (clear & known).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
        in_lines = columns[columns > 0.6].sum() > 0.5 * columns.sum()
        spacings.append((1.0 if in_lines else 2.16) * 2.0 / share)
    return float(np.sqrt(spacings[0] * spacings[1]))


def _corners(shape: tuple[int, ...], tile: int) -> list[tuple[int, int]]:
    rows, columns = (range(0, max(size - tile, 0) + 1, tile) for size in shape)
    return [(i, j) for i in rows for j in columns]


def _break(patches: Sequence[Array], rounding: float, cell_m: float) -> float | None:
    """Distance in cells from which differences grow as ground's do; None where heights are too even to tell."""
    scales: list[int] = []
    sizes: list[float] = []
    for distance in _LADDER:
        size = _differences(patches, distance, cell_m)
        if size is None:
            break
        if size > _ABOVE_ROUNDING * rounding:
            scales.append(distance)
            sizes.append(float(np.sqrt(size**2 - rounding**2)))
    if len(scales) < 3:
        return None
    growth = np.diff(np.log(sizes)) / np.diff(np.log(scales))
    middle = np.sqrt(np.array(scales[1:]) * np.array(scales[:-1]))
    calm = np.flatnonzero(growth < STEEP)
    if calm.size == 0:
        return float(scales[-1])
    first = int(calm[0])
    if first == 0:
        return float(scales[0])
    share = (growth[first - 1] - STEEP) / (growth[first - 1] - growth[first])
    return float(np.exp(np.log(middle[first - 1]) + share * np.log(middle[first] / middle[first - 1])))
