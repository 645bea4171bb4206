"""Surveyed levels against design levels on grid cells: what is out of tolerance, and what was not measured closely."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

__all__ = ["Comparison", "Measuring", "OutArea", "compare"]

Cells = npt.NDArray[np.intp]


@dataclass(frozen=True)
class OutArea:
    """Connected cells out of tolerance the same way: flat indices, largest difference (survey less design) and
    volume. Of ground that was not measured at all both are nan.
    """

    cells: Cells
    worst: float
    area: float
    volume: float


@dataclass(frozen=True)
class Comparison:
    """Figures of one zone. cells : compared; cells_out : out of tolerance; mean, rms, worst in m; areas : out of
    tolerance, large enough to be shown; open : as large, but not measured closely enough to be called so.
    """

    cells: int
    cells_out: int
    mean: float
    rms: float
    worst: float
    areas: list[OutArea]
    open: list[OutArea]

    @property
    def open_m2(self) -> float:
        """Area that was not measured closely enough, m2."""
        return float(sum(area.area for area in self.open))


@dataclass(frozen=True)
class Measuring:
    """How closely the levels that are compared were measured.

    between_m : float or (2, rows, columns) array
        How far above (first) and below (second) the design a survey of a surface exactly as designed may come out
        between its points, m; 0 where the levels are those of measured points.
    accuracy_m : float
        Of one measured level, 95 %, m; 0 where nobody states it, and every level is then taken at its word.
    spacing_m : float
        Between measured points, m; 0 where every cell stands for one.
    nearest : (rows, columns) array of int, optional
        Number of the measured point that a cell has its level from; if not given, the spacing says how many there are.
    """

    between_m: float | npt.NDArray[np.float64] = 0.0
    accuracy_m: float = 0.0
    spacing_m: float = 0.0
    nearest: npt.NDArray[np.intp] | None = None

    def count(self, cells: Cells, cell_area: float) -> float:
        """How many measured points an area of cells rests on."""
        if self.nearest is not None:
            return float(np.unique(self.nearest.ravel()[cells]).size)
        return max(len(cells) * cell_area / max(self.spacing_m**2, cell_area), 1.0)


def compare(
    design: np.ndarray,
    survey: np.ndarray,
    cell_area: float,
    *,
    tolerance: float | np.ndarray,
    least_area: float,
    measuring: Measuring | None = None,
) -> Comparison:
    """Compare two surfaces cell by cell.

    An area is out of tolerance where its mean lies beyond the tolerance by more than the uncertainty of that mean
    (accuracy over the root of the number of points), and by what interpolation may make of a surface as designed. An
    area beyond the tolerance for which that cannot be said is open, as is one where nothing was measured: neither has
    been shown to be right or wrong (the rule of ISO 14253-1 for what lies in the range of uncertainty; edition and
    clause from memory).

    Parameters
    ----------
    design, survey : (rows, columns) array
        Levels, m; nan where a cell is not to be compared (design), or was not surveyed.
    cell_area : float
        Of one cell, m2.
    tolerance : float or (rows, columns) array
        Difference that passes, m.
    least_area : float
        Smaller areas are counted and not shown, m2.
    measuring : Measuring, optional
        How closely the survey was measured; if not given, as closely as there are cells, without uncertainty.

    Returns
    -------
    Comparison
        Its areas with the largest first.
    """
    how = measuring or Measuring()
    away = survey - design
    known = np.isfinite(away)
    missing = _areas(np.isfinite(design) & ~known, away, cell_area, least_area)
    values = away[known]
    if not len(values):
        return Comparison(0, 0, float("nan"), float("nan"), float("nan"), [], missing)
    above, below = np.broadcast_to(how.between_m, (2, *away.shape))
    areas: list[OutArea] = []
    open_: list[OutArea] = list(missing)
    count = 0
    for sign, between in ((1, above), (-1, below)):
        excess = np.where(known, sign * np.nan_to_num(away) - tolerance, -np.inf)
        surely = excess > between
        count += int(surely.sum())
        beyond = np.zeros(away.shape, bool)
        for area in _areas(surely, away, cell_area, least_area):
            mean = float(np.mean((excess - between).ravel()[area.cells]))
            if mean > how.accuracy_m / np.sqrt(how.count(area.cells, cell_area)):
                areas.append(area)
                beyond.ravel()[area.cells] = True
        # what is out beside an area that is out for certain belongs to it
        labels, _ = ndimage.label(excess > 0)
        with_one = np.isin(labels, np.unique(labels[beyond]))
        open_ += _areas((excess > 0) & ~with_one, away, cell_area, least_area)
    return Comparison(
        int(known.sum()),
        count,
        float(values.mean()),
        float(np.sqrt((values**2).mean())),
        float(values[np.argmax(np.abs(values))]),
        sorted(areas, key=lambda a: -a.area),
        sorted(open_, key=lambda a: -a.area),
    )


def _areas(mask: npt.NDArray[np.bool_], away: np.ndarray, cell_area: float, least_area: float) -> list[OutArea]:
    """Connected cells of a mask as areas, without those that are too small."""
    labels, count = ndimage.label(mask)
    found = []
    for number in range(1, count + 1):
        cells = np.flatnonzero(labels == number)
        size = len(cells) * cell_area
        if size + 1e-9 < least_area:
            continue
        part = away.ravel()[cells]
        worst = float(part[np.argmax(np.abs(part))])
        found.append(OutArea(cells, worst, size, float(np.abs(part).sum() * cell_area)))
    return found
