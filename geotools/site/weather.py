"""The site's year in figures: rain, ponds, snow and grass month by month, and what they do to a receiver."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from geotools.site.base import CHOICE, PLACEHOLDER, SiteSection, setting

__all__ = ["DAYS", "MONTHS", "Weather"]

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
#: Days of each month of a common year.
DAYS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)

Twelve = tuple[Annotated[float, Field(ge=0, le=200)], ...]


class Weather(SiteSection):
    """Month by month, January first; every figure is a placeholder for the climate normals of the nearest station."""

    fade_margin_db: float = setting(
        "how far a beam's received level may fall below that of a dry day on cut grass before its receiver fails",
        unit="dB",
        mark=PLACEHOLDER,
        default=10.0,
        gt=0,
        le=40,
    )
    rain_days: Twelve = setting(
        "days of the month with rain",
        unit="day",
        mark=PLACEHOLDER,
        default=(15.0, 13.0, 13.0, 12.0, 12.0, 13.0, 13.0, 12.0, 12.0, 13.0, 14.0, 15.0),
        min_length=12,
        max_length=12,
    )
    rain_mm_h: Twelve = setting(
        "mean over those days of the heaviest rain of the day, a minute long",
        unit="mm/h",
        mark=PLACEHOLDER,
        default=(3.0, 3.0, 4.0, 5.0, 8.0, 10.0, 12.0, 12.0, 8.0, 5.0, 4.0, 3.0),
        min_length=12,
        max_length=12,
    )
    pond_days: Twelve = setting(
        "days of the month on which hollows stand full of water",
        unit="day",
        mark=PLACEHOLDER,
        default=(6.0, 5.0, 4.0, 2.0, 1.0, 1.0, 1.0, 1.0, 1.0, 2.0, 4.0, 6.0),
        min_length=12,
        max_length=12,
    )
    snow_days: Twelve = setting(
        "days of the month on which snow lies",
        unit="day",
        mark=PLACEHOLDER,
        default=(8.0, 7.0, 3.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 2.0, 6.0),
        min_length=12,
        max_length=12,
    )
    snow_depth_m: Twelve = setting(
        "mean depth of the snow on those days",
        unit="m",
        mark=PLACEHOLDER,
        default=(0.06, 0.06, 0.04, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.03, 0.05),
        min_length=12,
        max_length=12,
    )
    grass_m_month: Twelve = setting(
        "how far grass grows in the month",
        unit="m",
        mark=PLACEHOLDER,
        default=(0.0, 0.0, 0.03, 0.08, 0.15, 0.15, 0.10, 0.08, 0.06, 0.04, 0.0, 0.0),
        min_length=12,
        max_length=12,
    )
    cut_to_m: float = setting("height that grass is cut to", unit="m", mark=PLACEHOLDER, default=0.03, ge=0, le=0.3)
    cut_minutes: float = setting(
        "time of one person to cut the corridor of one zone before its grass reaches the height that it may",
        unit="min",
        mark=PLACEHOLDER,
        default=60.0,
        ge=0,
        le=2880,
    )
    pond_shares: tuple[float, ...] = setting(
        "shares of its depth that a pond is looked at, filled so far",
        mark=CHOICE,
        default=(0.5, 1.0),
        min_length=1,
        max_length=4,
    )

    @model_validator(mode="after")
    def _fits_the_months(self) -> Weather:
        for name in ("rain_days", "pond_days", "snow_days"):
            for month, days, most in zip(MONTHS, getattr(self, name), DAYS, strict=True):
                if days > most:
                    raise ValueError(f"weather.{name}: {days:g} days in {month}, which has {most}")
        if any(not 0.1 <= share <= 1.0 for share in self.pond_shares):
            raise ValueError("weather.pond_shares: a share lies outside 0.1 to 1")
        return self
