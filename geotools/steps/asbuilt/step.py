"""Declaration of the asbuilt step: design surface and a new survey in; what is still out, and pass or fail, out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from rasterio import Affine

from geotools.detection.chains import perimeter_of
from geotools.earthwork.from_plan import design_of
from geotools.earthwork.proposal import proposed_zones
from geotools.earthwork.state import proposed_paper
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import InputError, SiteError, place_words
from geotools.io.crs import map_place, metres_per_unit
from geotools.io.grids import outline
from geotools.io.tables import csv_text
from geotools.plan import cautions, ids
from geotools.plan.model import Zone
from geotools.plan.schema import ACCEPTANCE, AS_BUILT, BEAMS, FENCE, GRADINGS, HEADS, PROPOSED_HEADS, ZONES
from geotools.plan.workspace import frame_of
from geotools.site.sources import open_sources
from geotools.steps.asbuilt.acceptance import acceptance_row, worst_words
from geotools.steps.asbuilt.kernel import Comparison, OutArea, compare
from geotools.terrain.design import DesignSurface, Overlaid
from geotools.terrain.model import Terrain

Row = dict[str, object]


def _open_survey(ctx: StepContext) -> Terrain:
    """The new survey, with the same checks of system and units as the site's terrain."""
    given = ctx.params["survey"]
    if given is None:
        raise SiteError(
            "the new survey was not named",
            where="step asbuilt, parameter survey",
            expected="a raster with the levels as built",
            mend="give --survey FILE",
        )
    if not Path(given).is_file():
        raise InputError(
            "the new survey is not there",
            where=str(given),
            expected="an existing raster with the levels as built",
            mend="check the path after --survey; it counts from the folder you are in",
        )
    told: dict[str, object] = {
        "terrain": str(Path(given).resolve()),
        "terrain_band": 1,
        "terrain_crs": None,
        "plan_crs": ctx.workspace.plan_crs.to_wkt(),
        "vertical_unit": ctx.params["vertical_unit"],
    }
    site = ctx.site.model_copy(update={"input": ctx.site.input.model_copy(update=told)})
    return open_sources(site).open_terrain(site)


def _cells(surface: DesignSurface, zone: Zone, reach: float) -> tuple[Affine, np.ndarray, np.ndarray, np.ndarray]:
    """Transform of a window around the zone, its cells' map coordinates, and which lie in the zone's graded strip."""
    line = zone.line
    rows, columns = surface.locate([line.x0, line.x1], [line.y0, line.y1])
    pad = int(np.ceil(reach / surface.cell_m)) + 1
    r = np.arange(max(rows.min() - pad, 0), min(rows.max() + pad + 1, surface.change.shape[0]))
    c = np.arange(max(columns.min() - pad, 0), min(columns.max() + pad + 1, surface.change.shape[1]))
    x, y = np.broadcast_arrays(*surface.centres(r[:, None], c[None, :]))
    along, off = line.from_map(x, y)
    t = surface.transform
    corner = Affine(t.a, 0.0, t.c + c[0] * t.a, 0.0, t.e, t.f + r[0] * t.e)
    return corner, x, y, (np.abs(off) <= reach) & (along >= 0) & (along <= line.length)


def _out_row(zone_id: str, number: int, area: OutArea, transform: Affine, form: tuple[int, int]) -> Row:
    mask = np.zeros(form, bool)
    mask.ravel()[area.cells] = True
    return {
        "out_id": ids.point_id(zone_id, "X", number),
        "zone_id": zone_id,
        "kind": "high" if area.worst > 0 else "low",
        "worst_m": area.worst,
        "area_m2": area.area,
        "volume_m3": area.volume,
        "geometry": outline(mask, transform),
    }


def _place(ctx: StepContext, zone: Zone, found: Comparison, x: np.ndarray, y: np.ndarray) -> str:
    """Where the worst area out of tolerance lies, for whoever goes there."""
    if not found.areas:
        return ""
    cells = max(found.areas, key=lambda area: abs(area.worst)).cells
    at = float(x.ravel()[cells].mean()), float(y.ravel()[cells].mean())
    chainage, offset = (float(v) for v in zone.line.from_map(*at))
    return f"at {place_words(chainage, offset)} ({map_place(*at, metres_per_unit(ctx.workspace.plan_crs))})"


def run(ctx: StepContext) -> StepResult:
    """Compare the survey with the design and run the detection on it; see the manual beside this file."""
    site = ctx.site
    before = perimeter_of(site, ctx.read, ctx.terrain, ctx.warn)
    surface = design_of(site, before, ctx.terrain, ctx.workspace.folder, ctx.workspace.plan_crs)
    proposed = proposed_zones(site, before, ctx.read(PROPOSED_HEADS))
    graded = set(ctx.read(GRADINGS).zone_id)
    designed = before.with_zones(proposed, surface)
    designed.solve_all()
    rows: list[Row] = []
    out: list[Row] = []
    half = site.detection.half_width_m
    reach = site.grading.under_m + site.grading.batter_m
    with _open_survey(ctx) as survey:
        built = before.with_zones(proposed, Overlaid(survey, surface))
        for number, (zone_id, zone) in enumerate(built.zones.items()):
            ctx.progress(number, len(built.zones), f"zone {zone_id}")
            dead_design = designed.dead_length(zone_id, designed.dead(zone_id))
            transform, x, y, inside = _cells(surface, zone, reach)
            design = np.where(inside, surface.sample(x, y), np.nan)
            found = compare(
                design,
                survey.sample(x, y),
                surface.cell_m**2,
                tolerance=ctx.params["tolerance_m"],
                least_area=ctx.params["least_area_m2"],
            )
            if zone_id in graded and found.cells < int(inside.sum()):
                raise InputError(
                    "the survey does not cover a graded zone",
                    where=f"{ctx.params['survey']}, zone {zone_id}",
                    found=f"levels for {found.cells} of {int(inside.sum())} cells",
                    expected="a level in every cell of the graded strip",
                    mend="survey the whole strip, or check that the file belongs to this site",
                )
            dead = built.dead_length(zone_id, built.dead(zone_id))
            if zone_id not in graded:
                found = replace(found, areas=[])  # ground that was not worked has no design to be held to
            place = _place(ctx, zone, found, x, y)
            rows.append(acceptance_row(zone, found, (dead_design, dead), half, zone_id in graded, place))
            out += [_out_row(zone_id, k, a, transform, x.shape) for k, a in enumerate(found.areas, start=1)]
    columns = [f.name for f in ACCEPTANCE.fields]
    paper = proposed_paper(ctx, before, proposed, surface)
    said = {
        "tolerance_m": ctx.params["tolerance_m"],
        **paper.fields,
        "caution": f"{cautions.DETECTION} {cautions.SENSITIVE}",
    }
    table = [{name: round(v, 4) + 0.0 if isinstance(v := r[name], float) else v for name in columns} for r in rows]
    table = [{**row, **said} for row in table]
    (ctx.scratch / "acceptance.csv").write_text(csv_text([*columns, *said], table), encoding="utf-8", newline="")
    passed = sum(r["result"] == "pass" for r in rows)
    ctx.say(f"{passed} of {len(rows)} zones pass; ground that the survey does not cover is taken as designed")
    for r in rows:
        if r["result"] == "fail":
            ctx.warn(f"zone {r['zone_id']} fails: {r['reason']}")
    crs = ctx.workspace.work_crs
    return StepResult(
        layers={"as_built": frame_of(AS_BUILT, out, crs), "acceptance": frame_of(ACCEPTANCE, rows, crs)},
        files=["acceptance.csv"],
        summary={
            "zones": len(rows),
            "passed": passed,
            "left_open": [f"{r['zone_id']}: {r['reason']}" for r in rows if r["result"] == "fail"],
            "table": {
                "title": "As built",
                "columns": ["zone", "result", "worst m", "cells out", "dead m", "why"],
                "rows": [
                    [
                        r["zone_id"],
                        r["result"],
                        worst_words(r),
                        r["cells_out"],
                        f"{r['dead_built_m']:.1f}",
                        r["reason"],
                    ]
                    for r in rows
                ],
            },
        },
    )


STEP = Step(
    name="asbuilt",
    title="Check the earthworks as built",
    summary="Compares a new survey with the design, runs the detection on it, and passes or fails each graded zone.",
    run=run,
    params=(
        Param("survey", "path", "raster with the levels as built; required", required=True),
        Param(
            "vertical_unit",
            "choice",
            "unit of the survey's heights where the file does not say it",
            choices=("metre", "foot", "US survey foot"),
        ),
        Param("tolerance_m", "real", "difference from the design that passes", 0.03, "m", 0.005, 0.5),
        Param("least_area_m2", "real", "smaller areas out of tolerance do not fail a zone", 1.0, "m2", 0.0, 100),
    ),
    inputs=(
        LayerIn(FENCE, "which zones follow each other, and which side is inside"),
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(BEAMS, "heads and their heights"),
        LayerIn(HEADS, "heads as laid out: the state that the paper names"),
        LayerIn(GRADINGS, "which zones were graded"),
        LayerIn(PROPOSED_HEADS, "heads as they are to stand"),
    ),
    outputs=(LayerOut(AS_BUILT), LayerOut(ACCEPTANCE)),
    files=(FileOut("acceptance.csv", "table", "pass or fail of each graded zone, with figures"),),
    order=0,
    citations=("tolerance of finished levels: common practice, no source; the contract's own counts",),
    cautions=(cautions.DETECTION,),
)
