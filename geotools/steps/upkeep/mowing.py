"""Cuts that a zone's grass needs besides those of the maintenance tasks, so that its operating window stays open."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date, timedelta

from dateutil.relativedelta import relativedelta

from geotools.site.weather import DAYS, Weather
from geotools.steps.upkeep.kernel import Visit

__all__ = ["mowing_days", "mowing_visits"]


def mowing_days(limit_m: float, weather: Weather, start: date, end: date, cut_on: Collection[date] = ()) -> list[date]:
    """Days on which grass has to be cut before it stands higher than a limit, start to end, both included.

    Parameters
    ----------
    limit_m : float
        Height that it may reach, m.
    weather : Weather
        Growth by month, evenly over its days, and the height that it is cut to.
    start, end : date
        Of the plan; it is cut on the first day.
    cut_on : collection of date
        Days on which it is cut anyway.
    """
    if limit_m <= weather.cut_to_m:
        return []
    known, found = frozenset(cut_on), []
    height, day = weather.cut_to_m, start
    while day <= end:
        # a common year's days: a leap day grows as the others of its month
        growth = weather.grass_m_month[day.month - 1] / DAYS[day.month - 1]
        if day in known:
            height = weather.cut_to_m
        elif height + growth > limit_m + 1e-9:
            found.append(day)
            height = weather.cut_to_m
        height += growth
        day += timedelta(days=1)
    return found


def mowing_visits(
    limits_m: Mapping[str, float], weather: Weather, start: date, years: int, cut_on: Mapping[str, Collection[date]]
) -> list[Visit]:
    """Visits that cut the grass of zones in time, in order; limits_m, cut_on : by zone, as of `mowing_days`."""
    end = start + relativedelta(years=years)
    found = []
    for zone_id, limit in limits_m.items():
        for number, day in enumerate(mowing_days(limit, weather, start, end, cut_on.get(zone_id, ())), 1):
            found.append(
                Visit(
                    day,
                    f"cut before the grass reaches {limit:.2f} m",
                    "zone",
                    zone_id,
                    weather.cut_minutes,
                    f"Cut the corridor to {weather.cut_to_m:.2f} m: higher grass closes the zone's operating window.",
                    f"mowing {number}",
                )
            )
    return sorted(found)
