"""Declaration of the upkeep step: a dated plan for every head, and the cost of both ways of radome care."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import geopandas as gpd

from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import SiteError
from geotools.io.tables import csv_text
from geotools.plan.schema import HEADS, UPKEEP, UPKEEP_COST, ZONES
from geotools.plan.workspace import frame_of
from geotools.steps.upkeep.calendar import calendar_bytes
from geotools.steps.upkeep.kernel import (
    CARE,
    Care,
    CareRates,
    LifeCost,
    Visit,
    break_even_price,
    choose_radome_care,
    life_cost,
    plan_visits,
)


def _start(text: str | None, site_start: date | None) -> date:
    if text:
        try:
            return date.fromisoformat(text)
        except ValueError:
            raise SiteError(
                "a day is not a date",
                where="step upkeep, parameter start",
                found=text,
                expected="year-month-day, as in 2026-04-01",
            ) from None
    return site_start or datetime.now(UTC).date()


def _cares(ctx: StepContext, choice: str) -> tuple[Care, ...]:
    settings = ctx.site.upkeep
    season = tuple(sorted(set(settings.grass_months)))
    common = [replace(care, season=season) if care.name == "grass" else care for care in CARE]
    # no month of cutting at all means no grass to cut, not grass cut in every month
    common = [care for care in common if care.name != "grass" or season]
    return (*choose_radome_care(choice, settings.wax_months, settings.radome_months), *common)


def _visit_rows(visits: list[Visit], heads: gpd.GeoDataFrame, zones: gpd.GeoDataFrame) -> list[dict[str, object]]:
    place = {h.head_id: (h.zone_id, h.geometry) for h in heads.itertuples()}
    place |= {z.zone_id: (z.zone_id, z.geometry.representative_point()) for z in zones.itertuples()}
    return [
        {
            "visit_id": f"{v.day.isoformat()} {v.care} {v.place}",
            "due": v.day,
            "care": v.care,
            "scope": v.scope,
            "place": v.place,
            "zone_id": place[v.place][0],
            "minutes": v.minutes,
            "instruction": v.done,
            "done_on": None,
            "done_by": None,
            "geometry": place[v.place][1],
        }
        for v in visits
    ]


def _costs(ctx: StepContext, n_heads: int) -> dict[str, LifeCost]:
    s = ctx.site.upkeep
    return {
        choice: life_cost(
            choice,
            s.years,
            n_heads,
            CareRates(s.hour_rate, s.wax_price, s.radome_price, s.discount),
            wax_months=s.wax_months,
            radome_months=s.radome_months,
        )
        for choice in ("wax", "shed")
    }


def run(ctx: StepContext) -> StepResult:
    """Make the plan; see the manual beside this file."""
    heads, zones, settings = ctx.read(HEADS), ctx.read(ZONES), ctx.site.upkeep
    choice = ctx.params["radome_care"] or settings.radome_care
    start = _start(ctx.params["start"], settings.start)
    head_ids, zone_ids = list(heads["head_id"]), list(zones["zone_id"])
    visits = plan_visits(
        _cares(ctx, choice), start, settings.years, heads=head_ids, zones=zone_ids, storms=settings.storms
    )
    rows = _visit_rows(visits, heads, zones)
    form = [f for f in UPKEEP.field_names if f != "visit_id"]
    (ctx.scratch / "upkeep.csv").write_text(csv_text(form, rows), encoding="utf-8-sig", newline="")
    (ctx.scratch / "upkeep.ics").write_bytes(calendar_bytes(visits, ctx.site.name, start))
    costs = _costs(ctx, len(head_ids))
    cost_rows = [
        {
            "choice": name,
            "chosen": name == choice,
            "years": settings.years,
            "visits": cost.visits,
            "labour": cost.labour,
            "material": cost.material,
            "total": cost.total,
        }
        for name, cost in costs.items()
    ]
    cheaper = min(costs, key=lambda name: costs[name].total)
    even = break_even_price(costs["wax"], costs["shed"], len(head_ids), settings.radome_price)
    ctx.say(
        f"{len(visits)} pieces of care on {len({v.day for v in visits})} days in {settings.years} years from "
        f"{start.isoformat()}; radome care over that time costs "
        f"{costs['wax'].total:,.0f} by waxing, {costs['shed'].total:,.0f} by replacing"
    )
    if even is not None and even > 0:
        ctx.say(f"both ways cost the same, undiscounted, with a radome at {even:,.0f}")
    elif even is not None:
        ctx.say("replacing costs more than waxing whatever the radome's price")
    return StepResult(
        layers={"upkeep": frame_of(UPKEEP, rows, heads.crs), "upkeep_cost": frame_of(UPKEEP_COST, cost_rows)},
        files=["upkeep.csv", "upkeep.ics"],
        summary={
            "start": start.isoformat(),
            "visits": len(visits),
            "hours": round(sum(v.minutes for v in visits) / 60.0, 1),
            "radome_care": choice,
            "cheaper_radome_care": cheaper,
            "cost_wax": round(costs["wax"].total, 2),
            "cost_shed": round(costs["shed"].total, 2),
            "break_even_radome_price": None if even is None else round(even, 2),
        },
    )


STEP = Step(
    name="upkeep",
    title="Upkeep plan",
    summary="Dates the care of every head and zone, and compares the cost of waxing and of replacing radomes.",
    run=run,
    params=(
        Param(
            "radome_care",
            "choice",
            "wax: radomes cleaned and waxed; shed: water-shedding radomes, replaced. Left out: as the site file says.",
            choices=("wax", "shed"),
        ),
        Param("start", "text", "First day of the plan, year-month-day. Left out: as the site file says, else today."),
    ),
    inputs=(LayerIn(HEADS, "every head wants care"), LayerIn(ZONES, "grass, ponds and levels along every zone")),
    outputs=(LayerOut(UPKEEP), LayerOut(UPKEEP_COST)),
    files=(
        FileOut("upkeep.csv", "table", "The plan as a list to tick off; UTF-8, cells safe in spreadsheets."),
        FileOut(
            "upkeep.ics", "data", "The plan for a calendar program (iCalendar, RFC 5545), one event a day and care."
        ),
    ),
    uses_terrain=False,
    order=80,
    citations=("RFC 5545, Internet Calendaring and Scheduling", "Intervals: common practice, no source"),
    cautions=(
        "The equipment's own manual wins where it says otherwise.",
        "Prices that the site file does not give are placeholders: put in your own before comparing.",
        "Switch heads off, or keep to their exposure limits, while working before them.",
    ),
)
