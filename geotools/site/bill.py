"""What the bill of quantities needs beside the prices that the layout and the remedies are weighed with."""

from __future__ import annotations

from geotools.site.base import PLACEHOLDER, SiteSection, setting

__all__ = ["BillPrices"]


class BillPrices(SiteSection):
    """Further prices of the bill of quantities, in the currency of [prices]; the defaults are round placeholders."""

    bracket: float = setting("one bracket with its fixings, on top of prices.head", mark=PLACEHOLDER, default=0.0, ge=0)
    cover: float = setting("weather cover of one head, on top of prices.head", mark=PLACEHOLDER, default=0.0, ge=0)
    foundation: float = setting("foundation of one post, on top of prices.post", mark=PLACEHOLDER, default=0.0, ge=0)
    camera: float = setting("one camera with lens, mount, post and setting up", mark=PLACEHOLDER, default=2000.0, ge=0)
    trench_m: float = setting("one metre of trench, dug, bedded and filled", mark=PLACEHOLDER, default=30.0, ge=0)
    road_m: float = setting(
        "one metre of trench beneath a road, on top of trench_m", mark=PLACEHOLDER, default=200.0, ge=0
    )
    drain_crossing: float = setting("one crossing of a drain by a trench", mark=PLACEHOLDER, default=300.0, ge=0)
    fence_crossing: float = setting("one crossing of a fence by a trench", mark=PLACEHOLDER, default=200.0, ge=0)
    cable_m: float = setting("one metre of cable, laid", mark=PLACEHOLDER, default=4.0, ge=0)
    conduit_m: float = setting("one metre of conduit, laid", mark=PLACEHOLDER, default=6.0, ge=0)
    spare_share: float = setting(
        "heads kept as spares, share of those of a type, rounded up", mark=PLACEHOLDER, default=0.10, ge=0, le=1
    )
