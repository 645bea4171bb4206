"""Earthwork volumes by the three methods an engineer lays side by side: grid, average end area, prismoid.

Sources: Ghilani and Wolf, Elementary Surveying, chapter "Volumes" (average end area, prismoidal formula, unit-area
method); the prismoidal formula is Simpson's rule along the alignment, exact for any solid whose section area is a cubic
in chainage.
"""

from __future__ import annotations

import numpy as np

from geotools.errors import NumericInputError

__all__ = ["average_end_area", "grid_volumes", "prismoidal", "prismoidal_correction", "section_areas"]


def grid_volumes(existing: np.ndarray, design: np.ndarray, cell_area: float) -> tuple[float, float]:
    """Volume of cut and of fill, cell by cell (unit-area method with one level per cell).

    existing, design : same shape, levels; cells that are not finite in either count nothing. cell_area : m2.
    """
    _same_shape(existing, design)
    change = np.where(np.isfinite(design) & np.isfinite(existing), design - existing, 0.0)
    return float(-change[change < 0].sum() * cell_area), float(change[change > 0].sum() * cell_area)


def section_areas(offset: np.ndarray, existing: np.ndarray, design: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Area of cut and of fill of each cross-section, with both surfaces straight between the offsets.

    offset : (m,) increasing or decreasing. existing, design : (n, m) levels. Returns two (n,) arrays, m2.
    """
    _same_shape(existing, design)
    existing, design = np.atleast_2d(existing), np.atleast_2d(design)
    width = np.abs(np.diff(offset))
    left, right = (design - existing)[:, :-1], (design - existing)[:, 1:]

    def positive(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        """Mean of the positive part of a straight segment from a to b: a triangle where the sign changes."""
        span = np.abs(a - b)
        crossing = np.maximum(a, b) ** 2 / (2 * np.where(span > 0, span, 1.0))
        return np.where(a * b < 0, crossing, (np.maximum(a, 0) + np.maximum(b, 0)) / 2)

    return (positive(-left, -right) * width).sum(axis=1), (positive(left, right) * width).sum(axis=1)


def average_end_area(chainage: np.ndarray, area: np.ndarray) -> float:
    """Volume between sections as the mean of the two end areas times their distance.

    chainage, area : (n,). Too large for solids that taper to nothing (a pyramid comes out half as large again).
    """
    chainage, area = _stations(chainage, area)
    return float(np.sum(np.diff(chainage) * (area[:-1] + area[1:]) / 2))


def prismoidal(chainage: np.ndarray, area: np.ndarray, middle_area: np.ndarray) -> float:
    """Volume by the prismoidal formula L (A1 + 4 Am + A2) / 6.

    chainage, area : (n,) at the sections. middle_area : (n - 1,) area half-way between neighbouring sections,
    measured there and not the mean of the end areas.
    """
    chainage, area = _stations(chainage, area)
    middle_area = np.asarray(middle_area, float)
    if middle_area.shape != (len(area) - 1,):
        raise NumericInputError(
            "The prismoidal formula needs one middle area for every interval.",
            found=f"{middle_area.size} middle areas for {len(area)} sections",
            expected=f"{len(area) - 1} middle areas",
        )
    return float(np.sum(np.diff(chainage) * (area[:-1] + 4 * middle_area + area[1:]) / 6))


def prismoidal_correction(length: float, height_1: float, width_1: float, height_2: float, width_2: float) -> float:
    """What average end area gives too much over triangular sections: L (c1 - c2)(w1 - w2) / 12, to be subtracted."""
    return length * (height_1 - height_2) * (width_1 - width_2) / 12


def _same_shape(existing: np.ndarray, design: np.ndarray) -> None:
    if np.shape(existing) != np.shape(design):
        raise NumericInputError(
            "Existing and design levels do not lie on the same cells.",
            found=f"{np.shape(existing)} and {np.shape(design)}",
            expected="equal shapes",
            mend="Resample one surface onto the cells of the other first.",
        )


def _stations(chainage: np.ndarray, area: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    chainage, area = np.asarray(chainage, float), np.asarray(area, float)
    if chainage.shape != area.shape or len(chainage) < 2 or (np.diff(chainage) <= 0).any() or (area < 0).any():
        raise NumericInputError(
            "Sections do not bound a volume.",
            found=f"chainages {chainage}, areas {area}",
            expected="two or more sections, chainages increasing, areas not negative",
        )
    return chainage, area
