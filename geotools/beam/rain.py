"""Rain: specific attenuation after Recommendation ITU-R P.838-3 (2005)."""

from __future__ import annotations

import math

import numpy as np

from geotools.errors import NumericInputError

__all__ = ["HEAVIEST_MM_H", "rain_coefficients", "rain_fade_db", "rain_rate_for_fade", "specific_attenuation_db_per_km"]

HEAVIEST_MM_H = 500.0
"""Heaviest rain that is looked at, millimetres an hour."""

# Tables 1 to 4: rows of (a_j, b_j, c_j), then (m, c)
_K_H = (
    (
        (-5.33980, -0.10008, 1.13098),
        (-0.35351, 1.26970, 0.45400),
        (-0.23789, 0.86036, 0.15354),
        (-0.94158, 0.64552, 0.16817),
    ),
    (-0.18961, 0.71147),
)
_K_V = (
    (
        (-3.80595, 0.56934, 0.81061),
        (-3.44965, -0.22911, 0.51059),
        (-0.39902, 0.73042, 0.11899),
        (0.50167, 1.07319, 0.27195),
    ),
    (-0.16398, 0.63297),
)
_ALPHA_H = (
    (
        (-0.14318, 1.82442, -0.55187),
        (0.29591, 0.77564, 0.19822),
        (0.32177, 0.63773, 0.13164),
        (-5.37610, -0.96230, 1.47828),
        (16.1721, -3.29980, 3.43990),
    ),
    (0.67849, -1.95537),
)
_ALPHA_V = (
    (
        (-0.07771, 2.33840, -0.76284),
        (0.56727, 0.95545, 0.54039),
        (-0.20238, 1.14520, 0.26809),
        (-48.2991, 0.791669, 0.116226),
        (48.5833, 0.791459, 0.116479),
    ),
    (-0.053739, 0.83433),
)
_Table = tuple[tuple[tuple[float, float, float], ...], tuple[float, float]]


def _curve(table: _Table, log_f: float) -> float:
    bumps, (slope, shift) = table
    return sum(a * math.exp(-(((log_f - b) / c) ** 2)) for a, b, c in bumps) + slope * log_f + shift


def specific_attenuation_db_per_km(
    frequency_hz: float, rain_rate_mm_h: float, *, polarisation: str = "circular", elevation_deg: float = 0.0
) -> float:
    """Attenuation by rain, decibels a kilometre: gamma = k R^alpha, coefficients of ITU-R P.838-3 equations 1 to 5.

    Parameters
    ----------
    frequency_hz : 1 to 1000 GHz, in hertz.
    rain_rate_mm_h : rain rate, millimetres an hour.
    polarisation : ``horizontal``, ``vertical`` or ``circular`` (tilt 45 degrees).
    elevation_deg : path elevation, degrees.

    Raises
    ------
    NumericInputError : frequency, rate or polarisation out of range.
    """
    if not 0.0 <= rain_rate_mm_h <= HEAVIEST_MM_H:
        raise NumericInputError("rain rate out of range", found=rain_rate_mm_h, expected="0 to 500 mm/h")
    k, alpha = rain_coefficients(frequency_hz, polarisation=polarisation, elevation_deg=elevation_deg)
    return float(k * np.power(rain_rate_mm_h, alpha))


def rain_coefficients(
    frequency_hz: float, *, polarisation: str = "circular", elevation_deg: float = 0.0
) -> tuple[float, float]:
    """Coefficients k and alpha of ITU-R P.838-3, equations 2 to 5; parameters as `specific_attenuation_db_per_km`."""
    tilts = {"horizontal": 0.0, "vertical": 90.0, "circular": 45.0}
    if polarisation not in tilts:
        raise NumericInputError("unknown polarisation", found=polarisation, expected=", ".join(tilts))
    if not 1e9 <= frequency_hz <= 1e12:
        raise NumericInputError("frequency outside the recommendation", found=frequency_hz, expected="1e9 to 1e12 Hz")
    log_f = math.log10(frequency_hz / 1e9)
    k_h, k_v = 10.0 ** _curve(_K_H, log_f), 10.0 ** _curve(_K_V, log_f)
    a_h, a_v = _curve(_ALPHA_H, log_f), _curve(_ALPHA_V, log_f)
    twist = math.cos(math.radians(elevation_deg)) ** 2 * math.cos(2.0 * math.radians(tilts[polarisation]))
    k = (k_h + k_v + (k_h - k_v) * twist) / 2.0
    alpha = (k_h * a_h + k_v * a_v + (k_h * a_h - k_v * a_v) * twist) / (2.0 * k)
    return float(k), float(alpha)


def rain_fade_db(
    frequency_hz: float, length_m: float, rain_rate_mm_h: float, *, polarisation: str = "circular"
) -> float:
    """Loss of a beam of this length in uniform rain, decibels (paths of a zone are far shorter than a rain cell)."""
    return specific_attenuation_db_per_km(frequency_hz, rain_rate_mm_h, polarisation=polarisation) * length_m / 1000.0


def rain_rate_for_fade(
    frequency_hz: float, length_m: float, fade_db: float, *, polarisation: str = "circular"
) -> float | None:
    """Rain rate at which a beam of this length loses so much, mm/h: (gamma / k)^(1 / alpha) of ITU-R P.838-3.

    None where no rain up to `HEAVIEST_MM_H` takes as much.
    """
    if not (length_m > 0.0 and fade_db > 0.0):
        raise NumericInputError("no length or no fade", found=f"{length_m:g} m, {fade_db:g} dB", expected="above 0")
    k, alpha = rain_coefficients(frequency_hz, polarisation=polarisation)
    rate = float((fade_db * 1000.0 / length_m / k) ** (1.0 / alpha))
    return rate if rate <= HEAVIEST_MM_H else None
