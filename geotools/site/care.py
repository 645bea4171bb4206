"""What the walk test has to prove, and how the site keeps its heads."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from geotools.site.base import SiteSection, setting
from geotools.site.catalogue import COMMON


class WalkTest(SiteSection):
    """Walk-test settings."""

    probability: float = setting(
        "detection probability to show", mark="UFGS intrusion-detection sections", default=0.90, ge=0.5, le=0.999
    )
    confidence: float = setting(
        "confidence to show it at", mark="UFGS intrusion-detection sections", default=0.95, ge=0.5, le=0.999
    )
    failures: int = setting("misses allowed for in the number of trials", default=0, ge=0, le=20)


class Upkeep(SiteSection):
    """Upkeep settings; intervals are common practice, the equipment's manual wins."""

    start: date | None = setting("first day of the plan; empty for the day it is made", default=None)
    years: int = setting("length of the plan and of the cost comparison", unit="year", default=10, ge=1, le=30)
    radome_care: Literal["wax", "shed"] = setting(
        "wax: radomes cleaned and waxed; shed: water-shedding radomes, replaced", mark=COMMON, default="wax"
    )
    wax_months: int = setting("interval of waxing, or of rinsing", unit="month", mark=COMMON, default=3, ge=1, le=24)
    radome_months: int = setting("life of a water-shedding radome", unit="month", mark=COMMON, default=24, ge=1, le=120)
    grass_months: tuple[Annotated[int, Field(ge=1, le=12)], ...] = setting(
        "months of the year in which grass is cut", default=(4, 5, 6, 7, 8, 9, 10)
    )
    storms: tuple[date, ...] = setting("days of storms; each brings a re-survey of every zone a week later", default=())
    hour_rate: float = setting("cost of an hour of one person", unit="currency", mark="placeholder", default=60.0, ge=0)
    wax_price: float = setting(
        "material of one waxing of a head", unit="currency", mark="placeholder", default=3.0, ge=0
    )
    radome_price: float = setting("a water-shedding radome", unit="currency", mark="placeholder", default=120.0, ge=0)
    discount: float = setting("discount of later costs, a year", default=0.0, ge=0, le=0.3)
