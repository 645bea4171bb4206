"""What a mover anywhere beside a beam does to its signal, by the field that is solved for detection.

A body is the opaque screen that a threat is, and, where it has a length along the beam, a flank that throws the field
back at grazing incidence (physical optics: on a mirror the normal slope of the field doubles). With both sweeps uT, uR
on the flank's plane the signal changes by ``-1/(2jk) * integral d(uT uR)/dy dx``, which is the same with the heads
swapped; over a flank from head to head it is the signal of the image.

Water and ground cover are a mirror whose level moves: ``dS = 1/(2jk) * integral dg (d uT/dz)(d uR/dz) dx`` (Hadamard's
formula, with both fields zero on the ground).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc

from geotools.beam.antenna import lateral_density, lateral_share
from geotools.beam.field import BeamField
from geotools.beam.movers import Mover
from geotools.errors import NumericInputError

__all__ = ["MoverGround", "NuisanceRequest", "NuisanceResponse", "mover_response", "surface_density"]

Floats = NDArray[np.float64]
Complexes = NDArray[np.complexfloating]
Number = TypeVar("Number", np.float64, np.complexfloating)

_FINER = 4
"""Places from node to node at which a flank is summed: its phase turns faster than its height changes."""


@dataclass(frozen=True)
class MoverGround:
    """Where movers are looked for, as the beam sees it.

    across_m : (k,) or (n, k) distance from the beam line, positive to the left, metres.
    ground_m : (n, k) elevation that the mover stands on.
    """

    across_m: Floats
    ground_m: Floats

    def __post_init__(self) -> None:
        if self.across_m.shape not in ((self.ground_m.shape[-1],), self.ground_m.shape):
            raise NumericInputError(
                "the ground beside the beam does not fit its offsets",
                found=self.across_m.shape,
                expected=f"({self.ground_m.shape[-1]},) or {self.ground_m.shape}",
            )


@dataclass(frozen=True)
class NuisanceResponse:
    """(movers, n, k) modulation with each mover at every node, as built and with heads that point off."""

    modulation: Floats
    high: Floats
    standing_level_db: float


@dataclass(frozen=True)
class NuisanceRequest:
    """The question: movers at every node beside a beam.

    larger : share by which movers may be larger. aim_deg : how far both heads may point to one side.
    """

    around: MoverGround
    movers: tuple[Mover, ...]
    larger: float = 0.0
    aim_deg: float = 0.0

    def __call__(self, field: BeamField) -> NuisanceResponse:
        """The answer."""
        best = np.array([mover_response(field, mover, self.around) for mover in self.movers])
        high = best.copy()
        if self.larger == 0.0 and self.aim_deg == 0.0:
            return NuisanceResponse(best, high, field.standing_level_db)
        for number, mover in enumerate(self.movers):
            larger = mover.larger(self.larger)
            for pan in dict.fromkeys((-self.aim_deg, self.aim_deg)):
                aimed = mover_response(field, larger, self.around, pan_deg=(pan, pan))
                np.maximum(high[number], aimed, out=high[number])
        return NuisanceResponse(best, high, field.standing_level_db)


def mover_response(
    field: BeamField, mover: Mover, around: MoverGround, *, pan_deg: tuple[float, float] = (0.0, 0.0)
) -> Floats:
    """Modulation that a mover at every node gives, (n, k), related as that of a threat to max(|S|, 0.3 |S_free|).

    Parameters
    ----------
    field : the beam.
    mover : who moves. Its phase turns with every centimetre that it moves, so that screen and flank are taken to add.
    around : where it is looked for.
    pan_deg : by how much transmitter and receiver point to the left of each other, degrees.
    """
    if mover.kind == "surface":
        return _surface(field, mover, around, pan_deg)
    if mover.kind == "fabric":
        apart = _flank(field, mover, around, pan_deg, mover.sway_m) - _flank(field, mover, around, pan_deg, 0.0)
        return np.asarray(np.abs(apart))
    screen = np.abs(_standing(field, mover, around)) * _passing(field, mover.width_m, around, pan_deg)
    if mover.length_m == 0.0:
        return np.asarray(screen, dtype=float)
    return np.asarray(screen + np.abs(_flank(field, mover, around, pan_deg, -mover.width_m / 2.0)), dtype=float)


def surface_density(field: BeamField) -> Complexes:
    """Change of the signal for each metre that the mirror rises over each metre of chainage, (n,) complex, 1/m2."""
    z = field.dz_m * np.array([2.0, 4.0])
    below = field.share_below(np.broadcast_to(z, (field.chainage_m.size, 2)))
    # the density is a z^2 + b z^4 above a mirror, and the share its integral
    first, second = 3.0 * below[:, 0] / z[0] ** 3, 3.0 * below[:, 1] / z[1] ** 3
    slope = (4.0 * first - second) / 3.0
    return np.asarray(slope / (2j * field.head_type.wavenumber))


def _share(field: BeamField, width_m: float, around: MoverGround, pan_deg: tuple[float, float]) -> Complexes:
    length = float(field.chainage_m[-1])
    return lateral_share(field.head_type, field.chainage_m, length, around.across_m, width_m, pan_deg=pan_deg)


def _passing(field: BeamField, width_m: float, around: MoverGround, pan_deg: tuple[float, float]) -> Floats:
    """Largest share across the beam that a screen cuts out while it moves about every node, (n, k).

    Beside the beam the parts that pass its two edges turn against each other within centimetres: what counts is the sum
    of their magnitudes, or the density over its whole width where that is less.
    """
    shape = around.ground_m.shape
    across = np.broadcast_to(around.across_m, shape)
    edge = np.abs(across) - width_m / 2.0
    side = np.sign(across)
    length = float(field.chainage_m[-1])
    place = np.maximum(edge, 0.0) * side
    density, curvature, centre = lateral_density(field.head_type, field.chainage_m, length, place, pan_deg)
    root = np.sqrt(curvature)[:, None]
    parts = [np.abs(erfc(root * (place + beyond * side - centre[:, None]) * side)) for beyond in (0.0, width_m)]
    beside = np.minimum(0.5 * (parts[0] + parts[1]), width_m * np.abs(density))
    return np.asarray(np.where(edge > 0.0, beside, np.abs(_share(field, width_m, around, pan_deg))))


def _standing(field: BeamField, mover: Mover, around: MoverGround) -> Complexes:
    """Share of the signal between a mover's underside and its top, (n, k)."""
    foot = around.ground_m - field.field_ground_m[:, None] + mover.base_m
    return np.asarray(field.share_below(foot + mover.height_m) - field.share_below(foot))


def _surface(field: BeamField, mover: Mover, around: MoverGround, pan_deg: tuple[float, float]) -> Floats:
    density = surface_density(field)[:, None]
    patch = _summed(field.chainage_m, field.chainage_m, density, mover.length_m)
    return np.asarray(mover.height_m * np.abs(patch * _share(field, mover.width_m, around, pan_deg)), dtype=float)


def _flank(
    field: BeamField, mover: Mover, around: MoverGround, pan_deg: tuple[float, float], beyond_m: float
) -> Complexes:
    """Change of the signal by a plane along the beam, centred ``beyond_m`` farther off than every node, (n, k)."""
    k = field.head_type.wavenumber
    x, n = field.chainage_m, field.chainage_m.size
    fine = np.interp(np.arange(_FINER * (n - 1) + 1) / _FINER, np.arange(n), x)
    across = np.broadcast_to(around.across_m, around.ground_m.shape)
    side, away = np.sign(across), np.abs(across) + beyond_m
    standing = _between(_standing(field, mover, around))
    place = _between(np.maximum(away, 0.0) * side)
    density, curvature, centre = lateral_density(field.head_type, fine, float(x[-1]), place, pan_deg)
    slope = curvature[:, None] * (place - centre[:, None]) / (1j * k)
    found = _summed(fine, x, standing * slope * density, mover.length_m)
    return np.asarray(mover.reflects * np.where(away > 0.0, found, 0.0))


def _between(values: NDArray[Number]) -> NDArray[Number]:
    """Node values (n, k) with as many linear between them as a flank is summed at."""
    at = np.arange(_FINER * (values.shape[0] - 1) + 1) / _FINER
    left = np.minimum(at.astype(np.intp), values.shape[0] - 2)
    part = (at - left)[:, None]
    found: NDArray[Number] = values[left] * (1.0 - part) + values[left + 1] * part
    return found


def _summed(at_m: Floats, nodes_m: Floats, values: Complexes, length_m: float) -> Complexes:
    """Integral of values (m, k) along the beam over a length centred at every node, (n, k); the beam ends at its heads.

    The running integral is linear in its table between places, as good as the table is fine.
    """
    steps = np.diff(at_m)[:, None] * (values[1:] + values[:-1]) / 2.0
    running = np.concatenate([np.zeros((1, values.shape[1]), dtype=steps.dtype), np.cumsum(steps, axis=0)])

    def until(place_m: Floats) -> Complexes:
        place = np.clip(np.interp(place_m, at_m, np.arange(at_m.size)), 0.0, at_m.size - 1.0)
        left = np.minimum(place.astype(np.intp), at_m.size - 2)
        part = (place - left)[:, None]
        return np.asarray(running[left] * (1.0 - part) + running[left + 1] * part)

    return until(nodes_m + length_m / 2.0) - until(nodes_m - length_m / 2.0)
