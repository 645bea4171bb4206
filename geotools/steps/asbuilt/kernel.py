"""Surveyed levels against design levels on grid cells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

__all__ = ["Comparison", "OutArea", "compare"]


@dataclass(frozen=True)
class OutArea:
    """Connected cells out of tolerance the same way: flat indices, largest difference (survey less design) and
    volume.
    """

    cells: npt.NDArray[np.intp]
    worst: float
    area: float
    volume: float


@dataclass(frozen=True)
class Comparison:
    """Figures of one zone. cells : compared; cells_out : out of tolerance; mean, rms, worst in m; areas worth
    showing.
    """

    cells: int
    cells_out: int
    mean: float
    rms: float
    worst: float
    areas: list[OutArea]


def compare(
    design: np.ndarray, survey: np.ndarray, cell_area: float, *, tolerance: float, least_area: float
) -> Comparison:
    """Compare two surfaces cell by cell.

    Parameters
    ----------
    design, survey : (rows, columns) levels, nan where a cell is not to be compared or was not surveyed.
    tolerance : difference that passes, m. least_area : smaller areas out of tolerance are counted and not shown, m2.
    """
    away = survey - design
    known = np.isfinite(away)
    values = away[known]
    if not len(values):
        return Comparison(0, 0, float("nan"), float("nan"), float("nan"), [])
    areas = []
    for sign in (1, -1):
        out = known & (sign * np.nan_to_num(away) > tolerance)
        labels, count = ndimage.label(out)
        for number in range(1, count + 1):
            cells = np.flatnonzero(labels == number)
            size = len(cells) * cell_area
            if size + 1e-9 < least_area:
                continue
            part = away.ravel()[cells]
            worst = float(part[np.argmax(np.abs(part))])
            areas.append(OutArea(cells, worst, size, float(np.abs(part).sum() * cell_area)))
    return Comparison(
        int(known.sum()),
        int((np.abs(values) > tolerance).sum()),
        float(values.mean()),
        float(np.sqrt((values**2).mean())),
        float(values[np.argmax(np.abs(values))]),
        sorted(areas, key=lambda a: -a.area),
    )
