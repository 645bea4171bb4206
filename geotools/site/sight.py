"""Cameras that assess the alarms."""

from __future__ import annotations

from typing import Literal

from geotools.site.base import CHOICE, PLACEHOLDER, SiteSection, setting
from geotools.site.catalogue import COMMON


class Cameras(SiteSection):
    """Camera settings: one kind of camera, several lenses."""

    required_class: Literal["monitor", "detect", "observe", "recognise", "identify", "inspect"] = setting(
        "class of IEC 62676-4:2014 required at the far end of a zone (from memory; superseded in 2025: verify)",
        mark=COMMON,
        default="observe",
    )
    sensor_width_mm: float = setting(
        "light-sensitive width of the sensor", unit="mm", mark=PLACEHOLDER, default=5.6, gt=1, le=40
    )
    sensor_height_mm: float = setting(
        "light-sensitive height of the sensor", unit="mm", mark=PLACEHOLDER, default=3.15, gt=1, le=40
    )
    width_px: int = setting("pixels across", mark=PLACEHOLDER, default=1920, ge=320, le=20000)
    height_px: int = setting("pixels down", mark=PLACEHOLDER, default=1080, ge=240, le=20000)
    lenses_mm: tuple[float, ...] = setting(
        "focal lengths at hand",
        unit="mm",
        mark=PLACEHOLDER,
        default=(4.0, 6.0, 8.0, 12.0, 16.0, 25.0, 35.0, 50.0),
        min_length=1,
    )
    height_m: float = setting("height of a proposed camera", unit="m", mark=COMMON, default=4.5, gt=1, le=30)
    stand_back_m: float = setting(
        "how far behind a zone's end a proposed camera may stand", unit="m", mark=COMMON, default=40.0, ge=0, le=200
    )
    target_m: float = setting(
        "height that must be in sight above the ground", unit="m", mark=COMMON, default=0.3, gt=0.05, le=2
    )
    access_m: float = setting(
        "distance of a proposed camera's post from fences, keep-outs and head posts, so that it can be climbed to",
        unit="m",
        mark=COMMON,
        default=1.5,
        ge=0.5,
        le=10,
    )
    beam_clear_m: float = setting(
        "distance of a proposed camera's post from every beam line", unit="m", mark=COMMON, default=1.5, ge=0, le=10
    )
    on_head_posts: bool = setting(
        "whether proposed cameras may stand on the posts of heads", mark=CHOICE, default=False
    )
    positions: str | None = setting(
        "vector file with cameras that stand already: points; fields camera_id, zone_id, height_m, lens_mm, "
        "azimuth_deg and tilt_deg are read where there are any",
        default=None,
    )
    positions_layer: str | None = setting("layer of that file, where it has several", default=None)
    positions_crs: str | None = setting("coordinate system of that file where it names none", default=None)
