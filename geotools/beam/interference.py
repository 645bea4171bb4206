"""How strongly a receiver receives a transmitter that is not its own: distance, patterns, polarisation, terrain.

Levels are against the transmitter's power at the peaks of both patterns, in decibels; all heads of a band are taken to
send alike. Free space: ITU-R P.525-4. Terrain: the one edge that stands highest in the path, ITU-R P.526-15. Patterns
are Gaussian down to a floor for side and back lobes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.beam.antenna import SPEED_OF_LIGHT
from geotools.beam.closed_form import knife_edge_loss_db
from geotools.errors import NumericInputError

__all__ = ["HeadArray", "Reception", "free_space_loss_db", "pattern_db", "reception", "terrain_loss_db"]

Ground = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
_NEAREST_M = 0.5


@dataclass(frozen=True)
class HeadArray:
    """Heads as arrays of length n.

    xyz : (n, 3) position, m. azimuth_deg, tilt_deg : aim, clockwise from north and above the horizontal.
    frequency_hz : carrier. beamwidth_az_deg, beamwidth_el_deg : half-power beamwidths.
    vertical : plane of polarisation is upright.
    """

    xyz: NDArray[np.float64]
    azimuth_deg: NDArray[np.float64]
    tilt_deg: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    beamwidth_az_deg: NDArray[np.float64]
    beamwidth_el_deg: NDArray[np.float64]
    vertical: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.xyz)

    def __getitem__(self, pick: NDArray[Any] | slice) -> HeadArray:
        return HeadArray(
            self.xyz[pick],
            self.azimuth_deg[pick],
            self.tilt_deg[pick],
            self.frequency_hz[pick],
            self.beamwidth_az_deg[pick],
            self.beamwidth_el_deg[pick],
            self.vertical[pick],
        )


@dataclass(frozen=True)
class Reception:
    """What is lost on the way, and by what; arrays (receivers, transmitters), dB, level = -(all four together).

    distance_db, pattern_db, polarisation_db, terrain_db : each zero or more; inf where the bands differ.
    """

    distance_db: NDArray[np.float64]
    pattern_db: NDArray[np.float64]
    polarisation_db: NDArray[np.float64]
    terrain_db: NDArray[np.float64]

    @property
    def level_db(self) -> NDArray[np.float64]:
        """Received level against the transmitter's power at the peaks of both patterns."""
        return -(self.distance_db + self.pattern_db + self.polarisation_db + self.terrain_db)


def free_space_loss_db(distance_m: ArrayLike, frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Basic free-space transmission loss 20 log10(4 pi d / wavelength), dB (ITU-R P.525-4)."""
    d, f = np.asarray(distance_m, dtype=np.float64), np.asarray(frequency_hz, dtype=np.float64)
    if not (np.all(d > 0) and np.all(f > 0)):
        raise NumericInputError("a distance or a frequency is not above zero", expected="metres and hertz")
    return np.asarray(20 * np.log10(4 * np.pi * d * f / SPEED_OF_LIGHT))


def pattern_db(
    off_az_deg: ArrayLike,
    off_el_deg: ArrayLike,
    beamwidth_az_deg: ArrayLike,
    beamwidth_el_deg: ArrayLike,
    *,
    floor_db: float = 30.0,
) -> NDArray[np.float64]:
    """What a head loses off its axis, dB: Gaussian (3 dB at half the beamwidth), at most ``floor_db``."""
    az = np.asarray(off_az_deg, dtype=np.float64) / np.asarray(beamwidth_az_deg, dtype=np.float64)
    el = np.asarray(off_el_deg, dtype=np.float64) / np.asarray(beamwidth_el_deg, dtype=np.float64)
    # half power is 3.01 dB, so 12.04 dB for a whole beamwidth off the axis
    return np.asarray(np.minimum(40 * np.log10(2.0) * (az**2 + el**2), floor_db))


def terrain_loss_db(
    tx: ArrayLike, rx: ArrayLike, wavelength_m: ArrayLike, ground: Ground, *, spacing_m: float = 2.0
) -> NDArray[np.float64]:
    """Loss over the highest edge of each path by its diffraction parameter, dB, zero or more (ITU-R P.526-15).

    Parameters
    ----------
    tx, rx : (n, 3) ends of the paths, m. wavelength_m : (n,) or one number.
    ground : level at any points, m; unknown ground (NaN) hides nothing. spacing_m : of the ground looked at.
    """
    a, b = np.atleast_2d(np.asarray(tx, dtype=np.float64)), np.atleast_2d(np.asarray(rx, dtype=np.float64))
    length = np.hypot(*(b - a)[:, :2].T)
    wave = np.broadcast_to(np.asarray(wavelength_m, dtype=np.float64), length.shape)
    loss = np.zeros(length.size)
    order = np.argsort(length, kind="stable")
    lo = 0
    while lo < order.size:
        # paths of like length together, so that no short path is sampled as finely as a long one
        hi = min(order.size, lo + max(1, int(400_000 / (length[order[lo]] / spacing_m + 4))))
        part = order[lo:hi]
        lo = hi
        count = int(np.clip(np.ceil(length[part].max() / spacing_m), 4, 512))
        t = (np.arange(count) + 0.5) / count
        x = a[part, 0, None] + t * (b - a)[part, 0, None]
        y = a[part, 1, None] + t * (b - a)[part, 1, None]
        ray = a[part, 2, None] + t * (b - a)[part, 2, None]
        d1, d2 = t * length[part, None], (1 - t) * length[part, None]
        height = np.nan_to_num(ground(x, y) - ray, nan=-np.inf)
        root = np.sqrt(2 * length[part, None] / (wave[part, None] * np.maximum(d1 * d2, 1e-6)))
        nu = np.max(np.where(np.isfinite(height), height * root, -10.0), axis=1)
        # below -0.78 the recommendation takes the loss as nothing
        loss[part] = np.where(nu > -0.78, np.maximum(knife_edge_loss_db(np.maximum(nu, -0.78)), 0.0), 0.0)
    return loss


def _off_axis(heads: HeadArray, offset: NDArray[Any], *, axis: int) -> tuple[NDArray[Any], NDArray[Any]]:
    """Angles between each head's axis and the way to the other head, azimuth and elevation, degrees."""
    bearing = np.degrees(np.arctan2(offset[..., 0], offset[..., 1]))
    rise = np.degrees(np.arctan2(offset[..., 2], np.hypot(offset[..., 0], offset[..., 1])))
    shape = (-1, 1) if axis == 0 else (1, -1)
    az = np.abs((bearing - heads.azimuth_deg.reshape(shape) + 180.0) % 360.0 - 180.0)
    return az, rise - heads.tilt_deg.reshape(shape)


def reception(
    receivers: HeadArray,
    transmitters: HeadArray,
    *,
    cross_polar_db: float = 20.0,
    floor_db: float = 30.0,
    ground: Ground | None = None,
    ask_terrain: Callable[[NDArray[np.float64]], NDArray[np.bool_]] | None = None,
) -> Reception:
    """Every receiver against every transmitter.

    Parameters
    ----------
    receivers, transmitters : n and m heads.
    cross_polar_db : loss between crossed polarisations. floor_db : side and back lobes of one head below its peak.
    ground : ground level at any points, m; None leaves terrain out.
    ask_terrain : given the level without terrain (n, m), says for which pairs terrain is worth asking; None for all.
    """
    offset = transmitters.xyz[None, :, :] - receivers.xyz[:, None, :]
    distance = np.maximum(np.sqrt(np.sum(offset**2, axis=2)), _NEAREST_M)
    same_band = np.abs(receivers.frequency_hz[:, None] / transmitters.frequency_hz[None, :] - 1) < 0.05
    path = np.where(same_band, free_space_loss_db(distance, transmitters.frequency_hz[None, :]), np.inf)
    at_rx = pattern_db(
        *_off_axis(receivers, offset, axis=0),
        receivers.beamwidth_az_deg[:, None],
        receivers.beamwidth_el_deg[:, None],
        floor_db=floor_db,
    )
    at_tx = pattern_db(
        *_off_axis(transmitters, -offset, axis=1),
        transmitters.beamwidth_az_deg[None, :],
        transmitters.beamwidth_el_deg[None, :],
        floor_db=floor_db,
    )
    crossed = np.where(receivers.vertical[:, None] != transmitters.vertical[None, :], cross_polar_db, 0.0)
    terrain = np.zeros(distance.shape)
    if ground is not None:
        ask = same_band & (True if ask_terrain is None else ask_terrain(-(path + at_rx + at_tx + crossed)))
        r, t = np.nonzero(ask)
        if r.size:
            terrain[r, t] = terrain_loss_db(
                transmitters.xyz[t], receivers.xyz[r], SPEED_OF_LIGHT / transmitters.frequency_hz[t], ground
            )
    return Reception(path, at_rx + at_tx, crossed, terrain)
