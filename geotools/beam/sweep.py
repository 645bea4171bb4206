"""The marching itself: split-step sine transform, many beams at once.

``2jk du/dx + d2u/dz2 = 0`` with u = 0 on the ground, in heights above piecewise-linear ground, where each change of
slope is a phase screen (shift map: Donohue and Kuttler, IEEE Trans. Antennas Propag. 48, 2000, from memory). Both
sweeps of every beam go through one transform; the receiver's sweep is the transmitter's over the reversed profile.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from geotools.beam.antenna import waist
from geotools.beam.grid import ABSORBER_SHARE, BeamGrid
from geotools.beam.profile import Beam
from geotools.beam.sine import sine_transform

__all__ = ["march", "sweeps"]

#: Factors of the nodes put together at once: as many as stay in the processor's cache.
_AHEAD = 32_768

Rows = NDArray[np.complex128]
Fields = NDArray[np.complexfloating]


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


def _bends(beams: list[Beam], grids: list[BeamGrid], steps: int) -> NDArray[np.float64]:
    """(steps, 2, beams) phase that the bend of the ground at each node takes from a field, radians a metre of height.

    The transmitter's sweep first, then the receiver's, each from its own end.
    """
    kick = np.zeros((steps, 2, len(beams)))
    for index, (beam, grid) in enumerate(zip(beams, grids, strict=True)):
        bends = beam.head_type.wavenumber * np.diff(grid.ground_m, 2) / grid.dx
        kick[: bends.size, 0, index] = bends
        kick[: bends.size, 1, index] = bends[::-1]
    return kick


def _screens(kick: NDArray[np.float64], dz: NDArray[np.float64], depth: Rows, fade: Fields, size: int) -> Fields:
    """(..., beams, size) what nodes do to fields: the phase of a bend, `kick` (..., beams), and the absorption.

    dz, depth : (beams,). fade : (beams, layer), what is left of the field in the absorbing heights; its precision is
    the precision of the answer.
    """
    made = np.empty((*kick.shape, size), dtype=fade.dtype)
    made[..., 0] = np.exp(1j * kick * depth) if depth.any() else 1.0
    # by doubling, for an exponential costs ten products; the bases stay in double precision
    base = np.exp(-1j * kick * dz)
    have = 1
    while have < size:
        more = min(have, size - have)
        np.multiply(made[..., :more], base[..., None].astype(fade.dtype), out=made[..., have : have + more])
        base, have = base * base, have + more
    made[..., size - fade.shape[1] :] *= fade
    return made


def march(
    beams: list[Beam], grids: list[BeamGrid], depths: list[complex], *, single: bool
) -> list[tuple[Fields, Rows]]:
    """March both sweeps of beams that share a grid size; beams come in order of falling number of steps.

    Returns
    -------
    for each beam ``(product, overlap)``: product (steps + 1, size) of the two fields on the grid, overlap (steps + 1,)
    their integral over the whole height.
    """
    seen = sweeps(beams, grids, depths, single=single)
    results: list[tuple[Fields, Rows]] = []
    for index, grid in enumerate(grids):
        last = grid.ground_m.size - 1
        product = seen[: last + 1, 0, index] * seen[last::-1, 1, index]
        results.append((product, product.sum(axis=1, dtype=np.complex128) * grid.dz))
    return results


def sweeps(beams: list[Beam], grids: list[BeamGrid], depths: list[complex], *, single: bool) -> Fields:
    """The fields themselves, (steps + 1, 2, beams, size): transmitter's sweep, then receiver's from its own end."""
    count, size = len(beams), grids[0].size
    kind = np.complex64 if single else np.complex128
    steps = [grid.ground_m.size - 1 for grid in grids]
    turns = np.array([_turn(beam, grid) for beam, grid in zip(beams, grids, strict=True)], kind)
    turns = np.tile(turns, (2, 1, 1)).reshape(2, count, size - 1)
    fades: Fields = np.array([_fade(beam, grid) for beam, grid in zip(beams, grids, strict=True)], kind)
    kick = _bends(beams, grids, steps[0])
    dz, below = np.array([grid.dz for grid in grids]), np.array(depths, complex)

    # At a node both sweeps are kept so that its screen and absorption count once: the transmitter's after, the
    # receiver's before them. Every operator is symmetric, so the overlap is the same at all nodes by construction.
    seen = np.empty((steps[0] + 1, 2, count, size), dtype=kind)
    seen[..., 0] = 0.0
    for index, (beam, grid, depth) in enumerate(zip(beams, grids, depths, strict=True)):
        for sweep in (0, 1):
            seen[0, sweep, index, 1:] = _aperture(beam, grid, depth, reverse=sweep == 1)[1:]

    ahead = max(1, _AHEAD // (2 * count * size))
    running, first, field = 0, 0, seen[0]
    kept: Fields | None = None
    for step in range(steps[0]):
        if running == 0 or steps[running - 1] <= step:
            running = sum(1 for last in steps if last > step)
            field = field[:, :running].copy()
            spectrum = np.empty((2, running, size - 1), dtype=kind)
            waves, above, turning = _real(spectrum), _real(field)[..., 1:, :], turns[:, :running]
            kept = None
        if kept is None or step - first == len(kept):
            first, until = step, min(step + ahead, steps[0])
            kept = _screens(kick[first:until, :, :running], dz[:running], below[:running], fades[:running], size)
        sine_transform(above, waves)
        spectrum *= turning
        here = seen[step + 1, :, :running]
        sine_transform(waves, _real(here)[..., 1:, :])
        np.multiply(here, kept[step - first], out=field)
        here[0] = field[0]

    return seen


def _turn(beam: Beam, grid: BeamGrid) -> Rows:
    """(size - 1,) what a step does to each sine of the field, the transforms' own factor included."""
    p = np.pi * np.arange(1, grid.size) / grid.size
    phase = -0.5j * (p / grid.dz) ** 2 * grid.dx / beam.head_type.wavenumber
    return np.asarray(np.exp(phase) / (2.0 * grid.size))


def _fade(beam: Beam, grid: BeamGrid) -> NDArray[np.float64]:
    """(layer,) what a step leaves of the field in the absorbing heights, the uppermost of the grid."""
    top = int(grid.size * (1.0 - ABSORBER_SHARE))
    ramp = np.clip((np.arange(top, grid.size) / grid.size - (1.0 - ABSORBER_SHARE)) / ABSORBER_SHARE, 0.0, 1.0)
    # strong enough for the head's steepest ray to die in the layer, gentle enough not to reflect a flat one
    return np.asarray(np.exp(-_absorption(beam, grid) * grid.dx * ramp**2))


def _real(field: Fields) -> NDArray[np.floating]:
    """Real and imaginary parts as a last axis, (..., size, 2), in place.

    A real transform of both together spares the taking apart and putting together of a complex one.
    """
    return field.view(field.real.dtype).reshape(*field.shape, 2)


def _absorption(beam: Beam, grid: BeamGrid) -> float:
    """Peak absorption per metre of path (amplitude)."""
    k, w0 = beam.head_type.wavenumber, waist(beam.head_type.wavenumber, beam.head_type.beamwidth_el_deg)
    angle = 2.0 / (k * w0)
    layer = ABSORBER_SHARE * grid.size * grid.dz
    return 3.0 * angle * 6.0 / layer
