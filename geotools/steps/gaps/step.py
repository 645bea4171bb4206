"""Declaration of the gaps step: zones and beams in; dead spots, crossings, standing levels and rasters out."""

from __future__ import annotations

from functools import partial

import numpy as np

from geotools.beam.strip import HIGHEST_TOP_M, straightness
from geotools.schema import BEAM_LEVELS, BEAMS, CROSSINGS, DEAD_SPOTS, FENCE, ZONES
from geotools.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.steps.gaps.fence import FenceFindings, find
from geotools.steps.gaps.kernel import Question
from geotools.steps.gaps.patch import Patch
from geotools.steps.gaps.raster import Band, write_cog
from geotools.steps.gaps.rows import Row, closing_table, crossing_rows, level_rows, spot_rows, tell
from geotools.steps.gaps.straight import straightness_spots
from geotools.steps.gaps.work import FenceWork, question_of, works_of
from geotools.workspace import empty_frame, frame_of

_GAP_RASTER, _CORRIDOR_RASTER, _LINE_RASTER = "crawl_gap.tif", "corridor.tif", "straightness.tif"


def _write_rasters(ctx: StepContext, findings: list[FenceFindings], question: Question) -> None:
    patches = [patch for one in findings for patch in one.patches]
    floors = [floor for one in findings for floor in one.floor]
    best = [list(grid) for one in findings for grid in one.best]
    cell, crs = ctx.site.detection.spacing_m, ctx.workspace.plan_crs
    gaps = [
        (np.minimum(f - p.strip.ground_m, HIGHEST_TOP_M), np.minimum(f, p.strip.ground_m + HIGHEST_TOP_M))
        for f, p in zip(floors, patches, strict=True)
    ]
    bands = (
        Band(f"crawl gap; {HIGHEST_TOP_M:g} m where no lower top alarms", "m", larger=False),
        Band("detection floor", "m", larger=False),
    )
    write_cog(ctx.scratch / _GAP_RASTER, crs, cell, patches, gaps, bands)
    threats = tuple(Band(f"best modulation: {target.name}", "1", larger=True) for target in question.targets)
    write_cog(ctx.scratch / _CORRIDOR_RASTER, crs, cell, patches, best, threats)


def _advance(ctx: StepContext, before: int, total: int, zones: int) -> None:
    ctx.progress(before + zones, total, "beams")


def _run_wave(ctx: StepContext, fences: list[FenceWork]) -> StepResult:
    question = question_of(ctx)
    total = sum(len(fence.zones) for fence in fences)
    rows: dict[str, list[Row]] = {"dead_spots": [], "crossings": [], "beam_levels": []}
    findings, done = [], 0
    for fence in fences:
        found = find(fence, question, partial(_advance, ctx, done, total))
        findings.append(found)
        done += len(fence.zones)
        rows["dead_spots"] += spot_rows(fence, found, question)
        rows["crossings"] += crossing_rows(fence, found, question)
        rows["beam_levels"] += level_rows(fence, found)
    site_weakest: dict[str, float | None] = {}
    for target in question.targets:
        values = [r["modulation"] for r in rows["crossings"] if r["threat"] == target.name]
        site_weakest[target.name] = min(values) if values else None
    for row in rows["crossings"]:
        row["site_weakest"] = row["modulation"] <= (site_weakest[row["threat"]] or 0.0) + 1e-9
    _write_rasters(ctx, findings, question)
    tell(ctx, rows, question, site_weakest)
    crs = ctx.workspace.work_crs
    return StepResult(
        layers={
            "dead_spots": frame_of(DEAD_SPOTS, rows["dead_spots"], crs),
            "crossings": frame_of(CROSSINGS, rows["crossings"], crs),
            "beam_levels": frame_of(BEAM_LEVELS, rows["beam_levels"]),
        },
        files=[_GAP_RASTER, _CORRIDOR_RASTER],
        summary={
            "method": "wave",
            "dead_spots": len(rows["dead_spots"]),
            "dead_length_m": {
                t.name: round(sum(r["length_m"] for r in rows["dead_spots"] if r["threat"] == t.name), 2)
                for t in question.targets
            },
            "weakest_crossing": {name: None if v is None else round(v, 3) for name, v in site_weakest.items()},
            "beams_in_null": [r["beam_id"] for r in rows["beam_levels"] if r["in_null"]],
            "table": closing_table(rows, fences, question),
        },
    )


def _run_straightness(ctx: StepContext, fences: list[FenceWork]) -> StepResult:
    rows: list[Row] = []
    patches = []
    table = []
    rules = {name: ctx.site.all_targets[name].straightness_m for name in ctx.site.threats}
    without = [name for name, rule in rules.items() if rule is None]
    if without:
        ctx.warn(f"no straightness tolerance for {', '.join(without)}: the rule says nothing of them")
    for fence in fences:
        for zone in fence.zones:
            blank = np.zeros((0, *zone.strip.ground_m.shape))
            patch = Patch(zone.line, zone.strip, blank, zone.strip.ground_m)
            patches.append(patch)
            cells: list[object] = [zone.zone_id, f"{zone.line.length:.1f}"]
            for threat, rule in rules.items():
                found = [] if rule is None else straightness_spots(patch, rule)
                cells.append(f"{sum(s.to_m - s.from_m for s, _ in found):.1f}" if found else "-")
                for number, (spot, depth) in enumerate(found, start=1):
                    rows.append(
                        {
                            "spot_id": f"{zone.zone_id}-{threat.replace(' ', '_')}-{number:02d}",
                            "zone_id": zone.zone_id,
                            "threat": threat,
                            "method": "straightness",
                            "cause": "dip",
                            "from_m": spot.from_m,
                            "to_m": spot.to_m,
                            "length_m": spot.to_m - spot.from_m,
                            "area_m2": spot.area.area,
                            "depth_m": depth - float(rule or 0.0),
                            "geometry": spot.area,
                        }
                    )
            table.append([*cells, f"{float(straightness(zone.strip).max()):.2f}"])
    bands = (Band("depth of the ground below the straight line between the posts", "m", larger=True),)
    values = [(straightness(patch.strip),) for patch in patches]
    write_cog(ctx.scratch / _LINE_RASTER, ctx.workspace.plan_crs, ctx.site.detection.spacing_m, patches, values, bands)
    ctx.say("straightness rule: ground against the straight line between the posts; the wave model was not asked")
    return StepResult(
        layers={
            "dead_spots": frame_of(DEAD_SPOTS, rows, ctx.workspace.work_crs),
            "crossings": empty_frame(CROSSINGS, ctx.workspace.work_crs),
            "beam_levels": empty_frame(BEAM_LEVELS),
        },
        files=[_LINE_RASTER],
        summary={
            "method": "straightness",
            "dead_spots": len(rows),
            "table": {
                "title": "ground below the straight line between the posts, beyond tolerance",
                "columns": ["zone", "length m", *(f"{name}: m beyond" for name in rules), "deepest m"],
                "rows": table,
            },
        },
    )


def run(ctx: StepContext) -> StepResult:
    """Find where each threat gets through; see the manual beside this file."""
    fences = works_of(ctx)
    return _run_wave(ctx, fences) if ctx.params["method"] == "wave" else _run_straightness(ctx, fences)


STEP = Step(
    name="gaps",
    title="Find gaps under the beams",
    summary="Finds where each threat crosses without an alarm: detection floor, crawl gaps, dead spots, crossings.",
    run=run,
    params=(
        Param(
            "method",
            "choice",
            "wave: the field of the beams over the ground; straightness: the hand rule, ground against a straight line",
            default="wave",
            choices=("wave", "straightness"),
        ),
    ),
    inputs=(
        LayerIn(FENCE, "which side is inside"),
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(BEAMS, "heads, kinds and heights; edited heights count"),
    ),
    outputs=(LayerOut(DEAD_SPOTS), LayerOut(CROSSINGS), LayerOut(BEAM_LEVELS)),
    files=(
        FileOut(_GAP_RASTER, "raster", "crawl gap and detection floor at every place of the corridor"),
        FileOut(_CORRIDOR_RASTER, "raster", "best modulation of each threat at every place of the corridor"),
        FileOut(_LINE_RASTER, "raster", "depth below the straight line between the posts (method straightness)"),
    ),
    order=30,
    citations=(
        "parabolic equation by split-step sine transform, terrain by shift map: Donohue and Kuttler, "
        "IEEE Trans. Antennas Propag. 48, 2000 (from memory)",
        "diffraction by an edge: ITU-R P.526",
        "ground within 0.15 m (crawl) and 0.075 m (prone) of straight: common practice, no source",
    ),
    cautions=(
        "A model is no acceptance: walk-test every zone. It is paraxial, takes people as opaque screens, and knows "
        "no fence, vehicle, snow or wet grass.",
        "The results show where the site is weak: handle as sensitive, share by need.",
    ),
)
