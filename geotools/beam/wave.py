"""Solving beams: one at a time, or many in one transform."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.beam.antenna import HeadType, pointing_loss
from geotools.beam.closed_form import free_overlap, grazing_factor
from geotools.beam.field import BeamField, HeadPlacing, SolvedField
from geotools.beam.grid import ABSORBER_SHARE, BeamGrid, choose_grid
from geotools.beam.profile import Beam, Profile, checked_profile
from geotools.beam.sweep import march
from geotools.errors import NumericInputError

__all__ = ["Batch", "batches_of", "solve_batch", "solve_beam", "solve_beams", "solve_each"]

R = TypeVar("R")

_BATCH_CELLS, _LEAST_CELLS = 12_000, 4_000
"""Rows times heights marched together, most and least: more leave the processor's cache, fewer are all overhead."""


def solve_beam(
    head_type: HeadType,
    chainage_m: ArrayLike,
    ground_m: ArrayLike,
    tx_height_m: float,
    rx_height_m: float,
    *,
    step_m: float | None = None,
    dz_m: float | None = None,
) -> BeamField:
    """Solve one beam over its ground, in double precision.

    Parameters
    ----------
    head_type : both heads.
    chainage_m, ground_m : (n,) increasing chainage and elevation of the ground, metres; the first node is the
        transmitter's, the last the receiver's. Results come back at these n nodes, whatever grid was used inside.
    tx_height_m, rx_height_m : heights above the ground, metres.
    step_m, dz_m : grid along the beam and in height; chosen from wavelength, heights and slope if not given.

    Raises
    ------
    NumericInputError : profile of less than two nodes, not a number, not increasing, shorter than 3 m, or a head that
        is not above its ground. Ground above the beam all the way is an answer, not an error: the standing level falls
        far below zero and the detection floor is infinite.
    """
    beam = Beam(head_type, chainage_m, ground_m, tx_height_m, rx_height_m)
    return solve_beams([beam], step_m=step_m, dz_m=dz_m, single=False)[0]


def solve_beams(
    beams: Sequence[Beam], *, step_m: float | None = None, dz_m: float | None = None, single: bool = True
) -> list[BeamField]:
    """Solve many beams, several in one transform, in single precision unless set otherwise.

    Parameters
    ----------
    beams : any lengths, head types and heights; answers keep their order.
    single : complex64 instead of complex128; modulation moves by less than 0.001 (tested), time is about halved.

    Raises
    ------
    NumericInputError : as :func:`solve_beam`.
    """
    return solve_each(beams, _itself, step_m=step_m, dz_m=dz_m, single=single)


def solve_each(
    beams: Sequence[Beam],
    use: Callable[[BeamField], R],
    *,
    step_m: float | None = None,
    dz_m: float | None = None,
    single: bool = True,
) -> list[R]:
    """What ``use`` makes of each beam's field, in their order; a field, half a megabyte, is dropped once it was used.

    Parameters
    ----------
    beams, single, step_m, dz_m : as of :func:`solve_beams`, which keeps the fields.
    use : called once with each field.

    Raises
    ------
    NumericInputError : as :func:`solve_beam`.
    """
    made: dict[int, R] = {}
    for batch in batches_of(beams, step_m=step_m, dz_m=dz_m):
        made.update(zip(batch.places, solve_batch(batch, [use] * len(batch.places), single=single), strict=True))
    return [made[place] for place in range(len(beams))]


def _itself(field: BeamField) -> BeamField:
    return field


@dataclass(frozen=True)
class Batch:
    """Beams of one grid size, to be marched together. places : theirs among all that were requested."""

    places: list[int]
    beams: list[Beam]
    profiles: list[tuple[Profile, Profile]]
    grids: list[BeamGrid]


def solve_batch(batch: Batch, uses: Sequence[Callable[[BeamField], R]], *, single: bool = True) -> list[R]:
    """What each beam's own ``use(field)`` makes of it, in the batch's order; a field is dropped once it was used."""
    depths = [_mirror_depth(beam) for beam in batch.beams]
    solved = march(batch.beams, batch.grids, depths, single=single)
    made = []
    for use, beam, profile, grid, depth, (product, overlap) in zip(
        uses, batch.beams, batch.profiles, batch.grids, depths, solved, strict=True
    ):
        sampled = _at_nodes(profile[0], grid, product, overlap)
        made.append(use(_field(beam, profile, grid.dz, depth, sampled)))
    return made


def batches_of(beams: Sequence[Beam], *, step_m: float | None = None, dz_m: float | None = None) -> list[Batch]:
    """Beams in batches of one grid size and falling number of steps; NumericInputError as :func:`solve_beam`.

    What goes together hangs on the beams alone, not on the machine, for the last digits of a transform may hang on it.
    """
    for name, value in (("step_m", step_m), ("dz_m", dz_m)):
        if value is not None and not 1e-3 <= value <= 5.0:
            raise NumericInputError(f"{name} is out of range", found=value, expected="0.001 to 5 m")
    profiles = [checked_profile(beam) for beam in beams]
    grids = [choose_grid(beam, x, h, step_m, dz_m) for beam, (x, h) in zip(beams, profiles, strict=True)]
    # a quarter of the work at most, so that two who share it end together
    quarter = sum(2 * grid.size for grid in grids) // 4
    most = min(max(quarter, _LEAST_CELLS), _BATCH_CELLS)
    order = sorted(range(len(grids)), key=lambda i: (grids[i].size, -grids[i].ground_m.size))
    groups: list[list[int]] = []
    for index in order:
        last = groups[-1] if groups else []
        if last and grids[last[0]].size == grids[index].size and 2 * len(last) * grids[index].size < most:
            last.append(index)
        else:
            groups.append([index])
    return [Batch(g, [beams[i] for i in g], [profiles[i] for i in g], [grids[i] for i in g]) for g in groups]


def _mirror_depth(beam: Beam) -> complex:
    """Complex depth below the ground at which the field would vanish on a perfect mirror; 0 for a perfect one."""
    return 1j * grazing_factor(beam.polarisation, beam.ground_permittivity) / beam.head_type.wavenumber


_Sampled = tuple[NDArray[np.complexfloating], NDArray[np.complex128], Profile]


def _at_nodes(
    x: Profile, grid: BeamGrid, product: NDArray[np.complexfloating], overlap: NDArray[np.complex128]
) -> _Sampled:
    """Product, overlap and field ground at the chainages requested; the absorbing top is left out."""
    product = product[:, : round(grid.size * (1.0 - 0.5 * ABSORBER_SHARE))]
    at = np.clip(x / grid.dx, 0.0, grid.ground_m.size - 1.0)
    near = np.rint(at).astype(np.intp)
    if float(np.abs(at - near).max()) < 1e-6:
        if near.size == grid.ground_m.size:
            return product, overlap, grid.ground_m
        return product[near], overlap[near], grid.ground_m[near]
    left = np.minimum(at.astype(np.intp), grid.ground_m.size - 2)
    part = at - left
    weight = part[:, None].astype(product.real.dtype)
    return (
        product[left] * (1 - weight) + product[left + 1] * weight,
        overlap[left] * (1 - part) + overlap[left + 1] * part,
        grid.ground_m[left] * (1 - part) + grid.ground_m[left + 1] * part,
    )


def _field(beam: Beam, profile: tuple[Profile, Profile], dz_m: float, depth: complex, sampled: _Sampled) -> BeamField:
    x, h = profile
    head, length = beam.head_type, float(x[-1])
    pan = (beam.tx_pan_deg, beam.rx_pan_deg)
    product, overlap, field_ground = sampled
    return BeamField(
        heads=HeadPlacing(head, beam.tx_height_m, beam.rx_height_m, pan),
        chainage_m=x,
        ground_m=h,
        solved=SolvedField(product, overlap, field_ground, dz_m, depth),
        free_signal=abs(free_overlap(head.wavenumber, head.beamwidth_el_deg, length)),
        aim_loss=pointing_loss(head, length, pan),
    )
