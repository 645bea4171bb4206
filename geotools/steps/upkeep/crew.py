"""Which day each visit is done on, with as many hours as a crew has in a day."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, timedelta

from geotools.errors import NumericInputError
from geotools.steps.upkeep.kernel import Visit

__all__ = ["CrewDays", "crew_days"]


@dataclass(frozen=True)
class CrewDays:
    """A visit with the days it is done on.

    Attributes
    ----------
    visit : Visit
        As it falls due.
    parts : tuple of Visit
        The same on the day it is done, with the minutes of that day; several where it takes the crew longer than a day.
    """

    visit: Visit
    parts: tuple[Visit, ...]

    @property
    def first(self) -> date:
        """Day it is begun."""
        return self.parts[0].day

    @property
    def last(self) -> date:
        """Day it is finished."""
        return self.parts[-1].day


def crew_days(visits: Iterable[Visit], minutes_a_day: float, days_a_week: int = 7) -> list[CrewDays]:
    """Every visit on the day it is due, or on the next with time left for it, in the order they fall due.

    What fits in a day is not cut in two; what takes longer begins on a day of its own and goes on until done.

    Parameters
    ----------
    visits : iterable of Visit
        As they fall due.
    minutes_a_day : float
        Working time of the whole crew in a day.
    days_a_week : int
        Working days of a week, from Monday on; on the others the crew has no hours.
    """

    def working(day: date) -> date:
        return day + timedelta(days=7 - day.weekday()) if day.weekday() >= days_a_week else day

    if not minutes_a_day > 0:
        raise NumericInputError("A crew without working time", found=f"{minutes_a_day} min a day", expected="above 0")
    found: list[CrewDays] = []
    day, used = date.min, 0.0
    for visit in sorted(visits):
        if visit.day > day:
            day, used = working(max(day, visit.day)), 0.0
        # minutes add up with rounding: a day of eight hours holds 24 visits of a third of an hour
        if used > 0.0 and used + visit.minutes > minutes_a_day + 1e-6:
            day, used = working(day + timedelta(days=1)), 0.0
        parts, left = [], visit.minutes
        while left > minutes_a_day + 1e-6:
            parts.append(replace(visit, day=day, minutes=minutes_a_day))
            day, left = working(day + timedelta(days=1)), left - minutes_a_day
        parts.append(replace(visit, day=day, minutes=left))
        used += left
        found.append(CrewDays(visit, tuple(parts)))
    return found
