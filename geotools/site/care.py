"""What the walk test has to demonstrate, and how heads and zones are maintained."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal

from dateutil.relativedelta import relativedelta
from pydantic import Field, model_validator

from geotools.site.base import CHOICE, PLACEHOLDER, SiteSection, setting

#: Where probability and confidence come from.
UFGS = "UFGS Division 28, intrusion detection; section and edition from memory"


def discounted(start: date, day: date, discount: float) -> float:
    """What one unit of money of a later day counts at the start, with a discount a year as a fraction."""
    age = relativedelta(day, start)
    return float((1.0 + discount) ** -(age.years + age.months / 12.0 + age.days / 365.25))


class WalkTest(SiteSection):
    """Walk-test settings."""

    probability: float = setting("detection probability to show", mark=UFGS, default=0.90, ge=0.5, le=0.999)
    confidence: float = setting("confidence to show it at", mark=UFGS, default=0.95, ge=0.5, le=0.999)
    failures: int = setting(
        "misses that the sequential plan allows for; one more ends the test", mark=CHOICE, default=0, ge=0, le=20
    )
    scope: Literal["zone", "site"] = setting(
        "what is to be shown: that every zone detects, or the whole site taken together, with fewer crossings",
        mark=CHOICE,
        default="zone",
    )
    minutes: float = setting(
        "time of one crossing with the way there and the record", unit="min", mark=PLACEHOLDER, default=2.0, gt=0, le=60
    )
    people: int = setting(
        "people needed: one who crosses, one who watches the alarms (common practice, no source)",
        mark=CHOICE,
        default=2,
        ge=1,
        le=20,
    )


class Upkeep(SiteSection):
    """Upkeep settings; the maintenance tasks themselves stand under [[maintenance]]."""

    start: date | None = setting("first day of the plan; empty for the day it is made", default=None)
    years: int = setting(
        "length of the plan and of the cost comparison", unit="year", mark=CHOICE, default=10, ge=1, le=30
    )
    scheme: str = setting(
        "maintenance scheme that is followed: one of those the tasks name",
        mark=CHOICE,
        default="cleaning",
        max_length=40,
    )
    storms: tuple[date, ...] = setting("days of storms, for the tasks that follow one", default=())
    crew: int = setting("people who do the maintenance", mark=CHOICE, default=1, ge=1, le=100)
    day_hours: float = setting(
        "working hours of one person in a day; no day of the plan holds more than the crew has (common practice, no "
        "source)",
        unit="h",
        mark=CHOICE,
        default=8.0,
        gt=0,
        le=24,
    )
    days_a_week: int = setting(
        "working days of a week from Monday on: 5 plans nothing on Saturdays and Sundays",
        mark=CHOICE,
        default=7,
        ge=1,
        le=7,
    )
    hour_rate: float = setting("cost of an hour of one person", unit="currency", mark=PLACEHOLDER, default=60.0, ge=0)
    discount: float = setting("discount of later costs, a year", mark=CHOICE, default=0.0, ge=0, le=0.3)


class MaintenanceTask(SiteSection):
    """One maintenance task, done at intervals, after storms, or both."""

    name: str = setting("name of the task", min_length=1, max_length=60)
    scheme: str = setting("scheme it belongs to; empty for all schemes", default="", max_length=40)
    scope: Literal["head", "zone"] = setting("whether it is done at each head or along each zone")
    head_types: tuple[str, ...] = setting("head types it is done at; empty for all", default=())
    alarms: bool = setting(
        "whether doing it can make alarms, so that the alarm station is notified first", mark=CHOICE, default=True
    )
    months: int | None = setting("interval; empty where only storms call for it", unit="month", default=None, ge=1)
    first_months: int | None = setting(
        "months to the first visit; empty for the interval", unit="month", default=None, ge=0, le=360
    )
    season: tuple[Annotated[int, Field(ge=1, le=12)], ...] = setting(
        "months of the year it is done in; empty for all", default=()
    )
    after_storm_days: int | None = setting(
        "days from a storm to a further visit; empty for none", unit="day", default=None, ge=0, le=60
    )
    minutes: float = setting("time of one person, for each head or zone", unit="min", ge=0, le=2880)
    material: float = setting("material of one visit", unit="currency", mark=CHOICE, default=0.0, ge=0)
    instruction: str = setting("what is done; the equipment's manual governs", default="", max_length=300)
    source: str = setting("where interval and time come from", default="site file", max_length=100)

    @model_validator(mode="after")
    def _comes_due(self) -> MaintenanceTask:
        if self.months is None and self.after_storm_days is None:
            raise ValueError(f"task {self.name!r} never falls due: give months or after_storm_days")
        return self

    @model_validator(mode="after")
    def _head_types_of_heads(self) -> MaintenanceTask:
        if self.head_types and self.scope != "head":
            raise ValueError(f"task {self.name!r} is done along zones: head_types is for tasks at heads")
        return self


_PARTS = "Replace the parts that the maker's instruction names, at its interval; check the alignment afterwards."


def default_maintenance() -> tuple[MaintenanceTask, ...]:
    """Generic tasks and two schemes to compare; every interval, time and price is a round placeholder."""
    head: dict[str, Any] = {"scope": "head", "source": PLACEHOLDER}
    zone: dict[str, Any] = {"scope": "zone", "source": PLACEHOLDER}
    wash = "Clean the head's front with what its manual allows."
    return (
        MaintenanceTask(
            name="inspection",
            months=12,
            minutes=10,
            instruction="Head, cover, cable and post whole, tight, dry.",
            **head,
        ),
        MaintenanceTask(name="cleaning", scheme="cleaning", months=6, minutes=10, material=5, instruction=wash, **head),
        MaintenanceTask(
            name="yearly cleaning", scheme="replacement", months=12, minutes=10, material=5, instruction=wash, **head
        ),
        MaintenanceTask(
            name="replacement of parts",
            scheme="replacement",
            months=60,
            minutes=30,
            material=100,
            instruction=_PARTS,
            **head,
        ),
        MaintenanceTask(
            name="alignment check",
            months=12,
            minutes=20,
            instruction="Compare the received level with the set-up record; align again where it fell.",
            **head,
        ),
        MaintenanceTask(
            name="functional walk test",
            months=12,
            minutes=60,
            instruction="Walk the weakest crossings of the zone; record the results.",
            **zone,
        ),
        MaintenanceTask(
            name="grass cutting",
            months=1,
            season=(4, 5, 6, 7, 8, 9, 10),
            minutes=60,
            instruction="Cut the corridor to the site's limit; remove the cuttings.",
            **zone,
        ),
        MaintenanceTask(
            name="drainage inspection",
            months=12,
            minutes=20,
            instruction="Walk the corridor after rain: standing water, ruts and erosion; restore levels and drainage.",
            **zone,
        ),
        MaintenanceTask(
            name="level survey",
            months=12,
            minutes=30,
            instruction="Survey levels along the beams against the design surface; run the gaps again.",
            **zone,
        ),
        MaintenanceTask(
            name="survey after a storm",
            after_storm_days=7,
            minutes=30,
            instruction="Erosion, debris, standing water, leaning posts; survey again what moved.",
            **zone,
        ),
    )
