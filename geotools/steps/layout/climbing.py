"""How far from a fence a post must stand so that its highest head is no foothold over it."""

from __future__ import annotations

import numpy as np

__all__ = ["climbing_distance_m"]


def climbing_distance_m(head_m: float, fence_m: float, *, reach_m: float, leap_m: float) -> float:
    """Distance within which a post is an aid to climbing, m; 0 where it is none.

    Whoever stands on the head reaches ``reach_m`` above it. Where that is below the fence's top the post is no aid.
    Where the head is as high as the fence, the whole leap counts; in between the leap grows with the height by which
    the reach passes the fence's top. A choice of this toolkit; reach and leap are common practice, no source.

    Parameters
    ----------
    head_m : height of the post's highest head above the ground, m.
    fence_m : height of the fence, m.
    reach_m : how far above a foothold somebody gets hold of the fence's top, m, above zero.
    leap_m : how far somebody gets across from a foothold as high as the fence, m.

    Examples
    --------
    >>> climbing_distance_m(2.4, 2.4, reach_m=2.2, leap_m=1.5)
    1.5
    >>> climbing_distance_m(0.9, 4.5, reach_m=2.2, leap_m=1.5)
    0.0
    """
    return float(leap_m * np.clip((head_m + reach_m - fence_m) / reach_m, 0.0, 1.0))
