"""The field of a beam in three dimensions, where the ground beside the beam line matters.

The same paraxial equation with the distance across beside the height, ``2jk du/dx + d2u/dy2 + d2u/dz2 = 0``, marched
in free space by Fourier transform. The ground is followed in both directions: before each step the field above it is
continued below as minus its mirror image about the facet, in the phase of the facet's slope along the beam and moved
aside by its slope across; after the step what lies above the new facet is kept. Over ground that is level across this
is the shift map of :mod:`geotools.beam.sweep`. The strip is turned by its mean cross slope first, so that only the rest
of it is left to the image. The ground is a perfect mirror.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import fft, fftfreq, ifft, next_fast_len
from scipy.interpolate import CubicSpline

from geotools.beam.antenna import waist
from geotools.beam.closed_form import free_overlap, fresnel_radius
from geotools.beam.cross_section import cross_slope, squared
from geotools.beam.field import SIGNAL_FLOOR
from geotools.beam.profile import Beam
from geotools.beam.strip import Strip
from geotools.beam.targets import Target

__all__ = ["Field3D", "Mesh", "solve_3d"]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complexfloating]

_LAYER = 0.35
"""Share of the mesh that absorbs at its top, and of its half width at each side."""

_LEVEL = 1e-4
"""Slope across below which the image is plumb below the place."""

_FELT = 8.0
"""Depth to which the image is felt within a step, in diffraction lengths sqrt(dx / k)."""

_HALF_WIDTH_M = 4.8
"""Half width of the mesh (metres): a strip of 2 m, what mirrors beside it, and the absorbing sides."""


@dataclass(frozen=True)
class Mesh:
    """Spacings of the mesh along, across and up, metres."""

    dx: float
    dy: float
    dz: float

    @classmethod
    def of(cls, beam: Beam, length_m: float, *, finer: float = 1.0) -> Mesh:
        """The mesh for a beam: its aperture sampled across, its pattern and the ground's slopes sampled up.

        Parameters
        ----------
        beam : heads as of :class:`geotools.beam.profile.Beam`.
        length_m : transmitter to receiver.
        finer : all spacings divided by this.
        """
        head = beam.head_type
        across = 0.8 * waist(head.wavenumber, head.beamwidth_az_deg)
        pattern = 2.0 * math.sqrt(math.log(1e3)) / (head.wavenumber * waist(head.wavenumber, head.beamwidth_el_deg))
        up = float(np.clip(0.8 * math.pi / (head.wavenumber * (pattern + 0.05)), 0.01, 0.03))
        steps = math.ceil(length_m / 0.5 * finer - 1e-9)
        return cls(length_m / steps, across / finer, up / finer)


@dataclass(frozen=True)
class Field3D:
    """The solved field of one beam over a strip, in the frame turned by the strip's mean cross slope.

    Parameters
    ----------
    chainage_m : (m,) metres from the transmitter.
    across_m : (p,) metres along the slope from the beam line.
    ground_m : (m, p) square height of the ground above the line between the feet of the posts, metres.
    product : (m, p, q) product of both sweeps at heights above the ground of the column.
    dz_m : spacing of those heights.
    signal : complex, integral of the product over a cut.
    free_signal : magnitude of the same in free space.
    angle_rad : mean cross slope, positive where the ground rises to the left.
    """

    chainage_m: Floats
    across_m: Floats
    ground_m: Floats
    product: Complexes
    dz_m: float
    signal: complex
    free_signal: float
    angle_rad: float

    @property
    def standing_level_db(self) -> float:
        """The signal against free space, decibels."""
        return 20.0 * math.log10(max(abs(self.signal) / self.free_signal, 1e-12))

    def overlap(self) -> Complexes:
        """(m,) integral of the product over each cut; the same at all cuts where the ground was followed well."""
        return np.asarray(
            self.product.sum(axis=(1, 2), dtype=complex) * self.dz_m * (self.across_m[1] - self.across_m[0])
        )

    def cut(self, target: Target, row: int, across_m: Floats) -> Complexes:
        """Share of the signal that a target standing at places of one cross section takes away, (k,) complex.

        Related to max(|S|, 0.3 |S_free|) as :meth:`geotools.beam.field.BeamField.cut_grid`.

        Parameters
        ----------
        target : the silhouette; it stands square on the ground at its centre.
        row : number of the chainage.
        across_m : (k,) metres along the slope from the beam line.
        """
        scale = np.exp(-1j * np.angle(self.signal)) / max(abs(self.signal), SIGNAL_FLOOR * self.free_signal)
        heights = np.arange(self.product.shape[2]) * self.dz_m
        pieces = CubicSpline(heights, self.product[row], axis=1).antiderivative().c
        ground, half = self.ground_m[row], target.width_m / 2.0
        made = np.empty(across_m.size, dtype=complex)
        for number, place in enumerate(across_m):
            near = np.flatnonzero(np.abs(self.across_m - place) <= half + 4.0 * (self.across_m[1] - self.across_m[0]))
            foot = np.interp(place, self.across_m, ground) + target.base_m - ground[near]
            part = self._below(pieces, near, foot + target.height_m) - self._below(pieces, near, foot)
            sides = CubicSpline(self.across_m[near], part).antiderivative()
            made[number] = sides(place + half) - sides(place - half)
        return np.asarray(scale * made)

    def _below(self, pieces: Complexes, columns: NDArray[np.intp], height: Floats) -> Complexes:
        """Integral of the product from the ground of each column up to a height above it."""
        height = np.clip(height, 0.0, pieces.shape[1] * self.dz_m)
        cell = np.minimum((height / self.dz_m).astype(np.intp), pieces.shape[1] - 1)
        rest = height - cell * self.dz_m
        total = np.zeros(height.shape, dtype=complex)
        for order in pieces:
            total = total * rest + order[cell, columns]
        return total


def solve_3d(beam: Beam, strip: Strip, mesh: Mesh | None = None, *, angle_rad: float | None = None) -> Field3D:
    """Solve one beam over the ground of its whole strip; ground beyond the strip is as at its edge.

    Parameters
    ----------
    beam : heads and heights, as :meth:`Strip.beam` makes it; the ground is the strip's.
    strip : ground of the zone.
    mesh : spacings; chosen from the heads if not given.
    angle_rad : cross slope that the frame is turned by; the mean one of the strip if not given.
    """
    head, length = beam.head_type, float(strip.chainage_m[-1])
    k = head.wavenumber
    mesh = mesh or Mesh.of(beam, length)
    if angle_rad is None:
        angle_rad = float(np.median(cross_slope(strip.chainage_m, strip.offset_m, strip.ground_m)))
    count = next_fast_len(2 * math.ceil(_HALF_WIDTH_M / mesh.dy))
    across = (np.arange(count) - count // 2) * mesh.dy
    x = np.asarray(np.arange(round(length / mesh.dx) + 1) * mesh.dx, dtype=float)
    ground = _on_mesh(strip, angle_rad, x, across)
    tall = 1.2 * float(np.ptp(ground)) + max(beam.tx_height_m, beam.rx_height_m)
    tall += max(3.0 * float(fresnel_radius(head.wavelength_m, length / 2, length / 2)), 1.4)
    levels = next_fast_len(2 * math.ceil(tall / (1.0 - _LAYER) / mesh.dz)) // 2
    aim = (beam.rx_height_m - beam.tx_height_m) / length
    march = _March(k, mesh, across, levels, 2.0 / (k * waist(k, head.beamwidth_el_deg)))
    ends = [(ground, beam.tx_height_m, aim), (ground[::-1], beam.rx_height_m, -aim)]
    there, back = (march.run(g, _aperture(beam, march, g[0], height, slope)) for g, height, slope in ends)
    kept = round(levels * (1.0 - 0.5 * _LAYER))
    product = there[:, :, :kept] * back[::-1, :, :kept]
    cells = mesh.dy * mesh.dz
    middle = x.size // 2
    signal = complex((there[middle] * back[x.size - 1 - middle]).sum(dtype=complex) * cells)
    free = [abs(free_overlap(k, width, length)) for width in (head.beamwidth_az_deg, head.beamwidth_el_deg)]
    return Field3D(x, across, ground, product, mesh.dz, signal, free[0] * free[1], angle_rad)


def _on_mesh(strip: Strip, angle: float, x: Floats, across: Floats) -> Floats:
    """Square height of the ground above the line between the feet of the posts, on the mesh, (m, p)."""
    line = strip.line_ground_m
    share = strip.chainage_m / strip.chainage_m[-1]
    above = strip.ground_m - (line[0] + (line[-1] - line[0]) * share)[:, None]
    place, height = squared(strip.offset_m, above, np.full(strip.chainage_m.size, angle))
    rows = np.array([np.interp(across, place[row], height[row]) for row in range(share.size)])
    at = np.interp(x, strip.chainage_m, np.arange(share.size, dtype=float))
    left = np.minimum(at.astype(np.intp), share.size - 2)
    part = (at - left)[:, None]
    return np.asarray(rows[left] * (1.0 - part) + rows[left + 1] * part)


def _aperture(beam: Beam, march: _March, ground: Floats, height: float, aim: float) -> Complexes:
    """(p, levels) field of a head on its own vertical; its image is what the march continues below the ground."""
    head = beam.head_type
    k = head.wavenumber
    up = march.heights + ground[:, None] - float(np.interp(0.0, march.across, ground)) - height
    w_up, w_across = waist(k, head.beamwidth_el_deg), waist(k, head.beamwidth_az_deg)
    field = np.exp(-((up / w_up) ** 2) + 1j * k * aim * up) * np.exp(-((march.across / w_across) ** 2))[:, None]
    return np.asarray(field, dtype=np.complex64)


class _March:
    """Steps of one sweep on a mesh of p columns and as many levels above the ground of each column."""

    def __init__(self, k: float, mesh: Mesh, across: Floats, levels: int, angle: float) -> None:
        self.k, self.mesh, self.across, self.levels = k, mesh, across, levels
        self.heights = np.arange(levels) * mesh.dz
        self.up = (2.0 * np.pi * fftfreq(2 * levels, mesh.dz)).astype(np.float32)
        aside = 2.0 * np.pi * fftfreq(across.size, mesh.dy)
        turn = np.exp(-0.5j * mesh.dx / k * (aside[:, None] ** 2 + self.up.astype(float) ** 2))
        self.turn = turn.astype(np.complex64)
        top = _ramp(self.heights / self.heights[-1], 1.0 - _LAYER)
        side = _ramp(np.abs(across) / np.abs(across).max(), 1.0 - _LAYER)
        # a ray of the pattern's edge dies in either layer, and a flat one is not thrown back
        rate = 18.0 * angle / (_LAYER * self.heights[-1]), 18.0 * angle / (_LAYER * float(across.max()))
        # half of the absorption on either side of a node, so that both sweeps together count it once
        self.fade = np.exp(-0.5 * mesh.dx * (rate[0] * top**2 + rate[1] * side[:, None] ** 2)).astype(np.float32)

    def run(self, ground: Floats, field: Complexes) -> Complexes:
        """(m, p, levels) field at every node; the head's own first."""
        seen = np.empty((len(ground), *field.shape), dtype=np.complex64)
        field = field.copy()
        field[:, 0] = 0.0
        field *= self.fade
        seen[0] = field
        field *= self.fade
        here = self._lift(ground[0])
        for step in range(len(ground) - 1):
            there = self._lift(ground[step + 1])
            below = self._image(field, ground[step], (ground[step + 1] - ground[step]) / self.mesh.dx)
            field = self._step(field, below, here, there)
            field *= self.fade
            seen[step + 1] = field
            field *= self.fade
            here = there
        return seen

    def _lift(self, ground: Floats) -> Complexes:
        """Phases that lay each column at its true height, (p, wavenumbers)."""
        return np.asarray(np.exp(-1j * self.up * ground.astype(np.float32)[:, None]))

    def _image(self, field: Complexes, ground: Floats, slope: Floats) -> Complexes:
        """(p, levels) continuation of the field below the ground, by depth: minus its mirror image about the facet."""
        image = field * np.exp(-2j * (self.k * slope).astype(np.float32)[:, None] * self.heights.astype(np.float32))
        cross = np.gradient(ground, self.mesh.dy)
        if np.abs(cross).max() > _LEVEL:
            # the image of what stands square above a place; deep down it is not felt within a step
            near = min(round(_FELT * math.sqrt(self.mesh.dx / self.k) / self.mesh.dz) + 1, self.levels)
            aside = -2.0 * (cross / (1.0 + cross**2))[:, None] * self.heights[:near] / self.mesh.dy
            image[:, :near] = _moved(image[:, :near], aside)
        return np.asarray(-image)

    def _step(self, field: Complexes, below: Complexes, here: Complexes, there: Complexes) -> Complexes:
        n = self.levels
        whole = np.zeros((field.shape[0], 2 * n), dtype=np.complex64)
        whole[:, 1:n] = field[:, 1:]
        whole[:, :n:-1] = below[:, 1:]
        spectrum = fft(whole, axis=1, overwrite_x=True)
        spectrum *= here
        spectrum = fft(spectrum, axis=0, overwrite_x=True)
        spectrum *= self.turn
        spectrum = ifft(spectrum, axis=0, overwrite_x=True)
        spectrum *= there.conj()
        made = np.array(ifft(spectrum, axis=1, overwrite_x=True)[:, :n])
        made[:, 0] = 0.0
        return made


def _moved(values: Complexes, by: Floats) -> Complexes:
    """Values (p, q) of a place ``by`` (p, q) columns away, by the cubic through four columns."""
    at = np.clip(np.arange(len(values))[:, None] + by, 1.0, len(values) - 2.001)
    left = np.minimum(at.astype(np.intp), len(values) - 3)
    t = (at - left).astype(np.float32)
    level = np.arange(values.shape[1])
    before, low, high, after = (values[left + step, level] for step in (-1, 0, 1, 2))
    return np.asarray(
        before * (-t * (t - 1) * (t - 2) / 6)
        + low * ((t + 1) * (t - 1) * (t - 2) / 2)
        + high * (-(t + 1) * t * (t - 2) / 2)
        + after * ((t + 1) * t * (t - 1) / 6)
    )


def _ramp(place: Floats, start: float) -> Floats:
    return np.clip((place - start) / (1.0 - start), 0.0, 1.0)
