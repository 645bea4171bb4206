"""Declaration of the asbuilt step: design surface and a new survey in; what is still out, and pass or fail, out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from geotools.detection.chains import perimeter_of
from geotools.earthwork.from_plan import design_of
from geotools.earthwork.proposal import proposed_zones
from geotools.earthwork.state import proposed_paper
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import InputError, SiteError
from geotools.io.crs import metres_per_unit
from geotools.io.tables import csv_text
from geotools.plan import cautions, ids
from geotools.plan.schema import ACCEPTANCE, AS_BUILT, BEAMS, FENCE, GRADINGS, HEADS, PROPOSED_HEADS, ZONES
from geotools.plan.workspace import frame_of
from geotools.site.sources import open_sources
from geotools.steps.asbuilt.acceptance import acceptance_row, worst_words
from geotools.steps.asbuilt.closeness import MeasuredPoints, read_points
from geotools.steps.asbuilt.levels import LevelCheck, ZoneLevels
from geotools.terrain.design import Overlaid
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


def _points(ctx: StepContext, survey: Terrain) -> MeasuredPoints | None:
    """The measured points behind the survey, where they were given."""
    given = [Path(ctx.params[name]) for name in ("points", "edges") if ctx.params[name] is not None]
    for name in ("points", "edges"):
        if ctx.params[name] is not None and not Path(ctx.params[name]).is_file():
            raise InputError(
                "the measured points are not there",
                where=str(ctx.params[name]),
                expected="an existing file with the points that --survey was made from",
                mend=f"check the path after --{name}; it counts from the folder you are in",
            )
    return read_points(given, survey, ctx.workspace.plan_crs, ctx.params["vertical_unit"])


def _out_rows(levels: ZoneLevels) -> list[Row]:
    """Rows of the layer as_built of one zone."""
    rows: list[Row] = []
    found = levels.found
    for number, area in enumerate([*found.areas, *found.open], start=1):
        sure = number <= len(found.areas)
        rows.append(
            {
                "out_id": ids.point_id(levels.zone.zone_id, "X", number),
                "zone_id": levels.zone.zone_id,
                "kind": ("high" if area.worst > 0 else "low") if sure else "not measured",
                "worst_m": area.worst,
                "area_m2": area.area,
                "volume_m3": area.volume if sure else float("nan"),
                "geometry": levels.outline(area),
            }
        )
    return rows


def _refuse_elsewhere(ctx: StepContext, levels: list[ZoneLevels]) -> None:
    """InputError where graded zones are there and the survey has a level in none of them."""
    if not levels or any(one.found.cells for one in levels):
        return
    raise InputError(
        "the survey does not cover a graded zone",
        where=f"{ctx.params['survey']}, zone {levels[0].zone.zone_id}",
        found="no level in any graded strip",
        expected="levels in the graded strips",
        mend="survey the strips, or check that the file belongs to this site",
    )


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
    unit = metres_per_unit(ctx.workspace.plan_crs)
    with _open_survey(ctx) as survey:
        check = LevelCheck(
            surface,
            survey,
            _points(ctx, survey),
            reach,
            ctx.params["tolerance_m"],
            ctx.params["least_area_m2"],
            site.input.vertical_accuracy_m or 0.0,
        )
        built = before.with_zones(proposed, Overlaid(survey, surface))
        compared = {zone_id: check.of(zone) for zone_id, zone in built.zones.items()}
        _refuse_elsewhere(ctx, [levels for zone_id, levels in compared.items() if zone_id in graded])
        for number, (zone_id, zone) in enumerate(built.zones.items()):
            ctx.progress(number, len(built.zones), f"zone {zone_id}")
            dead_design = designed.dead_length(zone_id, designed.dead(zone_id))
            dead = built.dead_length(zone_id, built.dead(zone_id))
            levels = compared[zone_id]
            if zone_id not in graded:
                # ground that was not worked has no design to be held to
                levels = replace(levels, found=replace(levels.found, areas=[], open=[]))
            places = levels.places(unit)
            rows.append(acceptance_row(zone, levels.found, (dead_design, dead), half, zone_id in graded, places))
            out += _out_rows(levels)
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
    unsure = sum(r["result"] == "not measured" for r in rows)
    ctx.say(
        f"{passed} of {len(rows)} zones pass"
        + (f", {unsure} not measured closely enough to pass or fail" if unsure else "")
        + "; ground that the survey does not cover is taken as designed"
    )
    if unsure and ctx.params["points"] is None:
        ctx.say("with --points the measured points themselves are held to the design, not what was drawn between them")
    for r in rows:
        if r["result"] == "fail":
            ctx.warn(f"zone {r['zone_id']} fails: {r['reason']}")
        elif r["result"] == "not measured":
            ctx.warn(f"zone {r['zone_id']} is left open: {r['reason']}")
    crs = ctx.workspace.work_crs
    return StepResult(
        layers={"as_built": frame_of(AS_BUILT, out, crs), "acceptance": frame_of(ACCEPTANCE, rows, crs)},
        files=["acceptance.csv"],
        summary={
            "zones": len(rows),
            "passed": passed,
            "not_measured": unsure,
            "left_open": [f"{r['zone_id']}: {r['reason']}" for r in rows if r["result"] != "pass"],
            "table": {
                "title": "As built",
                "columns": ["zone", "result", "worst m", "out", "dead m", "why"],
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
    summary="Compares a new survey with the design, runs the detection on it, and passes or fails each zone.",
    run=run,
    params=(
        Param("survey", "path", "raster with the levels as built; required", required=True),
        Param(
            "points",
            "path",
            "the measured points that the raster was made from, a table or vector file: they are held to the design, "
            "not what was drawn between them",
        ),
        Param(
            "edges",
            "path",
            "a second file of that kind, such as the lines measured along edges of the works; their vertices count",
        ),
        Param(
            "vertical_unit",
            "choice",
            "unit of the survey's heights where the file does not say it",
            choices=("metre", "foot", "US survey foot"),
        ),
        Param(
            "tolerance_m",
            "real",
            "difference from the design that passes, where ground was worked",
            0.03,
            "m",
            0.005,
            0.5,
        ),
        Param(
            "least_area_m2",
            "real",
            "smaller areas out of tolerance, or not measured, do not fail a zone",
            1.0,
            "m2",
            0.0,
            100,
        ),
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
    files=(FileOut("acceptance.csv", "table", "pass or fail of each zone, or what is to be measured, with figures"),),
    order=0,
    citations=(
        "tolerance of finished levels: common practice, no source; the contract's own counts",
        "neither passed nor failed within the uncertainty of measurement: the rule of ISO 14253-1 (from memory)",
    ),
    cautions=(cautions.DETECTION,),
)
