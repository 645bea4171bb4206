"""Targets and head types a site file can name without describing them; it may add its own or change these.

Sizes and ranges are common practice, no source, save where named. Head types are called by band and beam, not by make.
"""

from __future__ import annotations

from geotools.site.base import Section, setting

COMMON = "common practice, no source"


class TargetSettings(Section):
    """A person, or what stands for one, as an upright rectangle across the beam."""

    height_m: float = setting("height of the silhouette", unit="m", gt=0, le=5)
    width_m: float = setting("width of the silhouette", unit="m", gt=0, le=5)
    base_m: float = setting("height of its underside above the ground", unit="m", default=0.0, ge=0, le=10)
    straightness_m: float | None = setting(
        "how far the ground may lie below the straight line between the heads' feet, for the straightness rule",
        unit="m",
        default=None,
        gt=0,
        le=1,
    )


class HeadTypeSettings(Section):
    """A transmitter and receiver pair."""

    frequency_ghz: float = setting("carrier frequency", unit="GHz", gt=1, le=100)
    beamwidth_az_deg: float = setting("half-power beamwidth, level", unit="degree", gt=0.5, le=60)
    beamwidth_el_deg: float = setting("half-power beamwidth, upright", unit="degree", gt=0.5, le=60)
    min_range_m: float = setting("shortest distance between the heads", unit="m", default=3.0, ge=1)
    max_range_m: float = setting("longest distance between the heads", unit="m", gt=3, le=2000)


def default_targets() -> dict[str, TargetSettings]:
    """The catalogue of targets, by threat name."""
    size = {"width_m": 0.50}
    return {
        "walk": TargetSettings(height_m=1.70, straightness_m=0.15, **size),
        "run": TargetSettings(height_m=1.70, straightness_m=0.15, **size),
        "crawl": TargetSettings(height_m=0.70, straightness_m=0.15, **size),
        "prone": TargetSettings(height_m=0.30, straightness_m=0.075, **size),
        "prone side-on": TargetSettings(height_m=0.30, width_m=1.70, straightness_m=0.075),
        # the usual stand-in for a slow crawler: INMM annual meeting 1992, target simulation techniques
        "sphere": TargetSettings(height_m=0.30, width_m=0.30, straightness_m=0.075),
        "jump": TargetSettings(height_m=0.50, base_m=1.20, **size),
        "bridge": TargetSettings(height_m=0.50, base_m=2.20, **size),
    }


def default_head_types() -> dict[str, HeadTypeSettings]:
    """The catalogue of head types. Ranges: UFC 4-021-02NF, 5-4.3.2; beamwidths are common practice, no source."""
    return {
        "10 GHz": HeadTypeSettings(
            frequency_ghz=10.525, beamwidth_az_deg=6.0, beamwidth_el_deg=6.0, min_range_m=3.0, max_range_m=183.0
        ),
        "24 GHz": HeadTypeSettings(
            frequency_ghz=24.125, beamwidth_az_deg=3.5, beamwidth_el_deg=3.5, min_range_m=30.0, max_range_m=457.0
        ),
    }
