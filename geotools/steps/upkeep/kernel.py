"""When each maintenance task falls due at each place, and what the tasks of a scheme cost over the years. No files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from dateutil.relativedelta import relativedelta

from geotools.errors import NumericInputError
from geotools.site.care import discounted

__all__ = ["PlannedTask", "SchemeCost", "Visit", "plan_visits", "scheme_cost", "tasks_of"]


@dataclass(frozen=True)
class PlannedTask:
    """One maintenance task.

    Attributes
    ----------
    name : str
    scope : str
        "head" or "zone".
    months : int or None
        Interval; None where only storms call for it.
    minutes : float
        Time of one person, for each head or zone.
    material : float
        Material of one visit, in the site's currency.
    instruction : str
        What is done.
    scheme : str
        Scheme it belongs to; empty for all.
    first : int or None
        Months from the start to the first visit; None for the interval.
    season : tuple of int
        Months of the year it is done in; empty for all.
    after_storm_days : int or None
        Days from a storm to a further visit; None for none.
    head_types : tuple of str
        Head types it is done at; empty for all.
    """

    name: str
    scope: str
    months: int | None
    minutes: float
    material: float = 0.0
    instruction: str = ""
    scheme: str = ""
    first: int | None = None
    season: tuple[int, ...] = ()
    after_storm_days: int | None = None
    head_types: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.months is not None and self.months < 1:
            raise NumericInputError(
                "Interval of a task under a month", where=self.name, found=f"{self.months} months", expected="1 or more"
            )
        if min(self.minutes, self.material) < 0:
            raise NumericInputError(
                "A task costs less than nothing",
                where=self.name,
                found=f"{self.minutes} min, material {self.material}",
                expected="0 or more",
            )

    def occurrences(self, start: date, end: date, storms: Sequence[date] = ()) -> dict[date, str]:
        """Days it falls due, start to end, both included, with a name that stays when the start is moved.

        Months are calendar months: from 31 January, a month on is the last day of February.
        """
        found: dict[date, str] = {}
        if self.after_storm_days is not None:
            found |= {storm + timedelta(days=self.after_storm_days): f"storm {storm.isoformat()}" for storm in storms}
        if self.months is not None:
            months = self.months if self.first is None else self.first
            while (day := start + relativedelta(months=months)) <= end:
                if not self.season or day.month in self.season:
                    found[day] = f"month {months}"
                months += self.months
        return dict(sorted(found.items()))

    def days(self, start: date, end: date, storms: Sequence[date] = ()) -> list[date]:
        """The days of `occurrences`."""
        return list(self.occurrences(start, end, storms))

    def at(self, head_type: str) -> bool:
        """Whether it is done at heads of that type."""
        return not self.head_types or head_type in self.head_types


@dataclass(frozen=True, order=True)
class Visit:
    """One task due on one day at one head or zone; ``occurrence`` names the turn, whatever day it falls on."""

    day: date
    task: str
    scope: str
    place: str
    minutes: float
    instruction: str
    occurrence: str = ""


def tasks_of(tasks: Iterable[PlannedTask], scheme: str) -> tuple[PlannedTask, ...]:
    """The tasks of a scheme and those of all schemes; NumericInputError where no task names the scheme."""
    given = tuple(tasks)
    known = sorted({task.scheme for task in given if task.scheme})
    if scheme not in known and (known or scheme):
        raise NumericInputError(
            "Unknown maintenance scheme",
            where="upkeep.scheme",
            found=scheme,
            expected=", ".join(known) or "none, as no task names a scheme",
            mend="name one of them, or give tasks of that scheme under [[maintenance]]",
        )
    return tuple(task for task in given if task.scheme in ("", scheme))


def plan_visits(
    tasks: Iterable[PlannedTask],
    start: date,
    years: int,
    *,
    heads: Sequence[str],
    zones: Sequence[str],
    storms: Sequence[date] = (),
    kinds: Mapping[str, str] | None = None,
) -> list[Visit]:
    """Every visit from `start` over `years`, sorted by day, task and place; ``kinds`` : head types by head."""
    end, kind = _end(start, years), kinds or {}
    return sorted(
        Visit(day, task.name, task.scope, place, task.minutes, task.instruction, name)
        for task in tasks
        for day, name in task.occurrences(start, end, storms).items()
        for place in ([h for h in heads if task.at(kind.get(h, ""))] if task.scope == "head" else zones)
    )


@dataclass(frozen=True)
class SchemeCost:
    """Cost of tasks over the years, in the site's currency.

    visits : to heads and zones. labour, material : undiscounted sums. total : both, discounted to the start.
    """

    visits: int
    labour: float
    material: float
    total: float


def scheme_cost(
    tasks: Iterable[PlannedTask],
    start: date,
    years: int,
    places: tuple[int | Mapping[str, str], int],
    hour_rate: float,
    discount: float = 0.0,
    storms: Sequence[date] = (),
) -> SchemeCost:
    """Cost of the dated visits of tasks; the first fitting belongs to the installation and is left out.

    Parameters
    ----------
    tasks : iterable of PlannedTask
    start, years : date, int
        As of the plan.
    places : tuple of (int or mapping of str to str, int)
        Number of heads, or the type of each where tasks are for some types alone; number of zones.
    hour_rate : float
        One hour of one person.
    discount : float
        A year, as a fraction; a cost m months from the start counts 1 / (1 + discount) ** (m / 12).
    storms : sequence of date
        Days of storms, as of the plan.
    """
    heads, zones = places
    counted = heads if isinstance(heads, int) else len(heads)
    if min(hour_rate, discount, counted, zones) < 0:
        raise NumericInputError(
            "Cost below nothing", found=f"hour {hour_rate}, discount {discount}, places {places}", expected="0 or more"
        )
    end = _end(start, years)
    visits, labour, material, total = 0, 0.0, 0.0, 0.0
    for task in tasks:
        at_heads = heads if isinstance(heads, int) else sum(task.at(kind) for kind in heads.values())
        number = at_heads if task.scope == "head" else zones
        for day in task.days(start, end, storms):
            work, parts = number * task.minutes / 60.0 * hour_rate, number * task.material
            visits, labour, material = visits + number, labour + work, material + parts
            total += (work + parts) * discounted(start, day, discount)
    return SchemeCost(visits, labour, material, total)


def _end(start: date, years: int) -> date:
    if years < 1:
        raise NumericInputError("Plan of no length", where="years", found=years, expected="1 or more")
    return start + relativedelta(years=years)
