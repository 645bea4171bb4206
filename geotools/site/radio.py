"""How channels are given out."""

from __future__ import annotations

from geotools.site.base import SiteSection, setting
from geotools.site.catalogue import COMMON


class Channels(SiteSection):
    """Channel settings; the head maker's data sheet overrules the defaults."""

    available: int | None = setting(
        "channels the heads offer, all of which are used; empty to be given the number that is needed",
        default=None,
        ge=1,
        le=64,
    )
    shared_in_stack: bool = setting(
        "whether all beams of a zone's stack share one channel; false: each beam is given its own by the same margins",
        mark=COMMON,
        default=True,
    )
    protection_db: float = setting(
        "how far an unwanted signal on the channel must lie below the wanted one",
        unit="dB",
        mark=COMMON,
        default=15.0,
        ge=0,
        le=60,
    )
    cross_polar_db: float = setting(
        "loss between heads of crossed polarisation", unit="dB", mark=COMMON, default=20.0, ge=0, le=60
    )
    side_lobe_db: float = setting(
        "side and back lobes of a head below its peak", unit="dB", mark=COMMON, default=30.0, ge=10, le=80
    )
