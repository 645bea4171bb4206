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
_NOTHING = 1e-6
"""A share of the signal below this is none, far under any threshold."""


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
        beside = _Beside(field, self.around)
        best = np.array([beside.response(mover, (0.0, 0.0)) for mover in self.movers])
        high = best.copy()
        if self.larger == 0.0 and self.aim_deg == 0.0:
            return NuisanceResponse(best, high)
        for number, mover in enumerate(self.movers):
            larger = mover.larger(self.larger)
            for pan in dict.fromkeys((-self.aim_deg, self.aim_deg)):
                np.maximum(high[number], beside.response(larger, (pan, pan)), out=high[number])
        return NuisanceResponse(best, high)


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
    return _Beside(field, around).response(mover, pan_deg)


def surface_density(field: BeamField) -> Complexes:
    """Change of the signal for each metre that the mirror rises over each metre of chainage, (n,) complex, 1/m2."""
    z = field.dz_m * np.array([2.0, 4.0])
    below = field.share_below(np.broadcast_to(z, (field.chainage_m.size, 2)))
    # the density is a z^2 + b z^4 above a mirror, and the share its integral
    first, second = 3.0 * below[:, 0] / z[0] ** 3, 3.0 * below[:, 1] / z[1] ** 3
    slope = (4.0 * first - second) / 3.0
    return np.asarray(slope / (2j * field.head_type.wavenumber))


class _Beside:
    """A beam and the ground beside it; what many movers ask of them is computed once."""

    def __init__(self, field: BeamField, around: MoverGround) -> None:
        self.field, self.around = field, around
        self._foot_m = around.ground_m - field.field_ground_m[:, None]
        self._below: dict[float, Complexes] = {}
        self._surface_density: Complexes | None = None

    def response(self, mover: Mover, pan_deg: tuple[float, float]) -> Floats:
        """As `mover_response`."""
        if mover.kind == "surface":
            return self._surface(mover, pan_deg)
        if mover.kind == "fabric":
            return np.asarray(np.abs(self._flank(mover, pan_deg, mover.sway_m) - self._flank(mover, pan_deg, 0.0)))
        screen = np.abs(self._standing(mover)) * self._passing(mover.width_m, pan_deg)
        if mover.length_m == 0.0:
            return np.asarray(screen, dtype=float)
        return np.asarray(screen + np.abs(self._flank(mover, pan_deg, -mover.width_m / 2.0)), dtype=float)

    def _share(self, width_m: float, across_m: Floats, pan_deg: tuple[float, float]) -> Complexes:
        x = self.field.chainage_m
        return lateral_share(self.field.head_type, x, float(x[-1]), across_m, width_m, pan_deg=pan_deg)

    def _passing(self, width_m: float, pan_deg: tuple[float, float]) -> Floats:
        """Largest share across the beam that a screen cuts out while it moves about every node, (n, k).

        Beside the beam the parts that pass its two edges turn against each other within centimetres: what counts is the
        sum of their magnitudes, or the density over its whole width where that is less.
        """
        x, given = self.field.chainage_m, self.around.across_m
        across = np.broadcast_to(given, self.around.ground_m.shape)
        edge = np.abs(across) - width_m / 2.0
        side = np.sign(across)
        place = np.maximum(edge, 0.0) * side
        density, curvature, centre = lateral_density(self.field.head_type, x, float(x[-1]), place, pan_deg)
        found = np.asarray(width_m * np.abs(density), dtype=float)
        # error functions of complex numbers are dear: asked only where they can matter
        within = edge <= 0.0
        asked = ~within & (found > _NOTHING)
        root = np.broadcast_to(np.sqrt(curvature)[:, None], across.shape)[asked]
        from_axis = (place - centre[:, None])[asked]
        parts = [np.abs(erfc(root * (from_axis + far * side[asked]) * side[asked])) for far in (0.0, width_m)]
        found[asked] = np.minimum(0.5 * (parts[0] + parts[1]), found[asked])
        columns = np.flatnonzero(within.any(axis=0))
        if columns.size:
            share = np.abs(self._share(width_m, given[..., columns], pan_deg))
            found[:, columns] = np.where(within[:, columns], share, found[:, columns])
        return found

    def _under(self, above_m: float) -> Complexes:
        """Share of the signal below a height above the movers' ground, (n, k)."""
        if above_m not in self._below:
            self._below[above_m] = self.field.share_below(self._foot_m + above_m)
        return self._below[above_m]

    def _standing(self, mover: Mover) -> Complexes:
        """Share of the signal between a mover's underside and its top, (n, k)."""
        return np.asarray(self._under(mover.base_m + mover.height_m) - self._under(mover.base_m))

    def _surface(self, mover: Mover, pan_deg: tuple[float, float]) -> Floats:
        if self._surface_density is None:
            self._surface_density = surface_density(self.field)[:, None]
        x = self.field.chainage_m
        patch = _summed(x, x, self._surface_density, mover.length_m)
        share = self._share(mover.width_m, self.around.across_m, pan_deg)
        return np.asarray(mover.height_m * np.abs(patch * share), dtype=float)

    def _flank(self, mover: Mover, pan_deg: tuple[float, float], beyond_m: float) -> Complexes:
        """Change of the signal by a plane along the beam, centred ``beyond_m`` farther off than every node, (n, k)."""
        k, x = self.field.head_type.wavenumber, self.field.chainage_m
        n = x.size
        fine = np.interp(np.arange(_FINER * (n - 1) + 1) / _FINER, np.arange(n), x)
        across = np.broadcast_to(self.around.across_m, self.around.ground_m.shape)
        side, away = np.sign(across), np.abs(across) + beyond_m
        standing = _between(self._standing(mover))
        place = _between(np.maximum(away, 0.0) * side)
        density, curvature, centre = lateral_density(self.field.head_type, fine, float(x[-1]), place, pan_deg)
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
