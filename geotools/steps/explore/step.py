"""Declaration of the explore step: the plan in, one page to look at out."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotools.detection.chains import perimeter_of
from geotools.detection.height_search import levels_that_may_move
from geotools.detection.heights_ahead import floors_of
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.from_plan import CUT_FILL
from geotools.engine.step import FileOut, LayerIn, Step, StepContext, StepResult
from geotools.plan import cautions
from geotools.plan.locks import Locks, locks_of
from geotools.plan.rasters import PlanRaster
from geotools.plan.schema import (
    BEAMS,
    BILL,
    DEAD_SPOTS,
    EARTHWORKS,
    FENCE,
    HEADS,
    NUISANCE_REACH,
    OPERATING_WINDOWS,
    OPTIONS,
    PROPOSED_HEADS,
    SET_OFF,
    STANDOFFS,
    VERDICTS,
    WINDOW_OPTIONS,
    WINDOW_WEATHER,
    ZONES,
)
from geotools.plan.schema.style import VERDICT_COLOURS
from geotools.steps.explore.html import to_html
from geotools.steps.explore.nuisance import nuisance_data, window_colours
from geotools.steps.explore.proposed import ProposedPerimeter, proposed_perimeter
from geotools.steps.explore.relief import relief_data
from geotools.steps.explore.scene import Heights, Place, ground_data, map_data, zone_data
from geotools.steps.explore.summing import bill_data, lead, zone_summaries
from geotools.terrain.design import SharedGround
from geotools.terrain.shading import shaded

PAGE = "explore.html"
#: Zones whose heights can be moved: the page stays small enough to be sent, and the step short.
MOST_ZONES = 40
#: Heights of each head beside today's, in zones with dead ground and in those without.
_HEIGHTS, _FEW_HEIGHTS = 7, 4
#: Ground shown around the fence, as a share of its extent.
_MARGIN = 0.06
_READ = (FENCE, ZONES, HEADS, BEAMS)
_IF_THERE = (
    VERDICTS,
    DEAD_SPOTS,
    OPTIONS,
    PROPOSED_HEADS,
    EARTHWORKS,
    NUISANCE_REACH,
    SET_OFF,
    OPERATING_WINDOWS,
    WINDOW_OPTIONS,
    WINDOW_WEATHER,
    STANDOFFS,
    BILL,
)


def _frames(ctx: StepContext) -> dict[str, Any]:
    held = set(ctx.workspace.layer_names())
    return {s.name: ctx.read(s) for s in (*_READ, *(s for s in _IF_THERE if s.name in held))}


def _corners(frames: dict[str, Any]) -> tuple[np.ndarray, np.ndarray]:
    bounds = np.vstack([frames[name].total_bounds for name in ("fence", "zones")])
    low, high = bounds[:, :2].min(axis=0), bounds[:, 2:].max(axis=0)
    margin = _MARGIN * max(float((high - low).max()), 1.0)
    return low - margin, high + margin


def _zones(
    ctx: StepContext, perimeter: Perimeter, proposed: ProposedPerimeter | None, weak: list[str], locks: Locks
) -> list[dict[str, Any]]:
    """Every zone's section, answers, proposed state and ground in three dimensions."""
    floors = floors_of(perimeter)
    works = PlanRaster.beside(ctx.workspace.folder, CUT_FILL, ctx.workspace.plan_crs)
    limits: dict[str, tuple[float, float]] = {level.level: level.limits_m for level in ctx.site.stack_levels()}
    movable = set([*weak, *(z for z in perimeter.zones if z not in weak)][:MOST_ZONES])
    zones = []
    for number, (zone_id, zone) in enumerate(perimeter.zones.items(), start=1):
        moving = levels_that_may_move(perimeter, zone_id, limits, locks.fixed) if zone_id in movable else []
        lowest = next((p.level for p in zone.pairs if p.level in moving), None)
        heights = (
            None if lowest is None else Heights(lowest, limits[lowest], _HEIGHTS if zone_id in weak else _FEW_HEIGHTS)
        )
        data = zone_data(perimeter, floors, zone, heights, works)
        data["locked"] = locks.words(zone_id)
        data["after"] = None if proposed is None else proposed.zone_data(zone)
        if zone_id in movable:
            after = None if proposed is None else proposed.perimeter.ground
            data["relief"] = relief_data(
                zone.line, float(perimeter.grids[zone_id].offset_m.max()), perimeter.ground, after
            )
        zones.append(data)
        ctx.progress(number, len(perimeter.zones), f"zone {zone_id}")
    if len(perimeter.zones) > len(movable):
        ctx.say(f"heights can be moved in {len(movable)} zones, those with dead ground first")
    return zones


def run(ctx: StepContext) -> StepResult:
    """Answer heights and proposed state beforehand and write the page; see the manual beside this file."""
    site, frames = ctx.site, _frames(ctx)
    low, high = _corners(frames)
    perimeter = perimeter_of(site, ctx.read, SharedGround(ctx.terrain), ctx.warn)
    weak = [z for z in perimeter.zones if any(d.any() for d in perimeter.dead(z).values())]
    proposed, place = proposed_perimeter(ctx, perimeter), Place(low)
    zones = _zones(ctx, perimeter, proposed, weak, locks_of(frames["zones"], frames["heads"]))
    threats = [
        {"name": t.name, "height": t.height_m, "width": t.width_m, "base": t.base_m}
        for t in perimeter.rules.targets.values()
    ]
    data = {
        "size": np.round(high - low, 2).tolist(),
        "ground": ground_data(shaded(ctx.terrain, low, high), low),
        "map": map_data(frames, place, list(perimeter.rules.targets))
        | {"dead_after": {} if proposed is None else proposed.dead_areas(place)},
        "zones": zones,
        "threats": threats,
        "first": next(iter([*weak, *perimeter.zones]), ""),
        "verdicts": VERDICT_COLOURS,
        "window_colours": window_colours(),
        "summary": zone_summaries(frames, list(perimeter.zones)),
        "bill": bill_data(frames, site.prices.currency),
        "nuisance": nuisance_data(frames, place),
    }
    page = to_html(site.name, lead(data), data, cautions.CAUTIONS, site.recipient)
    (ctx.scratch / PAGE).write_text(page, encoding="utf-8")
    cases = sum(len(zone["cases"]) for zone in zones)
    ctx.say(f"{PAGE}: {len(zones)} zones, {cases} pairs of head heights answered beforehand")
    return StepResult(files=[PAGE], summary={"zones": len(zones), "cases": cases})


STEP = Step(
    name="explore",
    title="Page to explore",
    summary="Writes the plan as one page to look at: map, zones before and after the remedy, head heights to move.",
    run=run,
    inputs=(
        LayerIn(FENCE, "the fence on the map, and which side is inside"),
        LayerIn(ZONES, "the strips on the map"),
        LayerIn(HEADS, "heads on the map, and which of them are locked"),
        LayerIn(BEAMS, "heads and their heights"),
        LayerIn(VERDICTS, "verdicts on the map", required=False),
        LayerIn(DEAD_SPOTS, "dead spots on the map", required=False),
        LayerIn(OPTIONS, "what closes the dead spots of a zone, and its price", required=False),
        LayerIn(PROPOSED_HEADS, "the proposed state beside the existing one", required=False),
        LayerIn(EARTHWORKS, "cut and fill on the map", required=False),
        LayerIn(NUISANCE_REACH, "how far movers that are no threat set a zone off", required=False),
        LayerIn(SET_OFF, "which of the user's own features set off a zone", required=False),
        LayerIn(OPERATING_WINDOWS, "operating window of each zone", required=False),
        LayerIn(WINDOW_OPTIONS, "what opens a window that is not open", required=False),
        LayerIn(WINDOW_WEATHER, "weather that closes a window", required=False),
        LayerIn(STANDOFFS, "why each beam stands where it does", required=False),
        LayerIn(BILL, "what the plan costs", required=False),
    ),
    files=(FileOut(PAGE, "document", "One file for a browser, needs no network: map, sections, heights to move."),),
    order=92,
    citations=("head heights in steps of 0.05 m: common practice, no source",),
    cautions=(cautions.DETECTION, cautions.SENSITIVE),
)
