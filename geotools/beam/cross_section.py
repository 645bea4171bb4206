"""The ground across the beam, measured square to it: turning a site about the beam's axis must change nothing.

The field of a beam knows the distance of the ground from the line of the heads, and where a body stands beside that
line; both count at right angles to the ground, not plumb. The cross section is therefore turned by its own cross slope.

What is assumed: heights of heads are measured square to the ground at the foot of their post; bodies stand, crawl and
lie square to the ground; the beam line of the plan joins the feet of the posts; chainages stay level distances.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

__all__ = ["cross_slope", "squared", "squared_line"]

_ALONG_M = 4.0
"""Standard deviation (metres) of the smoothing of the cross slope along the beam: a mirror is as long as the reflection
at grazing incidence, and a hollow beside the line is relief on the slope, not another slope."""

_LOOKED_AT_M = 1.0
"""Cross sections this far apart along the beam are enough for what is smoothed over four times as much, metres."""

Floats = NDArray[np.float64]


def cross_slope(chainage_m: Floats, offset_m: Floats, ground_m: Floats) -> Floats:
    """Angle of the ground across the beam, radians, positive where it rises to the left, (n,).

    The median over pairs of places at least half the strip apart (Theil-Sen): a ditch or a bank on less than about a
    quarter of the width does not turn it. It is smoothed along the beam.

    Parameters
    ----------
    chainage_m : (n,) metres, even.
    offset_m : (k,) metres from the beam line, increasing, positive to the left.
    ground_m : (n, k) elevations, metres.

    References
    ----------
    P. K. Sen, Journal of the American Statistical Association 63 (1968), 1379-1389, doi 10.1080/01621459.1968.10480934.
    """
    left, right, width = _far_pairs(np.ascontiguousarray(offset_m, dtype=float).tobytes())
    step = (chainage_m[-1] - chainage_m[0]) / (chainage_m.size - 1)
    every = max(int(_LOOKED_AT_M / step), 1)
    rows = np.unique(np.append(np.arange(0, chainage_m.size, every), chainage_m.size - 1))
    looked_at = ground_m[rows]
    # an angle rises with its slope, so the middle slopes are those of the middle angles: few arcs in place of many
    last = width.size // 2
    first = last if width.size % 2 else last - 1
    slope = np.partition((looked_at[:, right] - looked_at[:, left]) / width, (first, last), axis=1)
    angle = np.arctan(slope[:, first : last + 1]).mean(axis=1)
    smooth = gaussian_filter1d(angle, _ALONG_M / (step * every), mode="nearest", truncate=3.0)
    return np.asarray(np.interp(chainage_m, chainage_m[rows], smooth))


@lru_cache(maxsize=64)
def _far_pairs(offsets: bytes) -> tuple[NDArray[np.intp], NDArray[np.intp], Floats]:
    """Places, left and right, at least half the strip apart, and how far; kept, for strips are mostly alike."""
    offset_m = np.frombuffer(offsets)
    left, right = np.triu_indices(offset_m.size, 1)
    width = offset_m[right] - offset_m[left]
    far = width >= 0.5 * (offset_m[-1] - offset_m[0]) - 1e-9
    return left[far], right[far], width[far]


def squared(offset_m: Floats, above_line_m: Floats, angle: Floats) -> tuple[Floats, Floats]:
    """Places of a cross section in its own frame: along the slope from the beam line, and square above it.

    Parameters
    ----------
    offset_m : (k,) level metres from the beam line.
    above_line_m : (n, k) plumb height above the ground under the beam line, metres.
    angle : (n,) from :func:`cross_slope`.

    Returns
    -------
    distance along the slope (n, k), height square to the slope (n, k), metres.
    """
    cosine, sine = np.cos(angle)[:, None], np.sin(angle)[:, None]
    return offset_m * cosine + above_line_m * sine, above_line_m * cosine - offset_m * sine


def squared_line(chainage_m: Floats, line_m: Floats, angle: Floats) -> Floats:
    """Ground under the beam line with its depth below the straight line between the posts taken square, (n,)."""
    share = (chainage_m - chainage_m[0]) / (chainage_m[-1] - chainage_m[0])
    straight = line_m[0] + (line_m[-1] - line_m[0]) * share
    return np.asarray(straight + (line_m - straight) * np.cos(angle))
