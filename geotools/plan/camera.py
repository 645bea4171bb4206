"""What a camera resolves at a distance: pixels per metre, field of view, and the operational classes they allow.

Thin lens: at distance d the picture is ``d * sensor / focal length`` wide, so its density is
``pixels * focal length / (sensor * d)``. The density classes are those of IEC 62676-4:2014 (from memory; verify before
relying on them).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.errors import NumericInputError

__all__ = ["DENSITY_CLASSES", "Sensor", "best_class", "focal_length_mm", "longest_distance_m", "pixel_density"]

DENSITY_CLASSES: dict[str, float] = {
    "monitor": 12.5,
    "detect": 25.0,
    "observe": 62.5,
    "recognise": 125.0,
    "identify": 250.0,
    "inspect": 1000.0,
}
"""Pixels per metre at the person, lowest first (IEC 62676-4:2014, from memory; superseded by an edition of 2025)."""


@dataclass(frozen=True)
class Sensor:
    """An image sensor.

    width_mm, height_mm : light-sensitive area. width_px, height_px : pixels across and down.

    Raises
    ------
    NumericInputError : a size that is not above zero.
    """

    width_mm: float
    height_mm: float
    width_px: int
    height_px: int

    def __post_init__(self) -> None:
        if not min(self.width_mm, self.height_mm, self.width_px, self.height_px) > 0:
            raise NumericInputError("a sensor's size is not above zero", found=self, expected="millimetres and pixels")

    def field_deg(self, focal_mm: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Horizontal and vertical field of view of a lens, degrees."""
        focal = np.asarray(focal_mm, dtype=np.float64)
        return (
            np.degrees(2 * np.arctan(self.width_mm / (2 * focal))),
            np.degrees(2 * np.arctan(self.height_mm / (2 * focal))),
        )


def _above_zero(what: str, value: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(value, dtype=np.float64)
    wrong = ~(array > 0)
    if np.any(wrong):
        raise NumericInputError(
            f"a {what} is not above zero",
            found=f"{array[wrong].flat[0]:g}, {int(wrong.sum())} of {array.size}",
            expected="above 0",
        )
    return array


def pixel_density(sensor: Sensor, focal_mm: ArrayLike, distance_m: ArrayLike) -> NDArray[np.float64]:
    """Pixels per metre across the picture at a distance from the camera, any shapes that broadcast."""
    focal, distance = _above_zero("focal length", focal_mm), _above_zero("distance", distance_m)
    return np.asarray(sensor.width_px * focal / (sensor.width_mm * distance))


def focal_length_mm(sensor: Sensor, density: ArrayLike, distance_m: ArrayLike) -> NDArray[np.float64]:
    """Focal length that gives a density (px/m) at a distance, mm."""
    wanted, distance = _above_zero("pixel density", density), _above_zero("distance", distance_m)
    return np.asarray(wanted * sensor.width_mm * distance / sensor.width_px)


def longest_distance_m(sensor: Sensor, focal_mm: ArrayLike, density: ArrayLike) -> NDArray[np.float64]:
    """Distance up to which a lens gives a density (px/m), m."""
    focal, wanted = _above_zero("focal length", focal_mm), _above_zero("pixel density", density)
    return np.asarray(sensor.width_px * focal / (sensor.width_mm * wanted))


def best_class(density: float) -> str:
    """The highest class that a density (px/m) reaches, ``none`` below the lowest; a thousandth is taken as rounding."""
    reached = [name for name, least in DENSITY_CLASSES.items() if density >= least * (1 - 1e-3)]
    return reached[-1] if reached else "none"
