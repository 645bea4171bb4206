"""Declaration of the inspect step: reads fence and terrain, refuses what cannot be used, writes the fence layer."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
from shapely import LineString, Point, box, get_coordinates, line_interpolate_point

from geotools.corridor import Array
from geotools.detection.from_plan import crossing_heights
from geotools.engine.step import LayerOut, Step, StepContext, StepResult
from geotools.errors import InputError, counted
from geotools.io.crs import horizontal, metres_per_unit
from geotools.io.files import local_file
from geotools.plan import ids
from geotools.plan.fence_checks import refuse_open, twice_words
from geotools.plan.fence_pairs import fence_pairs
from geotools.plan.schema import FENCE
from geotools.plan.workspace import frame_of
from geotools.site import Site
from geotools.site.sources import Sources, open_sources
from geotools.site.surveyed import contradiction, survey_quality
from geotools.steps.inspect.kernel import (
    coarse_accuracy_warning,
    coarse_cell_warning,
    first_unknown,
    implausible_heights,
    longest_unknown,
)
from geotools.steps.inspect.levels import check_height_unit
from geotools.terrain.model import Terrain
from geotools.terrain.oddities import odd_along, odd_words
from geotools.terrain.quality import ACCURACY_NOTED, ORIGINS, from_tags

#: Heights rounded to this step or more hide the straightness that a prone person requires (0.075 m).
COARSE_STEP_M = 0.05
#: Far beyond any one site; a line of more is a mistake, and would fill the memory.
MAX_FENCE_M = 1_000_000.0


def _along(line: LineString, spacing_m: float) -> tuple[Array, Array]:
    count = max(int(np.ceil(line.length / spacing_m)), 1) + 1
    chainage = np.linspace(0.0, line.length, count)
    return chainage, get_coordinates(line_interpolate_point(line, chainage))


def _check_ground(fence_id: str, line: LineString, terrain: Terrain, site: Site) -> str | None:
    """Raise where the ground under a fence line cannot be ground; a sentence where a part of it is not known."""
    left, bottom, right, top = terrain.bounds_m
    where = f"{terrain.path}, under fence line {fence_id}"
    # Before anything is laid along it: a vertex gone astray makes a line of any length.
    inside = box(left, bottom, right, top)
    if not inside.covers(line):
        strays = line.difference(inside)
        first = min((line.project(Point(xy)) for xy in get_coordinates(strays)[:1000]), default=0.0)
        x, y = get_coordinates(line.interpolate(first))[0]
        raise InputError(
            "the fence leaves the terrain raster",
            where=where,
            found=f"{100 * strays.length / line.length:.0f} % of it outside, first at {first:.1f} m along it "
            f"(x {x:.2f}, y {y:.2f} m)",
            expected=f"x {left:.1f} to {right:.1f}, y {bottom:.1f} to {top:.1f} m",
            mend="give a raster that covers the fence, or check both coordinate systems",
        )
    if line.length > MAX_FENCE_M:
        raise InputError(
            "a fence line is too long",
            where=f"fence line {fence_id}",
            found=f"{line.length / 1000:.0f} km",
            expected=f"at most {MAX_FENCE_M / 1000:.0f} km",
            mend="check its vertices; cut a long border into sites",
        )
    chainage, places = _along(line, max(terrain.cell_m, 0.25))
    heights = terrain.sample(places[:, 0], places[:, 1])
    unknown = first_unknown(chainage, heights)
    if unknown is not None and not np.isfinite(heights).any():
        raise InputError(
            "the terrain has no data under the fence",
            where=where,
            found=f"{unknown[1]:.1f} m without data, first at {unknown[0]:.1f} m along it",
            expected="a height everywhere under the fence",
            mend="fill the hole in the model, or survey that stretch",
        )
    odd = implausible_heights(heights)
    if odd is not None:
        raise InputError(
            "the terrain's values cannot be heights of ground",
            where=where,
            found=f"{odd[0]:g} to {odd[1]:g} m",
            expected="-500 to 9000 m",
            mend="check the band, the unit of height and the nodata value",
        )
    if unknown is None:
        return None
    said = f"{fence_id}: the terrain has no data under {unknown[1]:.1f} m of the fence, "
    start, end = longest_unknown(chainage, heights, closed=bool(line.is_ring))
    length = (end - start) % line.length
    if length > site.layout.max_zone_m:
        return said + (
            f"{length:.1f} m of it in one piece, from {start:.1f} to {end:.1f} m along it: more than the longest zone "
            f"(layout.max_zone_m, {site.layout.max_zone_m:g} m): no beam spans it. Layout leaves it without "
            "a zone, with a few metres more at both ends for posts, and lays out the rest: the stretch has no beam "
            "until it is surveyed"
        )
    return said + (
        f"first at {unknown[0]:.1f} m along it; zones whose strip has such places stay without an answer: survey that "
        "stretch, or fill the hole"
    )


def _fence_rows(sources: Sources, ctx: StepContext) -> list[dict[str, Any]]:
    lines = gpd.GeoSeries(sources.fence.lines, crs=horizontal(sources.fence.crs)).to_crs(ctx.workspace.work_crs)
    rows = []
    known = zip(lines, sources.fence.features, sources.fence.heights_m, strict=True)
    for number, (line, feature, height) in enumerate(known, start=1):
        if not np.isfinite(line.bounds).all():
            raise InputError(
                "a fence line cannot be brought into the plan's coordinate system",
                where=f"fence feature {feature}",
                found=sources.fence.crs.name,
                expected=ctx.workspace.plan_crs.name,
                mend="check the coordinate system the fence file names",
            )
        rows.append(
            {
                "fence_id": ids.fence_id(number),
                "source_feature": feature,
                "closed": bool(line.is_ring),
                "length_m": line.length,
                "height_m": ctx.site.fence_height_m if height is None else height,
                "geometry": line,
            }
        )
    return rows


def _survey(ctx: StepContext, rows: list[dict[str, Any]]) -> None:
    """Note beside each fence line what the survey of its ground resolves, and say what weakens it."""
    terrain = ctx.terrain
    doubts = [contradiction(ctx.site, terrain, [row["geometry"] for row in rows])]
    for row in rows:
        quality = survey_quality(ctx.site, terrain, [row["geometry"]])
        row |= {"resolves_m": quality.resolves_m, "resolves_origin": quality.origin}
        if quality.resolves_m > 1.01 * terrain.cell_m:
            ctx.say(
                f"{row['fence_id']}: the survey of the ground resolves {quality.resolves_m:.2g} m "
                f"({ORIGINS[quality.origin]}): dips from {quality.shortest_dip_m:.2g} m length show"
            )
        if quality.height_step_m is not None and quality.height_step_m >= COARSE_STEP_M:
            doubts.append(
                f"{row['fence_id']}: heights of the terrain are rounded to {quality.height_step_m:g} m, coarser than "
                "any dip that counts"
            )
        reach = ctx.site.layout.clear_m
        odd = odd_along(terrain, row["geometry"], reach)
        doubts += odd_words(
            odd, f"{row['fence_id']}, within {reach:g} m of it", metres_per_unit(ctx.workspace.plan_crs)
        )
    for text in dict.fromkeys(doubts):
        if text is not None:
            ctx.warn(text)


def run(ctx: StepContext) -> StepResult:
    """Check everything that later steps rely on; see the manual beside this file."""
    sources = open_sources(ctx.site)
    ctx.notes += sources.notes
    ctx.warnings += sources.warnings
    check_height_unit(ctx.site, sources, ctx.warn, ctx.say)
    terrain = ctx.terrain
    rows = _fence_rows(sources, ctx)
    for done, row in enumerate(rows):
        ctx.progress(done, len(rows), f"ground under {row['fence_id']}")
        if (hole := _check_ground(row["fence_id"], row["geometry"], terrain, ctx.site)) is not None:
            ctx.warn(hole)
    lines = {row["fence_id"]: row["geometry"] for row in rows}
    for fence_id, line in lines.items():
        refuse_open(fence_id, line, ctx.site.layout.side)
    if ctx.site.layout.side == "between":
        fence_pairs(lines)
    for twice in twice_words(lines):
        ctx.warn(twice)
    # asked for now: no step after this one can go without
    crossing_heights(ctx.site, frame_of(FENCE, rows, ctx.workspace.work_crs))
    _survey(ctx, rows)
    hardest = min(ctx.site.threats, key=lambda name: ctx.site.all_targets[name].straightness_m or np.inf)
    tolerance = ctx.site.all_targets[hardest].straightness_m
    weak = [coarse_cell_warning(terrain.cell_m, hardest)]
    if ctx.site.survey.check_points is None:
        noted = from_tags(terrain.tags, terrain.cell_m)
        stated = ctx.site.input.vertical_accuracy_m or (noted.accuracy_m if noted is not None else None)
        if stated is not None and ctx.site.input.vertical_accuracy_m is None:
            ctx.say(f"{ACCURACY_NOTED} {stated:.3g} m (95 %)")
        weak.append(coarse_accuracy_warning(stated, tolerance, hardest))
    else:
        # whoever gives check points learns from them, in `gaps`, how good the terrain is
        local_file(ctx.site.path(ctx.site.survey.check_points), "file of check points")
    for text in weak:
        if text is not None:
            ctx.warn(text)
    total = float(sum(row["length_m"] for row in rows))
    ctx.say(f"{counted(len(rows), 'fence line')}, {total:.1f} m; terrain cells of {terrain.cell_m:.2f} m")
    return StepResult(
        layers={"fence": frame_of(FENCE, rows, ctx.workspace.work_crs)},
        summary={
            "fence_lines": len(rows),
            "fence_length_m": round(total, 3),
            "terrain_cell_m": round(terrain.cell_m, 6),
            "plan_crs": ctx.workspace.plan_crs.name,
            "vertical_datum": sources.vertical_datum,
        },
    )


STEP = Step(
    name="inspect",
    title="Inspect the input",
    summary="Checks that fence and terrain are fit for the question, and brings the fence into the plan.",
    run=run,
    outputs=(LayerOut(FENCE),),
    order=10,
    citations=(
        "ASPRS Positional Accuracy Standards for Digital Geospatial Data, edition 1 (2014): 95 % = 1.96 RMSEz "
        "(from memory; superseded by edition 2, 2023)",
    ),
)
