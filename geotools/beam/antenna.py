"""Heads: a radiating aperture as a Gaussian beam, with its elevation and azimuth patterns kept apart.

A head with half-power beamwidth theta is the aperture field ``exp(-s^2 / w0^2)``, whose far pattern falls to half its
power at theta/2 from the axis. The beam spreads as ``exp(-s^2 / q(x))`` with ``q(x) = w0^2 + 2 j x / k`` (time factor
exp(-j omega t)); that is the paraxial Gaussian beam of any optics handbook, for example Siegman, Lasers (1986), ch. 17.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from geotools.errors import NumericInputError

__all__ = [
    "HEAD_TYPES",
    "SPEED_OF_LIGHT",
    "HeadType",
    "lateral_density",
    "lateral_fraction",
    "lateral_share",
    "pointing_loss",
    "waist",
]

SPEED_OF_LIGHT = 299_792_458.0
"""Metres per second (exact, SI)."""


@dataclass(frozen=True)
class HeadType:
    """A kind of head, transmitter or receiver.

    Parameters
    ----------
    name : what the site file calls it.
    frequency_hz : carrier frequency, hertz (1 to 100 GHz).
    beamwidth_az_deg, beamwidth_el_deg : half-power beamwidths, degrees (0.5 to 40).
    max_range_m : longest zone the head serves, metres.

    Raises
    ------
    NumericInputError : a value outside its range.
    """

    name: str
    frequency_hz: float
    beamwidth_az_deg: float
    beamwidth_el_deg: float
    max_range_m: float

    def __post_init__(self) -> None:
        for field, low, high in (
            ("frequency_hz", 1e9, 100e9),
            ("beamwidth_az_deg", 0.5, 40.0),
            ("beamwidth_el_deg", 0.5, 40.0),
            ("max_range_m", 1.0, 5000.0),
        ):
            value = getattr(self, field)
            if not (isinstance(value, (int, float)) and math.isfinite(value) and low <= value <= high):
                raise NumericInputError(
                    f"the head type's {field} is out of range",
                    where=f"head type {self.name!r}",
                    found=value,
                    expected=f"{low:g} to {high:g}",
                    mend="check the unit: hertz, degrees and metres are meant",
                )

    @property
    def wavelength_m(self) -> float:
        """Wavelength in air, metres."""
        return SPEED_OF_LIGHT / self.frequency_hz

    @property
    def wavenumber(self) -> float:
        """k = 2 pi / wavelength, radians per metre."""
        return 2.0 * math.pi / self.wavelength_m


HEAD_TYPES: dict[str, HeadType] = {
    head.name: head
    for head in (
        HeadType("10 GHz", 10.525e9, 6.0, 6.0, 150.0),
        HeadType("24 GHz", 24.125e9, 3.5, 3.5, 300.0),
    )
}
"""One generic class of head for each band. Ranges and beamwidths are round placeholders: no equipment is meant, and a
site file gives the figures of its own heads in their place. Carriers: about the middle of 10.5 to 10.55 GHz (47 CFR
15.245) and of 24.0 to 24.25 GHz (ITU Radio Regulations 5.150), both from memory."""


def waist(wavenumber: float, beamwidth_deg: float) -> float:
    """Aperture radius w0 in metres whose far pattern has this half-power beamwidth: sqrt(2 ln 2) / (k sin(theta/2))."""
    return math.sqrt(2.0 * math.log(2.0)) / (wavenumber * math.sin(math.radians(beamwidth_deg) / 2.0))


def _lateral(
    head_type: HeadType, chainage_m: NDArray[np.float64], length_m: float, pan_deg: tuple[float, float]
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Curvature c and complex centre y0 of the product of the two lateral beams, ``exp(-c (y - y0)^2)``; both (n,)."""
    k = head_type.wavenumber
    w0 = waist(k, head_type.beamwidth_az_deg)
    near = 1.0 / (w0**2 + 2j * chainage_m / k)
    far = 1.0 / (w0**2 + 2j * (length_m - chainage_m) / k)
    # an aperture turned by an angle is the same aperture about a complex centre
    tx0, rx0 = (0.5j * k * math.sin(math.radians(angle)) * w0**2 for angle in pan_deg)
    curvature = np.asarray(near + far)
    return curvature, np.asarray((near * tx0 + far * rx0) / curvature)


def lateral_fraction(
    head_type: HeadType,
    chainage_m: NDArray[np.float64],
    length_m: float,
    offset_m: NDArray[np.float64],
    width_m: float,
    *,
    pan_deg: tuple[float, float] = (0.0, 0.0),
) -> NDArray[np.float64]:
    """Magnitude |L| of :func:`lateral_share`, (n, k); it may exceed 1 by a little, as an edge's diffraction does."""
    return np.abs(lateral_share(head_type, chainage_m, length_m, offset_m, width_m, pan_deg=pan_deg))


def lateral_share(
    head_type: HeadType,
    chainage_m: NDArray[np.float64],
    length_m: float,
    offset_m: NDArray[np.float64],
    width_m: float,
    *,
    pan_deg: tuple[float, float] = (0.0, 0.0),
) -> NDArray[np.complex128]:
    """Share L of the signal's lateral overlap that a screen of this width cuts out.

    Parameters
    ----------
    chainage_m : (n,) metres from the transmitter. length_m : transmitter to receiver.
    offset_m : (n, k) or broadcastable, centre of the screen from the beam line, positive to the left.
    width_m : width of the screen across the beam.
    pan_deg : azimuth pointing error of transmitter and receiver, degrees, positive to the left.

    Returns
    -------
    (n, k) complex ratio, in the signal's phase.
    """
    offset = np.asarray(offset_m, dtype=float)
    shared = offset.ndim == 1
    if not shared:
        offset = np.ascontiguousarray(np.broadcast_to(offset, (chainage_m.size, offset.shape[-1])))
    return _fraction(
        head_type, np.asarray(chainage_m, dtype=float).tobytes(), length_m, offset.tobytes(), shared, width_m, pan_deg
    )


@lru_cache(maxsize=256)
def _fraction(
    head_type: HeadType,
    chainage: bytes,
    length_m: float,
    offset: bytes,
    shared: bool,
    width_m: float,
    pan_deg: tuple[float, float],
) -> NDArray[np.complex128]:
    """`lateral_share` itself, kept: it knows no ground, so that one zone needs it again and again."""
    chainage_m = np.frombuffer(chainage)
    across = np.frombuffer(offset).reshape((1, -1) if shared else (chainage_m.size, -1))
    curvature, centre = _lateral(head_type, chainage_m, length_m, pan_deg)
    root = np.sqrt(curvature)[:, None]
    shifted = across - centre[:, None]
    upper = erf(root * (shifted + width_m / 2.0))
    lower = erf(root * (shifted - width_m / 2.0))
    found = np.asarray(0.5 * (upper - lower))
    found.flags.writeable = False
    return found


def lateral_density(
    head_type: HeadType,
    chainage_m: NDArray[np.float64],
    length_m: float,
    offset_m: NDArray[np.float64],
    pan_deg: tuple[float, float] = (0.0, 0.0),
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.complex128]]:
    """Density of the signal's lateral overlap, of which :func:`lateral_share` is the integral over a width.

    Parameters
    ----------
    chainage_m : (n,) metres from the transmitter. length_m : transmitter to receiver.
    offset_m : (n, k) metres from the beam line, positive to the left.
    pan_deg : azimuth pointing error of transmitter and receiver, degrees, positive to the left.

    Returns
    -------
    density (n, k), 1/m, ``sqrt(c / pi) exp(-c (y - y0)^2)``; curvature c (n,), 1/m2; centre y0 (n,), m; all complex.
    """
    curvature, centre = _lateral(head_type, chainage_m, length_m, pan_deg)
    exponent = -curvature[:, None] * (offset_m - centre[:, None]) ** 2
    return np.asarray(np.sqrt(curvature / math.pi)[:, None] * np.exp(exponent)), curvature, centre


def pointing_loss(head_type: HeadType, length_m: float, pan_deg: tuple[float, float]) -> float:
    """Signal amplitude, 0 to 1, kept when the heads point this far (degrees) to the side of each other."""
    k = head_type.wavenumber
    w0 = waist(k, head_type.beamwidth_az_deg)
    kappa = [k * math.sin(math.radians(angle)) for angle in pan_deg]
    near, far = 1.0 / w0**2, 1.0 / (w0**2 + 2j * length_m / k)
    apart = 0.5j * w0**2 * (kappa[0] - kappa[1])
    exponent = -near * far / (near + far) * apart**2 - (kappa[0] ** 2 + kappa[1] ** 2) * w0**2 / 4.0
    return float(abs(np.exp(exponent)))
