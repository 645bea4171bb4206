"""When a receiver alarms, and how finely the ground is looked at."""

from __future__ import annotations

from typing import Literal

from geotools.site.base import CHOICE, SiteSection, setting
from geotools.site.catalogue import COMMON


class Detection(SiteSection):
    """Detection settings."""

    threshold: float = setting(
        "modulation at which the receiver alarms (m0), a share of the received field",
        mark=COMMON,
        default=0.20,
        gt=0.01,
        lt=1,
    )
    envelope_threshold: float = setting(
        "rise and fall of the received level that alarms, a share of the undisturbed signal; a place counts as "
        "detected only where both laws agree; 0 leaves this one out",
        mark=COMMON,
        default=0.23,
        ge=0,
        lt=1,
    )
    uncertain: tuple[Literal["survey", "spacing", "build", "body", "surface", "heads", "law"], ...] = setting(
        "what enters the confidence of a verdict: the survey's accuracy, dips between its points, how works turn out, "
        "bodies' sizes, the surface of grass or snow, heads as mounted, the receiver's other law; what is left out is "
        "taken as exactly known",
        mark=COMMON,
        default=("survey", "spacing", "build", "body", "surface", "heads", "law"),
    )
    aim_tolerance_deg: float = setting(
        "how far a head may point off the other one as mounted, up or sideways (95 %)",
        unit="degree",
        mark=COMMON,
        default=1.0,
        ge=0,
        le=5,
    )
    head_tolerance_m: float = setting(
        "how far a head may be off its height as mounted (95 %)", unit="m", mark=COMMON, default=0.02, ge=0, le=0.2
    )
    body_range: float = setting(
        "share by which people are taller or shorter, wider or narrower than the target",
        mark=COMMON,
        default=0.15,
        ge=0,
        le=0.5,
    )
    dip_length_m: float = setting(
        "shortest dip, along the beam, that somebody uses: where the survey would not show one, and ground of this "
        "roughness could hold one deep enough, nothing counts as detected; 0 leaves such dips out (a person lies along "
        "the beam in 1.7 m; whoever goes head first needs a drain of 0.5 m)",
        unit="m",
        mark=COMMON,
        default=1.7,
        ge=0,
        le=10,
    )
    half_width_m: float = setting(
        "half of the width of ground examined about the beam line", unit="m", mark=COMMON, default=2.0, ge=0.5, le=10
    )
    spacing_m: float = setting(
        "spacing of the places examined along a beam", unit="m", mark=CHOICE, default=0.5, ge=0.1, le=2
    )
    grass_m: float = setting(
        "height that grass or snow may reach: it hides a crawler from below, or reflects at its top",
        unit="m",
        mark=CHOICE,
        default=0.0,
        ge=0,
        le=0.5,
    )
    rain_mm_h: float = setting(
        "rain rate for which the loss of each beam is given", unit="mm/h", mark=CHOICE, default=50.0, ge=0, le=300
    )

    @property
    def left_out(self) -> tuple[str, ...]:
        """Sources of what is not known that enter no verdict: left out by name, or by a tolerance of nothing."""
        exact = {
            "spacing": self.dip_length_m == 0.0,
            "body": self.body_range == 0.0,
            "heads": self.head_tolerance_m == 0.0 and self.aim_tolerance_deg == 0.0,
            "law": self.envelope_threshold == 0.0,
        }
        every = ("survey", "spacing", "build", "body", "surface", "heads", "law")
        return tuple(name for name in every if name not in self.uncertain or exact.get(name, False))
