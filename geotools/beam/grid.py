"""The solver's grid: how fine in height, how high, how many steps along the beam."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geotools.beam.antenna import waist
from geotools.beam.closed_form import fresnel_radius
from geotools.beam.profile import Beam, Profile, capped_ground

__all__ = ["ABSORBER_SHARE", "BeamGrid", "choose_grid"]

ABSORBER_SHARE = 0.4
"""Upper part of the grid that absorbs, so that what leaves upward does not come back."""

LOWEST_TOP_M = 2.3
"""Height above ground (metres) that every grid clears below its absorbing part, so that a person standing is inside."""

_COARSER = 1.5
"""How much wider the heights of a beam lie that is solved for changes only."""

_BLOCK = 16
_SIZES = (96, 128, 160, 192, 256, 320, 384, 512, 640, 768, 1024, 1280, 1536, 2048)


@dataclass(frozen=True)
class BeamGrid:
    """Uniform grid of one beam: ``ground_m`` (steps + 1,) at spacing ``dx`` and ``size`` heights at spacing ``dz``.

    The heights of the heads are above this ground, which is the true one but where that is too steep for the field.
    """

    dx: float
    dz: float
    size: int
    ground_m: NDArray[np.float64]
    tx_height_m: float
    rx_height_m: float

    @property
    def chainage_m(self) -> NDArray[np.float64]:
        """(steps + 1,) metres from the transmitter."""
        return np.arange(self.ground_m.size, dtype=np.float64) * self.dx


def _step(x: Profile, h: Profile, wavelength: float) -> float:
    """Longest step that leaves the ground between two nodes within an eighth of a wavelength of its true shape."""
    if x.size < 3:
        return 0.5
    slopes = np.diff(h) / np.diff(x)
    bend = np.abs(np.diff(slopes)) / (0.5 * (x[2:] - x[:-2]))
    return min(max(math.sqrt(wavelength / max(float(bend.max()), 1e-9)), 0.25), 0.5)


def choose_grid(beam: Beam, x: Profile, h: Profile, step_m: float | None, dz_m: float | None) -> BeamGrid:
    """The grid for a beam over its checked profile.

    Height spacing: the field holds the vertical wavenumbers of the head's pattern and of the ground's slope against
    the line of the heads; the spacing samples both. Height: the line of the heads, and several first Fresnel radii
    above it, below the absorbing part. Steps: the profile's own nodes when they are even and close enough (the split
    step is exact over ground that is straight between nodes), else even nodes close enough for the ground's curvature.
    """
    head = beam.head_type
    k, length = head.wavenumber, float(x[-1])
    spacing = np.diff(x)
    even = float(spacing.max() - spacing.min()) < 1e-6 * length
    if step_m is None and even and beam.coarse:
        nodes = x.size
    else:
        wanted = step_m if step_m is not None else _step(x, h, head.wavelength_m)
        longest_kept = 1.0 if beam.detail_m is None else 1.25 * wanted
        if step_m is None and even and 0.8 * wanted <= spacing[0] <= longest_kept:
            nodes = x.size
        elif step_m is None and even and spacing[0] > longest_kept:
            nodes = (x.size - 1) * math.ceil(float(spacing[0]) / (1.0 if beam.detail_m is None else wanted) - 1e-9) + 1
        else:
            nodes = max(8, round(length / wanted)) + 1
    dx = length / (nodes - 1)
    even_x = np.arange(nodes, dtype=np.float64) * dx
    ground = np.interp(even_x, x, h)
    if beam.detail_m is not None:
        ground += np.interp(even_x, *beam.detail_m)
    ground = capped_ground(even_x, ground)
    line = h[0] + beam.tx_height_m + (h[-1] + beam.rx_height_m - h[0] - beam.tx_height_m) * even_x / length
    clearance = line - ground
    w0 = waist(k, head.beamwidth_el_deg)
    pattern = 2.0 * math.sqrt(math.log(1e3)) / (k * w0)
    slope = float(np.abs(np.diff(ground - line)).max()) / dx
    dz = dz_m if dz_m is not None else min(max(0.8 * math.pi / (k * (pattern + slope)), 0.004), 0.03)
    if dz_m is None and clearance.min() < 0.5 * min(beam.tx_height_m, beam.rx_height_m):
        dz *= 0.65  # a beam that grazes or creeps over high ground is held close to it
    if dz_m is None and beam.coarse:
        dz *= _COARSER
    reach = 3.0 * float(fresnel_radius(head.wavelength_m, length / 2.0, length / 2.0))
    free_height = max(float(clearance.max()) + max(reach, 3.0 * w0), LOWEST_TOP_M)
    need = free_height / (1.0 - ABSORBER_SHARE) / dz
    size = next((s for s in _SIZES if s >= need), _BLOCK * math.ceil(need / _BLOCK))
    # a head at the foot of a wall stands below the closed ground: it radiates into the bank and is as good as dark
    tx = max(h[0] + beam.tx_height_m - ground[0], 0.01)
    rx = max(h[-1] + beam.rx_height_m - ground[-1], 0.01)
    return BeamGrid(dx=dx, dz=dz, size=size, ground_m=ground, tx_height_m=float(tx), rx_height_m=float(rx))
