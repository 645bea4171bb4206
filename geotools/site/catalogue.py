"""Targets and head types a site file can name without describing them; it may add its own or change these.

Sizes, bands and ranges are the beam model's own catalogue (`geotools.beam`). The head types stand for no equipment: one
class for each band, its figures round placeholders.
"""

from __future__ import annotations

from geotools.beam import HEAD_TYPES, OVER_FENCE, TARGETS, Target
from geotools.site.base import CHOICE, PLACEHOLDER, SiteSection, setting

COMMON = "common practice, no source"
#: How far the ground may lie below straight: a person this low or lower counts as prone (common practice, from memory).
PRONE_HEIGHT_M = 0.35
PRONE_STRAIGHTNESS_M, CRAWL_STRAIGHTNESS_M = 0.075, 0.15
#: What the set-up sheet says where the head type has no words of its own.
UPRIGHT = "upright, fitted as the head's manual says"
TURNED = "turned 90 degrees; weather cover and drains placed as the head's manual says"


class TargetSettings(SiteSection):
    """A person, or what stands for one, as an upright rectangle across the beam."""

    height_m: float = setting("height of the silhouette", unit="m", ge=0.01, le=5)
    width_m: float = setting("width of the silhouette", unit="m", ge=0.01, le=10)
    base_m: float = setting(
        "height of its underside above the ground; with over_fence, above the top of the fence",
        unit="m",
        mark=CHOICE,
        default=0.0,
        ge=0,
        le=20,
    )
    over_fence: bool = setting(
        "whether its way is as high as the fence it crosses (bridging, a jump from the fence): the height comes from "
        "the fence features' field height_m, or from fence_height_m",
        mark=CHOICE,
        default=False,
    )
    straightness_m: float | None = setting(
        "how far the ground may lie off the straight line between the heads' feet, for the straight-edge check",
        unit="m",
        default=None,
        gt=0,
        le=1,
    )


class HeadTypeSettings(SiteSection):
    """A transmitter and receiver pair."""

    frequency_ghz: float = setting("carrier frequency", unit="GHz", ge=1, le=100)
    beamwidth_az_deg: float = setting("half-power beamwidth, level", unit="degree", ge=0.5, le=40)
    beamwidth_el_deg: float = setting("half-power beamwidth, upright", unit="degree", ge=0.5, le=40)
    min_range_m: float = setting("shortest distance between the heads", unit="m", mark=PLACEHOLDER, default=3.0, ge=1)
    max_range_m: float = setting("longest distance between the heads", unit="m", gt=3, le=5000)
    upright_fitting: str = setting(
        "how an upright head is fitted, for the set-up sheet", mark=PLACEHOLDER, default=UPRIGHT, max_length=200
    )
    turned_fitting: str = setting(
        "how a head turned 90 degrees is fitted, for the set-up sheet", mark=PLACEHOLDER, default=TURNED, max_length=200
    )


def default_targets() -> dict[str, TargetSettings]:
    """The catalogue of targets, by threat name. Those that pass above the ground ask nothing of its straightness."""
    found = {}
    for name, target in TARGETS.items():
        tolerance = PRONE_STRAIGHTNESS_M if target.height_m <= PRONE_HEIGHT_M else CRAWL_STRAIGHTNESS_M
        found[name] = TargetSettings(
            height_m=target.height_m,
            width_m=target.width_m,
            base_m=target.base_m,
            straightness_m=tolerance if target.base_m == 0.0 else None,
        )
    for name, target in OVER_FENCE.items():
        found[name] = TargetSettings(height_m=target.height_m, width_m=target.width_m, over_fence=True)
    return found


def target_of(name: str, settings: TargetSettings) -> Target:
    """A target as the beam model takes it; one over the fence with its underside counted from the fence's top."""
    return Target(name, settings.height_m, settings.width_m, settings.base_m)


#: Shortest distances by head type (placeholders).
_SHORTEST_M = {"10 GHz": 5.0, "24 GHz": 20.0}


def default_head_types() -> dict[str, HeadTypeSettings]:
    """The catalogue of head types, by name."""
    return {
        name: HeadTypeSettings(
            frequency_ghz=head.frequency_hz / 1e9,
            beamwidth_az_deg=head.beamwidth_az_deg,
            beamwidth_el_deg=head.beamwidth_el_deg,
            min_range_m=_SHORTEST_M.get(name, 3.0),
            max_range_m=head.max_range_m,
        )
        for name, head in HEAD_TYPES.items()
    }
