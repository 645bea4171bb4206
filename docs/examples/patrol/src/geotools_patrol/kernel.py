"""Where along a stretch somebody looks in."""

from __future__ import annotations

import math


def places(length_m: float, every_m: float) -> list[float]:
    """Distances along a stretch: one place for every so many metres begun, spread evenly, in metres from its start."""
    count = max(1, math.ceil(length_m / every_m))
    return [(number + 0.5) * length_m / count for number in range(count)]
