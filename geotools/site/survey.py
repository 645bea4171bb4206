"""How far the terrain model is to be trusted."""

from __future__ import annotations

from geotools.site.base import CHOICE, SiteSection, setting
from geotools.site.catalogue import COMMON


class SurveySettings(SiteSection):
    """Survey settings. The stated accuracy itself stands in ``input.vertical_accuracy_m``."""

    check_points: str | None = setting(
        "CSV file of surveyed check points: columns x, y, z; plan coordinates, heights in metres, terrain's datum. "
        "Bias, RMSEz and correlation length are then estimated from it",
        default=None,
    )
    correlation_m: float = setting(
        "distance over which the model's errors go together, where check points do not give it",
        unit="m",
        mark=COMMON,
        default=8.0,
        ge=0.5,
        le=500,
    )
    draws: int = setting(
        "grounds drawn within the survey's accuracy to estimate how certain a dead spot is; 0 for none",
        mark=CHOICE,
        default=32,
        ge=0,
        le=2000,
    )
    seed: int = setting(
        "first number of the random sequence, so that runs repeat", mark=CHOICE, default=1, ge=0, le=2**31
    )
