"""The solved field of one beam, and what a target does to its signal.

By reciprocity the signal is the overlap of the two sweeps, the same at every cut. An opaque silhouette removes its part
of it (Kirchhoff / Babinet); the part in height comes from the overlap summed from the ground up, the part across the
beam from the closed form of :func:`geotools.beam.antenna.lateral_fraction`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.beam.antenna import HeadType, lateral_fraction, lateral_share
from geotools.beam.targets import Target
from geotools.errors import NumericInputError

__all__ = ["SIGNAL_FLOOR", "BeamField"]

SIGNAL_FLOOR = 0.3
"""Smallest signal, as a share of free space, that a modulation is related to: real ground is no perfect mirror, so a
deeper two-ray null is not to be trusted (common practice, no source)."""

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class HeadPlacing:
    """The two heads of a beam.

    Attributes
    ----------
    head_type : HeadType
        Kind of both.
    tx_height_m, rx_height_m : float
        Heights of their axes above the ground at their posts, m.
    pan_deg : tuple of float
        By how much transmitter and receiver are turned off the line, degrees.
    """

    head_type: HeadType
    tx_height_m: float
    rx_height_m: float
    pan_deg: tuple[float, float]


@dataclass(frozen=True)
class SolvedField:
    """What the sweeps from both heads give.

    Attributes
    ----------
    product : (n, k) complex array
        Product of both fields at heights above the field's ground.
    overlap : (n,) complex array
        Its integral over height.
    ground_m : (n,) array
        Ground that the field was solved over, m.
    dz_m : float
        Spacing of the heights, m.
    depth : complex
        Depth below the ground at which the field would vanish on a perfect mirror, m.
    """

    product: NDArray[np.complexfloating]
    overlap: NDArray[np.complex128]
    ground_m: Floats
    dz_m: float
    depth: complex


class BeamField:
    """Field of one beam at the n chainages requested; made by :func:`geotools.beam.solve_beam`.

    Attributes
    ----------
    head_type, tx_height_m, rx_height_m : as given.
    chainage_m, ground_m : (n,) as given (chainage from 0 at the transmitter).
    field_ground_m : (n,) ground that the field was solved over; above ``ground_m`` only where that is too steep for it.
    dz_m : spacing of the heights at which the field is held.
    overlap : (n,) complex, integral of uT uR over height; equal at all n but for rounding.
    quiet_level : level of the undisturbed signal against max(|S|, 0.3 |S_free|), 1 unless the beam stands in a null.
    standing_level_db : 20 log10 |S / S_free|, the signal against perfectly aimed heads in free space.
    """

    def __init__(
        self,
        *,
        heads: HeadPlacing,
        chainage_m: Floats,
        ground_m: Floats,
        solved: SolvedField,
        free_signal: float,
        aim_loss: float,
    ) -> None:
        self.head_type, self.pan_deg = heads.head_type, heads.pan_deg
        self.tx_height_m, self.rx_height_m = heads.tx_height_m, heads.rx_height_m
        self.chainage_m, self.ground_m, self.field_ground_m = chainage_m, ground_m, solved.ground_m
        self.dz_m, self.overlap = solved.dz_m, solved.overlap
        overlap = solved.overlap
        signal = float(np.abs(overlap).mean()) * aim_loss
        self.quiet_level = signal / max(signal, SIGNAL_FLOOR * free_signal)
        self.standing_level_db = 20.0 * math.log10(max(signal / free_signal, 1e-12))
        # shares of the level that modulation is related to, so that a blocked beam needs no division by nothing
        phase = np.exp(-1j * np.angle(overlap[overlap.size // 2]))
        scale = complex(phase * aim_loss / max(signal, SIGNAL_FLOOR * free_signal))
        self._density, self._share = _running_share(solved.product, solved.dz_m, scale, solved.depth)

    @property
    def top_m(self) -> float:
        """Height above ground up to which the field is held, metres."""
        return float((self._share.shape[1] - 1) * self.dz_m)

    def share_below(self, height_m: ArrayLike) -> NDArray[np.complexfloating]:
        """Part of the signal carried below a height above the field's ground, (..., n, k) complex, for as many heights.

        It is related to max(|S|, 0.3 |S_free|): 0 below the ground, its last value above the held heights.
        """
        z = np.clip(np.asarray(height_m, dtype=float) / self.dz_m, 0.0, self._share.shape[1] - 1.000001)
        cell = z.astype(np.intp)
        t = (z - cell).astype(self._share.real.dtype)
        flat = cell + (np.arange(cell.shape[-2]) * self._share.shape[1])[:, None]
        above, share, density = flat + 1, self._share.ravel(), self._density.ravel()
        # cubic Hermite: the density is the exact slope of the share
        t2 = t * t
        t3 = t2 * t
        rise = 3.0 * t2 - 2.0 * t3
        found = share.take(flat) * (1.0 - rise)
        found += share.take(above) * rise
        found += (t3 - 2.0 * t2 + t) * (density.take(flat) * self.dz_m)
        found += (t3 - t2) * (density.take(above) * self.dz_m)
        return np.asarray(found)

    def lateral(self, offset_m: ArrayLike, width_m: float) -> Floats:
        """(n, k) share of the signal that a screen of this width at these offsets cuts out across the beam."""
        length = float(self.chainage_m[-1])
        return lateral_fraction(
            self.head_type, self.chainage_m, length, np.asarray(offset_m, float), width_m, pan_deg=self.pan_deg
        )

    def modulation_grid(
        self, target: Target, offset_m: ArrayLike, target_ground_m: ArrayLike, *, lateral: Floats | None = None
    ) -> Floats:
        """Modulation with the target standing at every (chainage, offset) of a strip, (n, k).

        Parameters
        ----------
        offset_m : (k,) or (n, k) metres from the beam line, positive to the left.
        target_ground_m : elevation the target stands on, broadcastable to (n, k).
        lateral : (n, k) of an earlier call of :meth:`lateral` for the same offsets and width, to save its time; it
            depends on neither ground nor heights.
        """
        if lateral is None:
            lateral = self.lateral(offset_m, target.width_m)
        return np.asarray(np.abs(self.cuts([target], target_ground_m, lateral.shape)[0]) * lateral, dtype=float)

    def cut_grid(self, target: Target, offset_m: ArrayLike, target_ground_m: ArrayLike) -> NDArray[np.complexfloating]:
        """Part of the signal that a target standing at every (chainage, offset) of a strip takes away, (n, k) complex.

        In the phase of the undisturbed signal, and related to max(|S|, 0.3 |S_free|): its magnitude is the modulation,
        and ``abs(quiet_level - cut)`` is the level that the receiver sees.

        Parameters
        ----------
        target : the silhouette.
        offset_m : (k,) or (n, k) metres from the beam line, positive to the left.
        target_ground_m : elevation the target stands on, broadcastable to (n, k).
        """
        length = float(self.chainage_m[-1])
        offset = np.asarray(offset_m, dtype=float)
        lateral = lateral_share(self.head_type, self.chainage_m, length, offset, target.width_m, pan_deg=self.pan_deg)
        return np.asarray(self.cuts([target], target_ground_m, lateral.shape)[0] * lateral)

    def cuts(
        self, targets: Sequence[Target], target_ground_m: ArrayLike, shape: tuple[int, ...]
    ) -> list[NDArray[np.complexfloating]]:
        """Share of the overlap between each target's underside and its top, over the whole width, (n, k) each.

        Parameters
        ----------
        targets : silhouettes on the same ground; what passes under those of one underside is looked up once.
        target_ground_m : elevation they stand on, broadcastable to (n, k).
        shape : (n, k).
        """
        foot = np.asarray(target_ground_m, dtype=float) - self.field_ground_m[:, None]
        under = {base: np.broadcast_to(foot + base, shape) for base in dict.fromkeys(t.base_m for t in targets)}
        tops = [under[target.base_m] + target.height_m for target in targets]
        # all heights at once: an array of a strip's nodes is so small that calls take longer than their work
        below = self.share_below(np.stack([*under.values(), *tops]))
        base_of = dict(zip(under, below, strict=False))
        return [top - base_of[t.base_m] for t, top in zip(targets, below[len(under) :], strict=True)]

    def modulation(self, target: Target, *, offset_m: float = 0.0, target_ground_m: ArrayLike | None = None) -> Floats:
        """Modulation m = |dS| / max(|S|, 0.3 |S_free|) with the target's centre at an offset, (n,).

        Parameters
        ----------
        offset_m : metres from the beam line, positive to the left.
        target_ground_m : elevation the target stands on, a number or (n,); the beam line's own ground if not given.

        Raises
        ------
        NumericInputError : a ground of another length or with values that are not numbers, or an offset that is not
            one finite number.
        """
        if not (np.ndim(offset_m) == 0 and math.isfinite(offset_m)):
            raise NumericInputError(
                "the target's offset is not a number", found=offset_m, expected="one number of metres, left positive"
            )
        ground = self.ground_m if target_ground_m is None else np.asarray(target_ground_m, dtype=float)
        if ground.ndim not in (0, 1) or ground.shape not in ((), self.chainage_m.shape):
            raise NumericInputError(
                "the target's ground does not fit the beam", found=ground.shape, expected=f"({self.chainage_m.size},)"
            )
        if not np.isfinite(ground).all():
            raise NumericInputError(
                "the target's ground has values that are not numbers",
                found=f"{int((~np.isfinite(ground)).sum())} of {ground.size}",
                expected="an elevation at every node",
            )
        under = np.broadcast_to(ground, self.chainage_m.shape)[:, None]
        return np.asarray(self.modulation_grid(target, [offset_m], under)[:, 0], dtype=float)

    def peak_modulation(self, target: Target, half_width_m: float) -> Floats:
        """Largest modulation over a straight crossing, square to the beam, from one side to the other, (n,).

        The crossing is at the beam line's own ground, from ``-half_width_m`` to ``half_width_m``.
        """
        offsets = _crossing(half_width_m)
        return np.asarray(self.modulation_grid(target, offsets, self.ground_m[:, None]).max(axis=1), dtype=float)

    def detection_floor(self, width_m: float, threshold: float, *, half_width_m: float) -> Floats:
        """Lowest elevation a target's top must reach, somewhere on a straight crossing, to give the threshold, (n,).

        The target stands on the beam line's ground and is ``width_m`` wide; the answer is in the datum of ``ground_m``,
        so that the crawl gap is ``detection_floor - ground_m``. Where no height reaches the threshold it is ``inf``.

        Raises
        ------
        NumericInputError : a width, threshold or half width that is not positive.
        """
        if not (width_m > 0 and threshold > 0):
            raise NumericInputError(
                "width and threshold must be positive", found=f"{width_m} m, {threshold}", expected="above 0"
            )
        lateral = self.lateral(_crossing(half_width_m), width_m).max(axis=1)
        return np.asarray(self.floor_grid(lateral[:, None], threshold, self.ground_m[:, None])[:, 0], dtype=float)

    def floor_grid(
        self, lateral: Floats, threshold: float, target_ground_m: Floats, *, highest_m: float = math.inf
    ) -> Floats:
        """Detection floor for a target standing at every (chainage, offset) of a strip, (n, k) elevations or ``inf``.

        Parameters
        ----------
        lateral : (n, k) from :meth:`lateral`. target_ground_m : (n, k) or (n, 1) elevations.
        highest_m : tops higher than this above the target's ground are not looked at.
        """
        foot = np.broadcast_to(target_ground_m - self.field_ground_m[:, None], lateral.shape)
        base = self.share_below(foot)
        with np.errstate(divide="ignore", over="ignore"):
            need = (threshold / lateral).astype(self._share.real.dtype)
            limit = need * need
        floor = np.full(lateral.shape, np.inf)
        last = self._share.shape[1]
        if math.isfinite(highest_m):
            last = min(last, math.ceil((float(foot.max()) + highest_m) / self.dz_m) + 2)
        heights = np.arange(last) * self.dz_m
        real, imag = self._share.real[:, :last].copy(), self._share.imag[:, :last].copy()
        for column in range(lateral.shape[1]):
            # squares in place of magnitudes: a square root for every height would be most of the time
            along, across = real - base.real[:, column, None], imag - base.imag[:, column, None]
            along *= along
            across *= across
            along += across
            reached = (along >= limit[:, column, None]) & (heights > foot[:, column, None])
            first = reached.argmax(axis=1)
            hit = np.flatnonzero(reached[np.arange(first.size), first] & (first > 0))
            if hit.size:
                floor[hit, column] = self._refine(hit, first[hit], base[hit, column], need[hit, column])
        floor += self.field_ground_m[:, None]
        return np.asarray(np.maximum(floor, np.broadcast_to(target_ground_m, lateral.shape)), dtype=float)

    def _refine(
        self, rows: NDArray[np.intp], upper: NDArray[np.intp], base: NDArray[np.complexfloating], need: Floats
    ) -> Floats:
        """Height above the field's ground, inside the cell below ``upper``, where the share first reaches the need."""
        part = np.linspace(0.0, 1.0, 5)
        t2, t3 = part**2, part**3
        rise = 3 * t2 - 2 * t3
        low, high = self._share[rows, upper - 1], self._share[rows, upper]
        slope_low, slope_high = self._density[rows, upper - 1] * self.dz_m, self._density[rows, upper] * self.dz_m
        inside = (
            np.outer(low, 1 - rise)
            + np.outer(high, rise)
            + np.outer(slope_low, t3 - 2 * t2 + part)
            + np.outer(slope_high, t3 - t2)
        )
        away = np.abs(inside - base[:, None])
        away[:, -1] = np.maximum(away[:, -1], need)
        index = np.maximum((away >= need[:, None]).argmax(axis=1), 1)
        each = np.arange(rows.size)
        before, after = away[each, index - 1], away[each, index]
        span = np.where(after > before, after - before, 1.0)
        fraction = np.clip((need - before) / span, 0.0, 1.0)
        return np.asarray((upper - 1 + (index - 1 + fraction) * 0.25) * self.dz_m)


def _crossing(half_width_m: float) -> Floats:
    if not (math.isfinite(half_width_m) and half_width_m >= 0):
        raise NumericInputError(
            "the half width of a crossing is not a length", found=half_width_m, expected="0 m or more"
        )
    side = np.linspace(0.0, half_width_m, 1 + math.ceil(half_width_m / 0.2))
    return np.concatenate([-side[:0:-1], side])


def _running_share(
    product: NDArray[np.complexfloating], dz: float, scale: complex, depth: complex
) -> tuple[NDArray[np.complexfloating], NDArray[np.complexfloating]]:
    """Density of the overlap and its sum from the ground up, both (n, heights), in parts of the related signal.

    The sum is the cubic (fourth-order) cumulative rule; the density is even about the ground, which gives the rule its
    first neighbour. With an imperfect mirror the field is the perfect one at a complex depth below the true height.
    """
    density = product * np.asarray(scale, dtype=product.dtype)
    padded = np.concatenate([density[:, 1:2], density, 2 * density[:, -1:] - density[:, -2:-1]], axis=1)
    pieces = (dz / 24.0) * (13.0 * (density[:, :-1] + density[:, 1:]) - padded[:, :-3] - padded[:, 3:])
    share = np.zeros_like(density)
    np.cumsum(pieces, axis=1, out=share[:, 1:])
    if depth:
        slope = (padded[:, 2:] - padded[:, :-2]) / (2.0 * dz)
        bend = (padded[:, 2:] - 2.0 * density + padded[:, :-2]) / dz**2
        moved = depth * density + depth**2 / 2.0 * slope + depth**3 / 6.0 * bend
        share = (share + moved - moved[:, :1]).astype(product.dtype)
        density = (density + depth * slope + depth**2 / 2.0 * bend).astype(product.dtype)
    return density, share
