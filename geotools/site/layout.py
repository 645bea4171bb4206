"""How zones are cut and heads stacked."""

from __future__ import annotations

from typing import Literal

from geotools.site.base import CHOICE, SiteSection, setting
from geotools.site.catalogue import COMMON


class Layout(SiteSection):
    """Layout settings; the defaults follow common practice and can be edited."""

    side: Literal["inside", "outside", "left", "right", "between"] = setting(
        "side of the fence the beams stand on; left and right count along the line; between is midway of two fences",
        mark=CHOICE,
        default="inside",
    )
    setback_m: float = setting(
        "distance of the beam line from the fence", unit="m", mark=COMMON, default=3.0, ge=0.5, le=50
    )
    max_zone_m: float = setting(
        "longest zone, as camera assessment allows", unit="m", mark=COMMON, default=100.0, ge=10, le=5000
    )
    min_zone_m: float = setting("shortest zone worth two posts", unit="m", mark=COMMON, default=10.0, ge=3, le=100)
    overlap_m: float = setting(
        "least overlap of two zones in line; the heads' dead spots may require more",
        unit="m",
        mark=COMMON,
        default=5.0,
        ge=0,
        le=30,
    )
    clear_m: float = setting(
        "how far from the fence the ground is clear; beams stay within it",
        unit="m",
        mark=COMMON,
        default=9.0,
        ge=1,
        le=100,
    )
    margin_m: float = setting(
        "free distance between a beam and fence or keep-out", unit="m", mark=COMMON, default=0.3, ge=0, le=5
    )
    post_clear_m: float = setting(
        "least distance of a post from fence or keep-out; more where its highest head is a foothold over the fence",
        unit="m",
        mark=COMMON,
        default=1.0,
        ge=0,
        le=10,
    )
    climb_reach_m: float = setting(
        "how far above a head somebody who stands on it gets hold of the fence's top",
        unit="m",
        mark=COMMON,
        default=2.2,
        gt=0.5,
        le=4,
    )
    climb_leap_m: float = setting(
        "how far somebody gets across from a head as high as the fence", unit="m", mark=COMMON, default=1.5, ge=0, le=5
    )
    fresnel_zones: float = setting(
        "width of a beam in radii of the first Fresnel zone (ITU-R P.530-18)", mark=COMMON, default=1.0, ge=0.6, le=3
    )
    stagger_m: float = setting(
        "sideways distance of two posts whose zones overlap in line, at most; less where the strips in which the two "
        "zones detect would not meet",
        unit="m",
        mark=COMMON,
        default=0.5,
        ge=0,
        le=3,
    )
    head_settlement_m: float = setting(
        "how far a head may come to stand higher or lower above the ground between the posts and still be out of a "
        "ground-reflection null",
        unit="m",
        mark=CHOICE,
        default=0.05,
        ge=0,
        le=0.2,
    )
    candidate_spacing_m: float = setting(
        "spacing of the places examined for a post", unit="m", mark=CHOICE, default=5.0, ge=1, le=50
    )
    gate_margin_m: float = setting(
        "how far a gate's own zone reaches past the gate on either side",
        unit="m",
        mark=COMMON,
        default=2.0,
        ge=0,
        le=20,
    )
    dead_ground_m: float = setting(
        "weight of a metre of perimeter that stays undetected, in the site's currency",
        mark="a weight, not a price of the trade",
        default=2000.0,
        ge=0,
    )
    off_line_m: float = setting(
        "weight of a metre of beam 1 m off the line it is to follow (setback_m from the fence, or midway of two), "
        "in the site's currency; 2 m off counts four times, so that beams keep parallel to the fence",
        mark="a weight, not a price of the trade",
        default=2.0,
        ge=0,
    )
