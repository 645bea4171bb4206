"""Closed forms that the solver is checked against, and that a designer uses by hand."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fresnel

from geotools.beam.antenna import waist

__all__ = [
    "beam_radius",
    "free_overlap",
    "fresnel_radius",
    "grazing_factor",
    "knife_edge_loss_approx_db",
    "knife_edge_loss_db",
    "knife_edge_nu",
    "two_ray_level_db",
]


def fresnel_radius(wavelength_m: float, d1_m: ArrayLike, d2_m: ArrayLike, zone: int = 1) -> NDArray[np.float64]:
    """Radius of the n-th Fresnel ellipsoid, metres: sqrt(n lambda d1 d2 / (d1 + d2)).

    The form with constants, ``17.3 sqrt(d1 d2 / (f d))`` (kilometres and gigahertz), is in ITU-R P.530-18
    (2021), clause 2.2.1 (edition and clause from memory).
    """
    d1, d2 = np.asarray(d1_m, dtype=float), np.asarray(d2_m, dtype=float)
    return np.asarray(np.sqrt(zone * wavelength_m * d1 * d2 / (d1 + d2)))


def knife_edge_nu(wavelength_m: float, height_m: ArrayLike, d1_m: float, d2_m: float) -> NDArray[np.float64]:
    """Diffraction parameter nu of an edge standing ``height_m`` above the straight line (ITU-R P.526-15, eq. 26)."""
    return np.asarray(np.asarray(height_m, dtype=float) * math.sqrt(2.0 * (d1_m + d2_m) / (wavelength_m * d1_m * d2_m)))


def knife_edge_loss_db(nu: ArrayLike) -> NDArray[np.float64]:
    """Loss of one knife edge by the exact Fresnel integrals, decibels (ITU-R P.526-15, 4.1)."""
    s, c = fresnel(np.asarray(nu, dtype=float))
    return np.asarray(-20.0 * np.log10(np.sqrt((1.0 - c - s) ** 2 + (c - s) ** 2) / 2.0))


def knife_edge_loss_approx_db(nu: ArrayLike) -> NDArray[np.float64]:
    """ITU-R P.526-15's approximation for nu above -0.78: 6.9 + 20 log10(sqrt((nu - 0.1)^2 + 1) + nu - 0.1)."""
    shifted = np.asarray(nu, dtype=float) - 0.1
    return np.asarray(6.9 + 20.0 * np.log10(np.sqrt(shifted**2 + 1.0) + shifted))


def two_ray_level_db(
    wavelength_m: float, length_m: float, tx_height_m: float, rx_height_m: float, reflection: complex = -1.0
) -> float:
    """Level over flat ground against free space for isotropic heads, decibels (image theory, any antenna handbook)."""
    direct = math.hypot(length_m, tx_height_m - rx_height_m)
    bounced = math.hypot(length_m, tx_height_m + rx_height_m)
    phase = 2.0 * math.pi / wavelength_m * (bounced - direct)
    return 20.0 * math.log10(max(abs(1.0 + reflection * complex(math.cos(phase), math.sin(phase))), 1e-12))


def beam_radius(wavelength_m: float, waist_m: float, distance_m: ArrayLike) -> NDArray[np.float64]:
    """1/e field radius of a Gaussian beam after a distance, metres: w0 sqrt(1 + (lambda x / (pi w0^2))^2)."""
    spread = wavelength_m * np.asarray(distance_m, dtype=float) / (math.pi * waist_m**2)
    return np.asarray(waist_m * np.sqrt(1.0 + spread**2))


def free_overlap(wavenumber: float, beamwidth_deg: float, length_m: float) -> complex:
    """Overlap integral of two aimed Gaussian heads in free space, one transverse direction, metres.

    ``integral uT uR ds`` with unit amplitude at both aperture centres; the same at every cut between the heads.
    """
    w0 = waist(wavenumber, beamwidth_deg)
    q = w0**2 + 2j * length_m / wavenumber
    return complex(w0 / np.sqrt(q) * np.sqrt(math.pi / (1.0 / q + 1.0 / w0**2)))


def grazing_factor(polarisation: str | None, permittivity: complex) -> complex:
    """Factor a in the reflection coefficient at a small grazing angle, R = -exp(-2 a sin(angle)).

    First order of the Fresnel coefficients: a = 1/sqrt(e - 1) horizontal, e/sqrt(e - 1) vertical, 0 perfect mirror.
    """
    if polarisation is None:
        return 0.0
    root = np.sqrt(complex(permittivity) - 1.0)
    return complex(1.0 / root if polarisation == "horizontal" else permittivity / root)
