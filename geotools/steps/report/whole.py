"""The whole report, from what the plan holds to HTML, PDF and a picture of each zone."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import chain
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.corridor import BeamLine, StripGrid
from geotools.earthwork.state import laid_out_state
from geotools.engine.step import StepContext, StepResult
from geotools.engine.writing import SUMMARY_NAME
from geotools.errors import counted, file_part
from geotools.plan.point_sidecar import system_name
from geotools.plan.rasters import PlanRaster
from geotools.plan.schema import BEAMS, FENCE, HEADS, LAYERS, ZONES
from geotools.steps.report.answer import answer, walk_missed
from geotools.steps.report.bill import bill_sheet
from geotools.steps.report.blocks import HTML, PDF, SECTIONS, Block, Heading, Notes, Picture, Report
from geotools.steps.report.by_zone import ZoneRows
from geotools.steps.report.charts import Dead, ZoneSection, draw, profile_table
from geotools.steps.report.html import html_pieces
from geotools.steps.report.map import MapArt, extent_of, plan_map
from geotools.steps.report.pdf import to_pdf
from geotools.steps.report.sections import section_pictures
from geotools.steps.report.sheets import (
    heads_sheet,
    how_sheet,
    layer_sheet,
    placeholder_sheet,
    uncertain_sheet,
    upkeep_sheet,
    walk_sheet,
    zone_tables,
)
from geotools.steps.report.weather import weather_sheet
from geotools.steps.report.windows import WINDOW_LAYERS, windows_sheet
from geotools.steps.report.wording import words
from geotools.terrain.shading import shaded

Array = npt.NDArray[np.float64]

#: Few enough to share the work evenly, enough to make the best of one figure.
_ZONES_A_PIECE = 6

#: Shares of a sheet of paper that the map and the weakest zone's section take on the first page.
_MAP_SHARE, _SECTION_SHARE = 0.35, 0.32

#: Layers that the sheets of the zones show.
_BY_ZONE = ("beams", "profiles", "dead_spots", "options", "advice", "beam_levels")
#: Layers of which the map and the zones' sheets show what matters; the rest is for a GIS.
_FOR_GIS = {"corridor", "grading_points", "clear_ground", "widths", "sensitivity"}
#: Layers that have a place of their own in the report, or are too long for paper; every other one gets a sheet.
_PLACED = {
    "fence",
    "zones",
    "heads",
    "beams",
    "dead_spots",
    "crossings",
    "beam_levels",
    "profiles",
    "advice",
    "options",
    "stakeout",
    "walk_test",
    "walk_result",
    "upkeep",
    "upkeep_cost",
    "bill",
    "provenance",
}


def _frames(ctx: StepContext) -> dict[str, gpd.GeoDataFrame | pd.DataFrame]:
    """The plan's layers that the report shows; StepError where one is missing that it cannot do without."""
    held = set(ctx.workspace.layer_names()) - _FOR_GIS
    needed = {schema.name for schema in (FENCE, ZONES, HEADS, BEAMS)}
    return {name: ctx.read(schema) for name, schema in LAYERS.items() if name in held | needed}


def _gap_along(mine: pd.DataFrame | None, chainage_m: Array) -> Array | None:
    """Smallest crawl gap that somebody crossing straight over meets, at each chainage; None where it is not known.

    mine : the zone's rows of the layer profiles.
    """
    if mine is None or mine.empty:
        return None
    return np.asarray(np.interp(chainage_m, mine["chainage_m"], mine["crawl_gap_m"]))


def _section(ctx: StepContext, zone: Any, held: dict[str, Any], works: PlanRaster | None) -> ZoneSection:
    """A zone's long section; ``held`` : its rows by layer."""
    beams = held["beams"]
    line = BeamLine.of(beams.geometry.iloc[0])
    grid = StripGrid.over(line, ctx.site.detection.half_width_m, ctx.site.detection.spacing_m)
    middle = line.to_map(grid.chainage_m)
    ground = ctx.terrain.sample(*middle)
    gap = _gap_along(held.get("profiles"), grid.chainage_m)
    moved = np.full(len(ground), np.nan) if works is None else works.sample(*middle)
    spots = held.get("dead_spots")
    mine = [] if spots is None else spots.itertuples()
    heights = {t: ctx.site.all_targets[t].height_m for t in ctx.site.threats}
    return ZoneSection(
        zone=zone.zone_id,
        chainage=grid.chainage_m,
        ground=ground,
        design=ground + moved if np.nanmax(np.abs(moved), initial=0.0) > 0.005 else None,
        beams=[(b.level, b.geometry.coords[0][2], b.geometry.coords[-1][2]) for b in beams.itertuples()],
        floors={} if gap is None else {"crawl gap": gap},
        target_height={t: h for t, h in heights.items() if h < 1.0},
        dead=[Dead(s.threat, s.from_m, s.to_m) for s in mine],
        threats=ctx.site.threats,
    )


def _map_picture(ctx: StepContext, frames: dict[str, Any], threats: Sequence[str]) -> Picture:
    heads, zones, spots = frames["heads"], frames["zones"], frames.get("dead_spots")
    said = frames.get("verdicts")
    if said is not None:
        said = said[(said["threat"] == "all") & said.geometry.notna()]

    def points(role: str) -> Array:
        mine = heads[heads["role"] == role].geometry
        return np.column_stack([mine.x, mine.y])

    def ring(area: Any) -> Array:
        return np.asarray(area.exterior.coords)[:, :2]

    art = MapArt(
        fences=[np.asarray(g.coords)[:, :2] for g in frames["fence"].geometry],
        zones=[(z.zone_id, ring(z.geometry)) for z in zones.itertuples()],
        dead=[] if spots is None else [(s.threat, ring(s.geometry)) for s in spots.itertuples()],
        transmitters=points("transmitter"),
        receivers=points("receiver"),
        threats=threats,
        verdicts=[] if said is None else [(v.verdict, np.asarray(v.geometry.coords)[:, :2]) for v in said.itertuples()],
    )
    art = replace(art, ground=shaded(ctx.terrain, *extent_of(art)))
    alt = (
        f"Map of the perimeter: {len(zones)} zones along {counted(len(art.fences), 'fence line')}, "
        f"{len(heads)} heads, {len(art.dead)} dead spots."
    )
    caption = "Map, north up; the strip of each zone is drawn to scale, the ground shaded by light from the north-west."
    return replace(draw(partial(plan_map, art), alt, caption), most=_MAP_SHARE)


def worst_zone(frames: Mapping[str, Any]) -> tuple[str, str] | None:
    """The zone whose long section stands on the first page, and why: where somebody crossed on the walk test without an
    alarm, the longest way, else where somebody meets least. None where no zone was examined.
    """
    missed = walk_missed(frames.get("verdicts"))
    missed = missed[missed["zone_id"].notna()]
    if len(missed):
        metres = (missed["to_m"] - missed["from_m"]).groupby(missed["zone_id"]).sum()
        return str(metres.idxmax()), "Where somebody crossed without an alarm."
    crossings = frames.get("crossings")
    if crossings is None or crossings.empty:
        return None
    return str(crossings.loc[crossings["modulation"].astype(float).idxmin(), "zone_id"]), "The weakest zone."


def _worst_section(frames: dict[str, Any], pictures: dict[str, Picture]) -> list[Picture]:
    """The long section that stands on the first page."""
    worst = worst_zone(frames)
    if worst is None or worst[0] not in pictures:
        return []
    picture = pictures[worst[0]]
    return [replace(picture, caption=f"{worst[1]} {picture.caption}", most=_SECTION_SHARE)]


def _summaries(ctx: StepContext) -> dict[str, Any]:
    """Figures that earlier steps left; empty where there are none or the file was edited out of shape."""
    try:
        steps = json.loads((ctx.workspace.folder / SUMMARY_NAME).read_text(encoding="utf-8"))["steps"]
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return {k: v for k, v in steps.items() if isinstance(v, dict)} if isinstance(steps, dict) else {}


def _zone_sheets(ctx: StepContext, frames: dict[str, Any]) -> tuple[list[Block], dict[str, Picture], list[str]]:
    """The sheets of the zones, their long sections by zone, and the names of those as pictures in scratch."""
    folder, crs = ctx.workspace.folder, ctx.workspace.plan_crs
    works = PlanRaster.beside(folder, "cut_fill.tif", crs)
    lit = set(frames["beams"]["zone_id"])
    held = ZoneRows(frames, _BY_ZONE)
    zones = [zone for zone in frames["zones"].itertuples() if zone.zone_id in lit]
    sections = [_section(ctx, zone, held.of(zone.zone_id), works) for zone in zones]
    blocks: list[Block] = []
    for zone_id in sorted(set(frames["zones"]["zone_id"]) - lit):
        blocks += [Heading(f"Zone {zone_id}"), Notes(("No beam: nothing is detected in this zone.",), kind="caution")]
    for bare in (section for section in sections if not np.isfinite(section.ground).any()):
        words_of_it = "No answer here: the terrain has no data along this zone."
        blocks += [Heading(f"Zone {bare.zone}"), Notes((words_of_it,), kind="caution")]
    sections = [section for section in sections if np.isfinite(section.ground).any()]
    files, shown = [], {}
    (ctx.scratch / SECTIONS).mkdir()
    parts = [sections[k : k + _ZONES_A_PIECE] for k in range(0, len(sections), _ZONES_A_PIECE)]
    pictures = chain.from_iterable(ctx.map(section_pictures, parts, "zone sheets"))
    for section, picture in zip(sections, pictures, strict=True):
        shown[section.zone] = picture
        blocks += [Heading(f"Zone {section.zone}"), picture, *zone_tables(section.zone, held.of(section.zone))]
        blocks.append(profile_table(section, ["ground, m", *(f"{words(n)}, m" for n in section.floors)]))
        files.append(f"{SECTIONS}{file_part(section.zone)}.png")
        (ctx.scratch / files[-1]).write_bytes(picture.png)
    return blocks, shown, files


def _warnings(provenance: pd.DataFrame) -> list[str]:
    notes = [line for text in provenance["notes"].dropna() for line in str(text).splitlines()]
    return [line.removeprefix("warning: ") for line in notes if line.startswith("warning: ")]


def write_report(ctx: StepContext) -> StepResult:
    """Make the sheets and write them to scratch; StepError where a layer is missing that no report does without."""
    frames, site = _frames(ctx), ctx.site
    summaries = _summaries(ctx)
    # an older report's own row says nothing of the plan
    provenance = frames["provenance"].query("step != 'report'")
    row = provenance.iloc[0]
    currency = getattr(getattr(site, "prices", None), "currency", "currency units")
    report = Report(
        site.name,
        f"{system_name(ctx.workspace.plan_crs)}; heights in metres, datum: {row['vertical_datum'] or 'not stated'}; "
        f"{laid_out_state(site, frames['heads']).words}",
        f"Made by geotools-perimeter {row['version']}. Handle as sensitive.",
        recipient=site.sheets.recipient,
    )
    zone_sheets, shown, sections = _zone_sheets(ctx, frames)
    heading, sentence, verdicts, *rest = answer(frames, site.threats, site.detection.threshold, site.prices)
    report.blocks += [heading, sentence, verdicts, _map_picture(ctx, frames, site.threats)]
    report.blocks += [*_worst_section(frames, shown), *rest, *zone_sheets]
    report.blocks += windows_sheet(frames)
    report.blocks += weather_sheet(frames)
    report.blocks += heads_sheet(frames)
    for name, schema in LAYERS.items():
        if name in frames and name not in _PLACED | WINDOW_LAYERS:
            report.blocks += layer_sheet(schema, frames[name])
    wanted = site.walktest
    threshold = summaries.get("walktest", {}).get("threshold")
    report.blocks += walk_sheet(frames, wanted.probability, wanted.confidence, threshold)
    report.blocks += upkeep_sheet(frames, currency)
    report.blocks += bill_sheet(frames, currency)
    tolerances = {t: site.all_targets[t].straightness_m for t in site.threats}
    cell = summaries.get("inspect", {}).get("terrain_cell_m")
    report.blocks += uncertain_sheet(site.input.vertical_accuracy_m, cell, tolerances, _warnings(provenance))
    # by name, as the file has them in the order of running; an older report says nothing of the plan
    others = sorted(summaries.keys() - {"report"})
    rested_on = chain.from_iterable(summaries[name].get("placeholders", ()) for name in others)
    report.blocks += placeholder_sheet(str(one) for one in rested_on)
    report.blocks += how_sheet(provenance)
    with open(ctx.scratch / HTML, "w", encoding="utf-8") as page:
        page.writelines(html_pieces(report))
    (ctx.scratch / PDF).write_bytes(to_pdf(report))
    ctx.say(f"{len(report.sheets())} sheets: {HTML} for screens, {PDF} for paper")
    return StepResult(files=[HTML, PDF, *sections], summary={"sheets": len(report.sheets())})
