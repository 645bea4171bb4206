"""Aim of one head at another, and the ground distance a crew measures.

Arrays in, arrays out. Heights are metres of one datum; azimuths are degrees clockwise; tilt is degrees above the
horizontal. The earth's curvature drops a level line by 2 mm over 150 m and is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.errors import NumericInputError

__all__ = ["HeadAim", "aim", "degrees_minutes", "post_groups"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class HeadAim:
    """Where a head looks; every array has the shape of the heads.

    grid_azimuth : degrees clockwise from grid north. true_azimuth : from true north.
    tilt : degrees, positive up. ground_distance : horizontal metres as a tape measures them.
    slant_distance : metres from head to head.
    """

    grid_azimuth: Floats
    true_azimuth: Floats
    tilt: Floats
    ground_distance: Floats
    slant_distance: Floats


def aim(
    from_xyz: ArrayLike, to_xyz: ArrayLike, *, convergence: ArrayLike = 0.0, scale_factor: ArrayLike = 1.0
) -> HeadAim:
    """Azimuth, tilt and distances from heads to the heads they face.

    Parameters
    ----------
    from_xyz, to_xyz : (n, 3) easting, northing, antenna-centre height, metres.
    convergence : degrees of meridian convergence there: grid north minus true north, positive when grid north
        lies east of true north. True azimuth = grid azimuth + convergence.
    scale_factor : point scale factor of the projection (grid distance / ground distance).

    Raises NumericInputError when a head stands where the one it faces stands.
    """
    a = np.atleast_2d(np.asarray(from_xyz, float))
    b = np.atleast_2d(np.asarray(to_xyz, float))
    if a.shape != b.shape or a.shape[-1] != 3 or not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise NumericInputError(
            "Heads without full positions",
            where="from_xyz, to_xyz",
            found=f"shapes {a.shape} and {b.shape}",
            expected="two equal (n, 3) arrays of finite metres",
        )
    d = b - a
    ground = np.hypot(d[:, 0], d[:, 1]) / np.asarray(scale_factor, float)
    if np.any(ground < 1e-6):
        raise NumericInputError(
            "A head faces its own position",
            where=f"head number {int(np.argmax(ground < 1e-6)) + 1}",
            expected="two heads some metres apart",
        )
    azimuth = np.degrees(np.arctan2(d[:, 0], d[:, 1])) % 360.0
    return HeadAim(
        grid_azimuth=azimuth,
        true_azimuth=(azimuth + np.asarray(convergence, float)) % 360.0,
        tilt=np.degrees(np.arctan2(d[:, 2], ground)),
        ground_distance=ground,
        slant_distance=np.hypot(ground, d[:, 2]),
    )


def degrees_minutes(angle: float) -> str:
    """An azimuth as an instrument shows it: 123° 07′ (rounded to the minute, 360° 00′ shown as 0° 00′)."""
    minutes = round(angle * 60.0) % (360 * 60)
    return f"{minutes // 60}° {minutes % 60:02d}′"


def post_groups(xy: ArrayLike, tolerance: float = 0.05) -> NDArray[np.intp]:
    """Number of the post each head hangs on: heads nearer than `tolerance` metres in plan share one.

    Posts are numbered from 0 in the order their first head appears. xy : (n, 2) metres.
    """
    points = np.asarray(xy, float).reshape(-1, 2)
    group = np.full(len(points), -1, np.intp)
    firsts: list[int] = []
    for i, p in enumerate(points):
        if firsts:
            gap = np.hypot(*(points[firsts] - p).T)
            nearest = int(np.argmin(gap))
            if gap[nearest] <= tolerance:
                group[i] = nearest
                continue
        group[i] = len(firsts)
        firsts.append(i)
    return group
