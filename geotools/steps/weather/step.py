"""Declaration of the weather step: zones, beams and ponds in; the weather at which each window closes out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geotools.detection.chains import perimeter_of
from geotools.detection.mover_places import movers_of, places_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.pond_windows import StandingWater, pond_windows
from geotools.detection.surface_windows import MoversBeside, SurfaceWindow, surface_windows, windows_of
from geotools.engine.step import LayerIn, LayerOut, Step, StepContext, StepResult
from geotools.plan import cautions
from geotools.plan.schema import BEAMS, FENCE, PONDS, WINDOW_WEATHER, ZONES
from geotools.plan.workspace import frame_of
from geotools.site.weather import MONTHS, Weather
from geotools.steps.weather.conditions import Condition, dry, pond, rain, surfaces

Row = dict[str, Any]

#: Kinds of weather that have a limit.
_TABLED = ("rain", "pond", "snow", "grass")
#: Zones named in one message.
_NAMED = 6


def _beside(ctx: StepContext) -> MoversBeside:
    site = ctx.site
    places = places_of(site, ctx.read, ctx.workspace.work_crs)
    return MoversBeside(movers_of(site), places, site.nuisance.reach_m)


def _ponds(ctx: StepContext) -> list[StandingWater]:
    """Water of the step drain on the ground as it is."""
    if not ctx.workspace.has(PONDS):
        ctx.say("no ponds are known: run `geotools drain` first, and this step again")
        return []
    rows = ctx.read(PONDS)
    rows = rows[(rows["state"] == "now") & rows["level_m"].notna()]
    return [StandingWater(row.geometry, float(row.level_m), float(row.depth_m)) for row in rows.itertuples()]


def conditions_of(
    perimeter: Perimeter, beside: MoversBeside, ponds: Sequence[StandingWater], depths_m: Sequence[float], year: Weather
) -> list[Condition]:
    """Every condition of every zone.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands, dry and cut.
    beside : MoversBeside
        What moves and is no threat.
    ponds : sequence of StandingWater
        Hollows of the ground, full.
    depths_m : sequence of float
        Of snow and grass, m; the height that grass is cut to is looked at as well.
    year : Weather
        The site's.
    """
    names = list(perimeter.zones)
    perimeter.solve_all()
    bare: dict[str, SurfaceWindow] = {
        one.zone_id: one for one in windows_of(perimeter, names, beside.under(0.0), (0.0, "hides"))
    }
    closed = {zone_id: found for zone_id, one in bare.items() if (found := dry(one)) is not None}
    if len(closed) == len(bare):
        return list(closed.values())
    depths = {*depths_m, *([year.cut_to_m] if year.cut_to_m > 0.0 else [])}
    covered = surface_windows(perimeter, beside, sorted(depths), [zone_id for zone_id in bare if zone_id not in closed])
    wet = pond_windows(perimeter, ponds, beside, year.pond_shares) if ponds else []
    every: list[Condition] = []
    for zone_id, one in bare.items():
        if zone_id in closed:
            every.append(closed[zone_id])
            continue
        every.append(rain(perimeter.zones[zone_id], year))
        every.append(pond([row for row in wet if row.zone_id == zone_id], one, year))
        every += surfaces([row for row in covered if row.zone_id == zone_id], one, year)
    return every


def _advice(one: Condition, year: Weather) -> str | None:
    if one.closes_at is None:
        return None
    if one.kind == "dry":
        return "open it first: `geotools window` says what opens it, `geotools remedy` what closes its dead spots"
    if one.kind == "rain":
        return "a guard on duty in such rain, or a shorter zone"
    if one.kind == "pond":
        return f"drain the hollow, or keep its water below {one.keeps_to or 0.0:.2f} m"
    keeps = one.keeps_to or 0.0
    if one.kind == "snow":
        return f"clear the snow before it is {keeps:.2f} m deep" if keeps > 0.0 else "clear the snow as soon as it lies"
    if keeps <= year.cut_to_m:
        return (
            f"grass of {one.closes_at:.2f} m closes it and it is cut to {year.cut_to_m:.2f} m: look at depths between "
            "(nuisance.depths_m), cut shorter, or pave it"
        )
    return f"cut before the grass reaches {keeps:.2f} m"


def _row(one: Condition, year: Weather) -> Row:
    return {
        "weather_id": f"{one.zone_id}/{one.kind}",
        "zone_id": one.zone_id,
        "condition": one.kind,
        "closes_at": one.closes_at,
        "keeps_to": one.keeps_to,
        "unit": one.unit or None,
        "because": one.because,
        "days": one.year,
        **dict(zip(MONTHS, one.days, strict=True)),
        "advice": _advice(one, year),
    }


def _table(rows: Sequence[Row]) -> dict[str, Any]:
    """The closing table: one line a zone, at what each kind of weather closes it, and on how many days."""
    columns = ["zone", "rain", "water", "snow", "grass"]
    lines = []
    for zone_id in dict.fromkeys(row["zone_id"] for row in rows):
        mine = {row["condition"]: row for row in rows if row["zone_id"] == zone_id}
        if "dry" in mine:
            lines.append([zone_id, "closed dry", "-", "-", "-"])
        else:
            lines.append([zone_id, *[_limit_words(mine[kind]) for kind in _TABLED]])
    return {"title": "Weather at which each window closes, and days of a year", "columns": columns, "rows": lines}


def _limit_words(row: Row) -> str:
    if row["closes_at"] is None:
        if row["keeps_to"] is None:
            return "no pond"
        return "none" if row["condition"] == "rain" else f"none to {row['keeps_to']:.2f} m"
    if row["condition"] == "grass":
        return f"{row['closes_at']:.2f} m, uncut {row['days']:.0f} days"
    return f"{row['closes_at']:.{0 if row['unit'] == 'mm/h' else 2}f} {row['unit']}, {row['days']:.0f} days"


def run(ctx: StepContext) -> StepResult:
    """At which weather windows close; see the manual beside this file."""
    site, year = ctx.site, ctx.site.weather
    perimeter = perimeter_of(site, ctx.read, ctx.terrain, ctx.warn)
    found = conditions_of(perimeter, _beside(ctx), _ponds(ctx), site.nuisance.depths_m, year)
    rows = [_row(one, year) for one in found]
    dry_closed = [one.zone_id for one in found if one.kind == "dry"]
    if dry_closed:
        shown = ", ".join(dry_closed[:_NAMED]) + (" and more" if len(dry_closed) > _NAMED else "")
        ctx.warn(f"closed whatever the weather, by the best estimate: {shown}; weather was not looked at there")
    for one in found:
        if one.kind == "grass" and one.closes_at is not None and (one.keeps_to or 0.0) <= year.cut_to_m:
            ctx.warn(f"{one.zone_id}: grass of {one.closes_at:.2f} m closes it, and it is cut to {year.cut_to_m:.2f} m")
    ctx.say("days of a year rest on the month table of the site file, [weather]: placeholders until it gives its own")
    worst = {
        kind: max((one.year for one in found if one.kind == kind), default=0.0) for kind in ("rain", "pond", "snow")
    }
    return StepResult(
        layers={"window_weather": frame_of(WINDOW_WEATHER, rows)},
        summary={
            "closed_dry": dry_closed,
            "cut_before_m": {
                one.zone_id: one.keeps_to for one in found if one.kind == "grass" and one.closes_at is not None
            },
            "most_days": {kind: round(days, 1) for kind, days in worst.items()},
            "table": _table(rows),
        },
    )


STEP = Step(
    name="weather",
    title="Find the weather at which each operating window closes",
    summary="Finds the rain, water, snow and grass at which each window closes, and on how many days of a year.",
    run=run,
    params=(),
    inputs=(
        LayerIn(FENCE, "what lies beyond it"),
        LayerIn(ZONES, "which zones follow each other"),
        LayerIn(BEAMS, "heads, kinds and heights"),
        LayerIn(PONDS, "water standing on the ground as it is", required=False),
    ),
    outputs=(LayerOut(WINDOW_WEATHER),),
    order=0,
    citations=(
        "loss in rain: ITU-R P.838-3 (2005)",
        "climate figures: placeholders until the site file gives those of the nearest station",
    ),
    cautions=(
        "A model of single figures a month: logged alarms and walk tests in bad weather decide.",
        cautions.WATER,
        cautions.DETECTION,
        cautions.SENSITIVE,
    ),
)
