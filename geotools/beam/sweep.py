"""The marching itself: split-step sine transform, many beams at once.

``2jk du/dx + d2u/dz2 = 0`` with u = 0 on the ground, in heights above piecewise-linear ground, where each change of
slope is a phase screen (shift map: Donohue and Kuttler, IEEE Trans. Antennas Propag. 48, 2000, from memory). Both
sweeps of every beam go through one transform; the receiver's sweep is the transmitter's over the reversed profile.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.fftpack import dst  # the same transform as that of scipy.fft, at a third of the cost of a call

from geotools.beam.antenna import waist
from geotools.beam.grid import ABSORBER_SHARE, BeamGrid
from geotools.beam.profile import Beam

__all__ = ["march", "sweeps"]

_BLOCK = 16

Rows = NDArray[np.complex128]


def _aperture(beam: Beam, grid: BeamGrid, depth: complex, reverse: bool) -> Rows:
    """(size,) field of a head on its own vertical, minus its image, in heights above the first facet of ground."""
    head = beam.head_type
    k, w0 = head.wavenumber, waist(head.wavenumber, head.beamwidth_el_deg)
    ground = grid.ground_m[::-1] if reverse else grid.ground_m
    own, other = (grid.rx_height_m, grid.tx_height_m) if reverse else (grid.tx_height_m, grid.rx_height_m)
    tilt = beam.rx_tilt_deg if reverse else beam.tx_tilt_deg
    length = grid.dx * (ground.size - 1)
    aim = (ground[-1] + other - ground[0] - own) / length + math.tan(math.radians(tilt))
    kappa = k * (aim - (ground[1] - ground[0]) / grid.dx)
    z = np.arange(grid.size) * grid.dz
    centre = own + depth
    direct = np.exp(-(((z - centre) / w0) ** 2) + 1j * kappa * (z - centre))
    image = np.exp(-(((z + centre) / w0) ** 2) - 1j * kappa * (z + centre))
    return np.asarray(direct - image)


def _screens(beams: list[Beam], grids: list[BeamGrid], depths: list[complex], steps: int) -> tuple[Rows, Rows]:
    """Phase screens of the transmitter rows then the receiver rows, factored over coarse and fine heights.

    A screen is geometric in height, so 16 fine values times size/16 coarse values rebuild it: (steps, rows, parts).
    """
    rows, parts = 2 * len(beams), grids[0].size // _BLOCK
    kick = np.zeros((steps, rows))
    cell = np.empty(rows)
    shift = np.zeros(rows, dtype=complex)
    for index, (beam, grid) in enumerate(zip(beams, grids, strict=True)):
        for row, ground in ((index, grid.ground_m), (index + len(beams), grid.ground_m[::-1])):
            slopes = np.diff(ground) / grid.dx
            kick[: slopes.size - 1, row] = beam.head_type.wavenumber * np.diff(slopes)
            cell[row] = grid.dz
            shift[row] = depths[index]
    fine = _powers(np.exp(-1j * kick * cell), _BLOCK)
    coarse = _powers(np.exp(-1j * kick * cell * _BLOCK), parts)
    if shift.any():
        coarse *= np.exp(1j * kick * shift)[..., None]
    return coarse, fine


def _powers(base: Rows, count: int) -> Rows:
    """Powers 0 to count - 1 along a new last axis, by doubling: an exponential costs ten products."""
    made = np.ones((*base.shape, count), dtype=complex)
    have = 1
    while have < count:
        more = min(have, count - have)
        np.multiply(made[..., :more], base[..., None], out=made[..., have : have + more])
        base, have = base * base, have + more
    return made


def march(
    beams: list[Beam], grids: list[BeamGrid], depths: list[complex], *, single: bool
) -> list[tuple[NDArray[np.complexfloating], NDArray[np.complex128]]]:
    """March both sweeps of beams that share a grid size; beams come in order of falling number of steps.

    Returns
    -------
    for each beam ``(product, overlap)``: product (steps + 1, size) of the two fields on the grid, overlap (steps + 1,)
    their integral over the whole height.
    """
    seen = sweeps(beams, grids, depths, single=single)
    results = []
    for index, grid in enumerate(grids):
        last = grid.ground_m.size - 1
        product = seen[: last + 1, 0, index] * seen[last::-1, 1, index]
        results.append((product, product.sum(axis=1, dtype=np.complex128) * grid.dz))
    return results


def sweeps(
    beams: list[Beam], grids: list[BeamGrid], depths: list[complex], *, single: bool
) -> NDArray[np.complexfloating]:
    """The fields themselves, (steps + 1, 2, beams, size): transmitter's sweep, then receiver's from its own end."""
    count, size = len(beams), grids[0].size
    kind = np.complex64 if single else np.complex128
    steps = [grid.ground_m.size - 1 for grid in grids]
    coarse, fine = (part.astype(kind) for part in _screens(beams, grids, depths, steps[0]))

    p = np.pi * np.arange(1, size) / size
    turn = np.empty((2 * count, size - 1), dtype=complex)
    top = int(size * (1.0 - ABSORBER_SHARE))
    fade = np.empty((2 * count, size - top))
    ramp = np.clip((np.arange(top, size) / size - (1.0 - ABSORBER_SHARE)) / ABSORBER_SHARE, 0.0, 1.0)
    for row in range(2 * count):
        beam, grid = beams[row % count], grids[row % count]
        k = beam.head_type.wavenumber
        turn[row] = np.exp(-0.5j * (p / grid.dz) ** 2 * grid.dx / k) / (2.0 * size)
        # strong enough for the head's steepest ray to die in the layer, gentle enough not to reflect a flat one
        fade[row] = np.exp(-_absorption(beam, grid) * grid.dx * ramp**2)

    field = np.empty((2 * count, size), dtype=kind)
    for index, (beam, grid, depth) in enumerate(zip(beams, grids, depths, strict=True)):
        field[index] = _aperture(beam, grid, depth, reverse=False)
        field[index + count] = _aperture(beam, grid, depth, reverse=True)
    field[:, 0] = 0.0

    # [sweep, beam]: the view lets both sweeps of the beams still running be marched together
    stack = field.reshape(2, count, size)
    turns = turn.astype(kind).reshape(2, count, size - 1)
    fades = fade.astype(np.float32 if single else np.float64).reshape(2, count, size - top)
    coarse = coarse.reshape(steps[0], 2, count, -1)
    fine = fine.reshape(steps[0], 2, count, _BLOCK)

    # At a node both sweeps are kept so that its screen and absorption count once: the transmitter's after, the
    # receiver's before them. Every operator is symmetric, so the overlap is the same at all nodes by construction.
    seen = np.empty((steps[0] + 1, 2, count, size), dtype=kind)
    seen[0] = stack
    running = 0
    for step in range(steps[0]):
        if running == 0 or steps[running - 1] <= step:
            running = sum(1 for last in steps if last > step)
            now = np.ascontiguousarray(stack[:, :running])
            parts, above = _parts(now), now[..., top:]
            blocks = now.reshape(2, running, -1, _BLOCK)
            turning, fading = turns[:, :running], fades[:, :running]
            lifting, trimming = coarse[:, :, :running, :, None], fine[:, :, :running, None, :]
            stack = now
        spectrum = dst(parts, type=1, axis=-2)
        spectrum = spectrum.view(kind)[..., 0]
        spectrum *= turning
        parts[...] = dst(_real(spectrum), type=1, axis=-2, overwrite_x=True)
        seen[step + 1, 1, :running] = now[1]
        above *= fading
        blocks *= lifting[step]
        blocks *= trimming[step]
        seen[step + 1, 0, :running] = now[0]

    return seen


def _parts(field: NDArray[np.complexfloating]) -> NDArray[np.floating]:
    """Real and imaginary parts of fields above the ground node as a last axis: (..., size) to (..., size - 1, 2).

    A real transform of both together spares the taking apart and putting together of a complex one.
    """
    return _real(field)[..., 1:, :]


def _real(field: NDArray[np.complexfloating]) -> NDArray[np.floating]:
    return field.view(field.real.dtype).reshape(*field.shape, 2)


def _absorption(beam: Beam, grid: BeamGrid) -> float:
    """Peak absorption per metre of path (amplitude)."""
    k, w0 = beam.head_type.wavenumber, waist(beam.head_type.wavenumber, beam.head_type.beamwidth_el_deg)
    angle = 2.0 / (k * w0)
    layer = ABSORBER_SHARE * grid.size * grid.dz
    return 3.0 * angle * 6.0 / layer
