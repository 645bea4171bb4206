"""The gaps step by the wave model: from zones to layers, rasters and words."""

from __future__ import annotations

from functools import partial

import numpy as np

from geotools.beam.strip import HIGHEST_TOP_M
from geotools.schema import BEAM_LEVELS, CROSSINGS, DEAD_SPOTS, RESURVEY, SENSITIVITY
from geotools.step import StepContext, StepResult
from geotools.steps.gaps.doubts import accuracy_of, add_certainty, beam_rows, sensitivity_rows
from geotools.steps.gaps.fence import FenceFindings, find
from geotools.steps.gaps.kernel import Question
from geotools.steps.gaps.raster import Band, write_cog
from geotools.steps.gaps.rows import Row, closing_table, crossing_rows, spot_rows, tell
from geotools.steps.gaps.work import FenceWork, question_of
from geotools.workspace import frame_of

__all__ = ["CORRIDOR_RASTER", "GAP_RASTER", "run_wave"]

GAP_RASTER, CORRIDOR_RASTER = "crawl_gap.tif", "corridor.tif"


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
    write_cog(ctx.scratch / GAP_RASTER, crs, cell, patches, gaps, bands)
    threats = tuple(Band(f"best modulation: {target.name}", "1", larger=True) for target in question.targets)
    write_cog(ctx.scratch / CORRIDOR_RASTER, crs, cell, patches, best, threats)


def _advance(ctx: StepContext, before: int, total: int, zones: int) -> None:
    ctx.progress(before + zones, total, "beams")


def run_wave(ctx: StepContext, fences: list[FenceWork]) -> StepResult:
    """Solve every beam over its ground and say who gets through, where, why, and how certain that is."""
    question = question_of(ctx)
    total = sum(len(fence.zones) for fence in fences)
    names = ("dead_spots", "crossings", "beam_levels", "resurvey", "sensitivity")
    rows: dict[str, list[Row]] = {name: [] for name in names}
    accuracy = accuracy_of(ctx)
    findings, done = [], 0
    for fence in fences:
        found = find(fence, question, partial(_advance, ctx, done, total))
        findings.append(found)
        done += len(fence.zones)
        spots = spot_rows(fence, found, question)
        if ctx.params["doubts"]:
            rows["resurvey"] += add_certainty(ctx, fence, found, question, accuracy, spots)
            rows["sensitivity"] += sensitivity_rows(fence, found, question)
        rows["dead_spots"] += spots
        rows["crossings"] += crossing_rows(fence, found, question)
        rows["beam_levels"] += beam_rows(ctx, fence, found)
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
            "resurvey": frame_of(RESURVEY, rows["resurvey"], crs),
            "sensitivity": frame_of(SENSITIVITY, rows["sensitivity"]),
        },
        files=[GAP_RASTER, CORRIDOR_RASTER],
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
