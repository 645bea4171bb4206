"""A second opinion in three dimensions, where the ground beside the beam line may decide.

The answer is that of the field over the beam line's own profile. Where the ground changes across the strip, the field
is solved with the ground across as well; what the one detects and the other does not is unproven, never the other way.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geotools.beam.field3d import solve_3d
from geotools.beam.strip import Strip, in_grass
from geotools.detection.perimeter import Perimeter

__all__ = ["CROSS_RELIEF_M", "FIELDS", "cross_relief", "open_in_3d", "rows_in_question"]

FIELDS = ("auto", "2d", "3d")
CROSS_RELIEF_M = 0.10
"""Ground beside the beam line that lies so far off the strip's mean cross slope may move the answer: on the shapes of
docs/evidence.md the two fields differ by more than 0.05 only where it lies 0.2 m off or more; half of that is taken."""

_BESIDE_M = 1.0
"""How far to the side that is looked at, m: about the radius of the first Fresnel zone at mid-span (ITU-R P.530-18)."""

_NEAR = (0.5, 1.6)
"""Share of the threshold within which an answer hangs on the field."""

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]


def cross_relief(strip: Strip) -> Floats:
    """How far the ground just beside the beam line lies off the strip's mean cross slope, (n,) m."""
    near = np.abs(strip.offset_m) <= _BESIDE_M
    slope = float(np.tan(np.median(strip.cross_slope_rad)))
    off = strip.ground_m - strip.line_ground_m[:, None] - slope * strip.offset_m
    return np.asarray(np.abs(off[:, near]).max(axis=1))


def rows_in_question(perimeter: Perimeter, zone_id: str, field: str) -> Flags:
    """Stations whose answer is computed from the field in three dimensions, (n,)."""
    strip = perimeter.strip(zone_id)
    if field == "3d":
        return np.ones(strip.chainage_m.size, dtype=bool)
    rows = cross_relief(strip) >= CROSS_RELIEF_M
    if field == "2d" or not rows.any():
        return np.zeros_like(rows)
    low, high = (share * perimeter.rules.threshold for share in _NEAR)
    met = np.array(list(perimeter.straight_over(zone_id).values()))
    return np.asarray(rows & ((met > low) & (met < high)).any(axis=0))


def open_in_3d(perimeter: Perimeter, zone_id: str, rows: Flags) -> dict[str, Flags]:
    """Stations that each threat crosses undetected by the field in three dimensions at these rows, (n,).

    At other rows, and in other zones, the field over the profile stands.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    zone_id : str
        The zone.
    rows : (n,) bool
        Stations in question.
    """
    zone, strip, rules = perimeter.zones[zone_id], perimeter.strip(zone_id), perimeter.rules
    asked = np.flatnonzero(rows)
    own = {threat: modulation * ~rows[:, None] for threat, modulation in perimeter.own(zone_id).items()}
    across = np.broadcast_to(strip.across_m, strip.ground_m.shape)
    for pair in zone.pairs:
        field = solve_3d(strip.beam(pair.head_type, pair.tx_height_m, pair.rx_height_m), strip)
        step = field.chainage_m[1]
        for threat, target in zip(rules.targets, rules.targets_of(zone), strict=True):
            seen = in_grass(target, rules.grass_m)
            if seen is None:
                continue
            for row in asked:
                at = int(np.rint(strip.chainage_m[row] / step))
                own[threat][row] = np.maximum(own[threat][row], np.abs(field.cut(seen, at, across[row])))
    return perimeter.dead(zone_id, own)
