"""Declaration of the upkeep step: dated maintenance tasks of heads and zones, and the cost of their schemes."""

from __future__ import annotations

from datetime import UTC, date, datetime

import geopandas as gpd

from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import SiteError
from geotools.io.tables import csv_text
from geotools.plan.schema import HEADS, UPKEEP, UPKEEP_COST, ZONES
from geotools.plan.workspace import frame_of
from geotools.steps.upkeep.calendar import calendar_bytes
from geotools.steps.upkeep.kernel import PlannedTask, SchemeCost, Visit, plan_visits, scheme_cost, tasks_of


def _start(text: str | None, site_start: date | None) -> date:
    if text:
        try:
            return date.fromisoformat(text)
        except ValueError:
            raise SiteError(
                "not a date",
                where="step upkeep, parameter start",
                found=text,
                expected="year-month-day, as in 2026-04-01",
            ) from None
    return site_start or datetime.now(UTC).date()


def _tasks(ctx: StepContext) -> tuple[PlannedTask, ...]:
    return tuple(
        PlannedTask(
            t.name,
            t.scope,
            t.months,
            t.minutes,
            t.material,
            t.instruction,
            t.scheme,
            t.first_months,
            t.season,
            t.after_storm_days,
        )
        for t in ctx.site.maintenance
    )


def _visit_rows(visits: list[Visit], heads: gpd.GeoDataFrame, zones: gpd.GeoDataFrame) -> list[dict[str, object]]:
    place = {h.head_id: (h.zone_id, h.geometry) for h in heads.itertuples()}
    place |= {z.zone_id: (z.zone_id, z.geometry.representative_point()) for z in zones.itertuples()}
    return [
        {
            "visit_id": f"{v.day.isoformat()} {v.task} {v.place}",
            "due": v.day,
            "task": v.task,
            "scope": v.scope,
            "place": v.place,
            "zone_id": place[v.place][0],
            "minutes": v.minutes,
            "instruction": v.instruction,
            "done_on": None,
            "done_by": None,
            "geometry": place[v.place][1],
        }
        for v in visits
    ]


def run(ctx: StepContext) -> StepResult:
    """Make the plan; see the manual beside this file."""
    heads, zones, settings = ctx.read(HEADS), ctx.read(ZONES), ctx.site.upkeep
    tasks = _tasks(ctx)
    scheme = settings.scheme if ctx.params["scheme"] is None else ctx.params["scheme"]
    start = _start(ctx.params["start"], settings.start)
    head_ids, zone_ids = list(heads["head_id"]), list(zones["zone_id"])
    chosen = tasks_of(tasks, scheme)
    visits = plan_visits(chosen, start, settings.years, heads=head_ids, zones=zone_ids, storms=settings.storms)
    rows = _visit_rows(visits, heads, zones)
    form = [f for f in UPKEEP.field_names if f != "visit_id"]
    (ctx.scratch / "upkeep.csv").write_text(csv_text(form, rows), encoding="utf-8-sig", newline="")
    (ctx.scratch / "upkeep.ics").write_bytes(calendar_bytes(visits, ctx.site.name, start))
    places = (len(head_ids), len(zone_ids))
    costs: dict[str, SchemeCost] = {
        name: scheme_cost(
            [t for t in tasks if t.scheme == name],
            start,
            settings.years,
            places,
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
        f"{len(visits)} maintenance tasks on {len({v.day for v in visits})} days in {settings.years} years from "
        f"{start.isoformat()}"
    )
    if costs:
        ctx.say("schemes cost: " + ", ".join(f"{name} {cost.total:,.0f}" for name, cost in costs.items()))
    return StepResult(
        layers={"upkeep": frame_of(UPKEEP, rows, heads.crs), "upkeep_cost": frame_of(UPKEEP_COST, cost_rows)},
        files=["upkeep.csv", "upkeep.ics"],
        summary={
            "start": start.isoformat(),
            "visits": len(visits),
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
        Param("start", "text", "First day of the plan, year-month-day. Left out: as the site file says, else today."),
    ),
    inputs=(LayerIn(HEADS, "heads to maintain"), LayerIn(ZONES, "zones whose ground is maintained")),
    outputs=(LayerOut(UPKEEP), LayerOut(UPKEEP_COST)),
    files=(
        FileOut("upkeep.csv", "table", "The plan as a list to tick off; UTF-8, cells safe in spreadsheets."),
        FileOut(
            "upkeep.ics",
            "data",
            "The plan for a calendar program (iCalendar, RFC 5545), one event for each day and task.",
        ),
    ),
    uses_terrain=False,
    order=80,
    citations=(
        "RFC 5545, Internet Calendaring and Scheduling",
        "Intervals, times and prices: placeholders until the site file gives them",
    ),
    cautions=(
        "The equipment's manual governs tasks, intervals and cleaning agents.",
        "What the site file does not give is a placeholder: enter your own figures before comparing.",
        "Switch heads off, or keep to their exposure limits, while working in front of them.",
    ),
)
