"""When a receiver alarms, and how finely the ground is looked at."""

from __future__ import annotations

from geotools.site.base import Section, setting
from geotools.site.catalogue import COMMON


class Detection(Section):
    """Detection settings."""

    threshold: float = setting(
        "modulation at which the receiver alarms (m0), a share of the received field",
        mark=COMMON,
        default=0.20,
        gt=0.01,
        lt=1,
    )
    half_width_m: float = setting(
        "half of the width of ground examined about the beam line", unit="m", mark=COMMON, default=2.0, ge=0.5, le=10
    )
    spacing_m: float = setting("spacing of the places examined along a beam", unit="m", default=0.5, ge=0.1, le=2)
    grass_m: float = setting("height of grass that hides a crawler from below", unit="m", default=0.0, ge=0, le=0.5)
    rain_mm_h: float = setting(
        "rain rate for which the loss of each beam is told", unit="mm/h", default=50.0, ge=0, le=300
    )
