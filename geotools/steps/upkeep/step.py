"""Declaration of the upkeep step: dated maintenance tasks of heads and zones, and the cost of their schemes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime

import geopandas as gpd
import pandas as pd

from geotools.earthwork.state import planned_state
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import SiteError
from geotools.io.tables import csv_text
from geotools.plan import cautions
from geotools.plan.schema import BEAMS, FENCE, HEADS, PROPOSED_HEADS, UPKEEP, UPKEEP_COST, WINDOW_WEATHER, ZONES
from geotools.plan.workspace import frame_of
from geotools.steps.upkeep.calendar import calendar_bytes
from geotools.steps.upkeep.crew import CrewDays, crew_days
from geotools.steps.upkeep.kernel import PlannedTask, SchemeCost, Visit, plan_visits, scheme_cost, tasks_of
from geotools.steps.upkeep.mowing import mowing_visits
from geotools.steps.upkeep.places import CarePlaces, places_of
from geotools.steps.upkeep.record import TABLE, say_record, visit_id, with_record

#: The maintenance task that cuts the grass of every zone, as the catalogue names it.
MOWING = "grass cutting"
#: A task that is done so many days late shows that the crew is too small (a choice of this toolkit).
_LATE_DAYS = 14
#: Rows of the table that are held at once.
_ROWS_AT_ONCE = 5000


def _day(text: str | None, name: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise SiteError(
            "not a date",
            where=f"step upkeep, parameter {name}",
            found=text,
            expected="year-month-day, as in 2026-04-01",
        ) from None


def _plain_days(frame: gpd.GeoDataFrame) -> dict[str, list[date | None]]:
    """The columns of days as days, for a table."""
    return {
        name: [None if pd.isna(day) else pd.Timestamp(day).date() for day in frame[name]]
        for name in ("due", "planned_on", "planned_until", "done_on")
    }


def _table_rows(frame: gpd.GeoDataFrame, said: dict[str, str]) -> Iterator[dict[str, object]]:
    """Rows of the table, made as they are written: all of a long border at once would be gigabytes."""
    for start in range(0, len(frame), _ROWS_AT_ONCE):
        part = frame.iloc[start : start + _ROWS_AT_ONCE]
        for row in part.assign(**_plain_days(part)).to_dict("records"):
            yield row | said


def _tasks(ctx: StepContext) -> tuple[PlannedTask, ...]:
    return tuple(
        PlannedTask(
            t.name,
            t.scope,
            t.months,
            t.minutes,
            t.material,
            f"{cautions.ALARM_STATION} {t.instruction}".strip() if t.alarms else t.instruction,
            t.scheme,
            t.first_months,
            t.season,
            t.after_storm_days,
            t.head_types,
        )
        for t in ctx.site.maintenance
    )


def _visit_rows(days: list[CrewDays], places: CarePlaces) -> list[dict[str, object]]:
    place = places.points
    return [
        {
            "visit_id": visit_id(v),
            "due": v.day,
            "planned_on": one.first,
            "planned_until": one.last,
            "task": v.task,
            "scope": v.scope,
            "place": v.place,
            "zone_id": place[v.place][0],
            "minutes": v.minutes,
            "instruction": v.instruction,
            "status": "due",
            "done_on": None,
            "done_by": None,
            "geometry": place[v.place][1],
        }
        for one in days
        for v in (one.visit,)
    ]


def _mowing(ctx: StepContext, places: CarePlaces, start: date, visits: list[Visit]) -> list[Visit]:
    """Cuts that operating windows need besides those of the tasks, by the step weather where it has run."""
    if not ctx.workspace.has(WINDOW_WEATHER):
        return []
    rows, year = ctx.read(WINDOW_WEATHER), ctx.site.weather
    rows = rows[(rows["condition"] == "grass") & rows["closes_at"].notna()]
    answered = {str(row.zone_id): float(row.keeps_to) for row in rows.itertuples()}
    # a part of a zone that is to be split keeps its grass below what closes the zone's own window
    limits = {zone: answered[stood] for zone, stood in places.zones.items() if stood in answered}
    cut_on: dict[str, list[date]] = {}
    for visit in visits:
        if visit.task == MOWING and visit.scope == "zone":
            cut_on.setdefault(visit.place, []).append(visit.day)
    found = [
        replace(visit, instruction=f"{cautions.ALARM_STATION} {visit.instruction}")
        for visit in mowing_visits(limits, year, start, ctx.site.upkeep.years, cut_on)
    ]
    low = sorted(zone_id for zone_id, limit in limits.items() if limit <= year.cut_to_m)
    if low:
        ctx.warn(f"grass cut to {year.cut_to_m:.2f} m may not grow at {', '.join(low[:6])}: see window_weather")
    if limits:
        ctx.say(
            f"{len(found)} cuts besides those of the task {MOWING!r} keep grass below what closes the windows of "
            f"{len(limits)} zone(s); growth is that of [weather]"
        )
    return found


def run(ctx: StepContext) -> StepResult:
    """Make the plan; see the manual beside this file."""
    settings = ctx.site.upkeep
    state = planned_state(ctx, ctx.params["state"])
    places = places_of(ctx, state)
    ctx.say(f"papers show the {state.paper.words}")
    tasks = _tasks(ctx)
    scheme = settings.scheme if ctx.params["scheme"] is None else ctx.params["scheme"]
    start = _day(ctx.params["start"], "start") or settings.start or datetime.now(UTC).date()
    as_of = _day(ctx.params["as_of"], "as_of")
    kinds, zone_ids = places.head_types, list(places.zones)
    chosen = tasks_of(tasks, scheme)
    visits = plan_visits(
        chosen, start, settings.years, heads=list(kinds), zones=zone_ids, storms=settings.storms, kinds=kinds
    )
    visits = sorted([*visits, *_mowing(ctx, places, start, visits)])
    days = crew_days(visits, 60.0 * settings.crew * settings.day_hours, settings.days_a_week)
    frame = with_record(ctx, frame_of(UPKEEP, _visit_rows(days, places), ctx.workspace.work_crs), as_of)
    say_record(ctx, frame, as_of)
    form = [f for f in UPKEEP.field_names if f != "visit_id"]
    said = {**state.paper.fields, "caution": f"{cautions.EXPOSURE} {cautions.SENSITIVE}"}
    text = csv_text([*form, *said], _table_rows(frame, said))
    (ctx.scratch / TABLE).write_text(text, encoding="utf-8-sig", newline="")
    on_record = set(frame.loc[frame["status"] == "done", "visit_id"])
    done = [part for one in days if visit_id(one.visit) in on_record for part in one.parts]
    parts = [part for one in days for part in one.parts]
    (ctx.scratch / "upkeep.ics").write_bytes(
        calendar_bytes(parts, ctx.site.name, start, done=done, state=state.paper.words)
    )
    costs: dict[str, SchemeCost] = {
        name: scheme_cost(
            [t for t in tasks if t.scheme == name],
            start,
            settings.years,
            (kinds, len(zone_ids)),
            settings.hour_rate,
            settings.discount,
            settings.storms,
        )
        for name in sorted({t.scheme for t in tasks if t.scheme})
    }
    cost_rows = [
        {
            "scheme": name,
            "chosen": name == scheme,
            "years": settings.years,
            "visits": cost.visits,
            "labour": cost.labour,
            "material": cost.material,
            "total": cost.total,
        }
        for name, cost in costs.items()
    ]
    ctx.say(
        f"{len(visits)} maintenance tasks on {len({part.day for part in parts})} days in {settings.years} years from "
        f"{start.isoformat()}"
    )
    late = max(((one.last - one.visit.day).days for one in days), default=0)
    if late > _LATE_DAYS:
        ctx.warn(
            f"the crew falls behind: a task is done {late} days after it is due; {settings.crew} people with "
            f"{settings.day_hours:g} h a day, {settings.days_a_week} days a week, are too few for these tasks "
            "(upkeep.crew, upkeep.day_hours, upkeep.days_a_week)"
        )
    elif late:
        ctx.say(
            f"no day holds more than the crew's hours; the last task of a round is done {late} days after it is due"
        )
    if costs:
        ctx.say("schemes cost: " + ", ".join(f"{name} {cost.total:,.0f}" for name, cost in costs.items()))
    return StepResult(
        layers={"upkeep": frame, "upkeep_cost": frame_of(UPKEEP_COST, cost_rows)},
        files=[TABLE, "upkeep.ics"],
        summary={
            "state": state.paper.words,
            "start": start.isoformat(),
            "visits": len(visits),
            **{name: int((frame["status"] == name).sum()) for name in ("done", "overdue")},
            "hours": round(sum(v.minutes for v in visits) / 60.0, 1),
            "scheme": scheme,
            "cheapest_scheme": min(costs, key=lambda name: costs[name].total, default=None),
            "scheme_costs": {name: round(cost.total, 2) for name, cost in costs.items()},
        },
    )


STEP = Step(
    name="upkeep",
    title="Maintenance plan",
    summary="Dates the maintenance tasks of every head and zone, and compares the cost of maintenance schemes.",
    run=run,
    params=(
        Param("scheme", "text", "Maintenance scheme to follow. Left out: as the site file says."),
        Param(
            "state",
            "choice",
            "State to maintain. Left out: as sheets.state of the site file says.",
            choices=("proposed", "existing"),
        ),
        Param("start", "text", "First day of the plan, year-month-day. Left out: as the site file says, else today."),
        Param("as_of", "text", "Day before which open tasks are overdue, year-month-day. Left out: none is overdue."),
    ),
    inputs=(
        LayerIn(HEADS, "heads to maintain"),
        LayerIn(ZONES, "zones whose ground is maintained"),
        LayerIn(FENCE, "which way is outward"),
        LayerIn(BEAMS, "beams of the state that is maintained"),
        LayerIn(PROPOSED_HEADS, "heads of the proposed state", required=False),
        LayerIn(UPKEEP, "what was filled in", required=False),
        LayerIn(WINDOW_WEATHER, "height that the grass of a zone may reach", required=False),
    ),
    outputs=(LayerOut(UPKEEP), LayerOut(UPKEEP_COST)),
    files=(
        FileOut(TABLE, "table", "The plan as a list to tick off; UTF-8, cells safe in spreadsheets."),
        FileOut(
            "upkeep.ics",
            "data",
            "The plan for a calendar program (iCalendar, RFC 5545), one event for each day and task.",
        ),
    ),
    order=80,
    citations=(
        "RFC 5545, Internet Calendaring and Scheduling",
        "Intervals, times and prices: placeholders until the site file gives them",
    ),
    cautions=(
        "The equipment's manual governs tasks, intervals and cleaning agents.",
        "What the site file does not give is a placeholder: enter your own figures before comparing.",
        cautions.ALARM_STATION,
        cautions.EXPOSURE,
    ),
)
