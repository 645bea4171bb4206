"""The gaps step by the wave model: from zones to layers, rasters and words."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import numpy as np
import rasterio

from geotools.beam.strip import HIGHEST_TOP_M
from geotools.schema import BEAM_LEVELS, CROSSINGS, DEAD_SPOTS, PROFILES, RESURVEY, SENSITIVITY
from geotools.step import StepContext, StepResult
from geotools.steps.gaps.doubts import accuracy_of, add_certainty, beam_rows, sensitivity_rows
from geotools.steps.gaps.fence import FenceFindings, find
from geotools.steps.gaps.kernel import Question
from geotools.steps.gaps.raster import Band, MapRaster, bounds_of
from geotools.steps.gaps.rows import Row, closing_table, crossing_rows, profile_rows, spot_rows, tell
from geotools.steps.gaps.survey import Accuracy
from geotools.steps.gaps.work import FencePlan, FenceWork, Tile, question_of, tiles_of, work_of, works_of
from geotools.terrain import Terrain
from geotools.workers import Serial
from geotools.workspace import frame_of

__all__ = ["CORRIDOR_RASTER", "GAP_RASTER", "run_wave"]

GAP_RASTER, CORRIDOR_RASTER = "crawl_gap.tif", "corridor.tif"


class _Rasters:
    """Both rasters of a run while they are being made."""

    def __init__(self, ctx: StepContext, question: Question, plans: list[FencePlan]) -> None:
        detection, crs = ctx.site.detection, ctx.workspace.plan_crs
        bounds = bounds_of((zone.setup.line for plan in plans for zone in plan.zones), detection.half_width_m)
        gap = (
            Band(f"crawl gap; {HIGHEST_TOP_M:g} m where no lower top alarms", "m", larger=False),
            Band("detection floor", "m", larger=False),
        )
        threats = tuple(Band(f"best modulation: {target.name}", "1", larger=True) for target in question.targets)
        self.gap = MapRaster(ctx.scratch / GAP_RASTER, crs, detection.spacing_m, bounds, gap)
        self.corridor = MapRaster(ctx.scratch / CORRIDOR_RASTER, crs, detection.spacing_m, bounds, threats)

    def lay(self, work: FenceWork, found: FenceFindings) -> None:
        """Lay the tile's own zones into both."""
        for place in work.core:
            patch, floor = found.patches[place], found.floor[place]
            ground = patch.strip.ground_m
            self.gap.lay(patch, (np.minimum(floor - ground, HIGHEST_TOP_M), np.minimum(floor, ground + HIGHEST_TOP_M)))
            self.corridor.lay(patch, list(found.best[place]))

    def finish(self) -> bool:
        """Write both; whether they are cloud-optimised."""
        return self.gap.finish() & self.corridor.finish()


def _advance(ctx: StepContext, before: int, total: int, zones: int) -> None:
    ctx.progress(min(before + zones, total), total, "beams")


def solve_tile(
    tile: Tile, terrain: Terrain, question: Question, half_width_m: float, spacing_m: float
) -> tuple[FenceWork, FenceFindings]:
    """One tile's zones on their ground and what is found there, in whatever process it is asked for."""
    with rasterio.Env(GDAL_CACHEMAX=64):
        work = work_of(tile, terrain, half_width_m, spacing_m)
    return work, find(work, question, lambda done: None)


def _findings(
    ctx: StepContext, plan: FencePlan, question: Question, done: int, total: int
) -> Iterator[tuple[FenceWork, FenceFindings]]:
    """Every tile of a fence line and what is found there, in order; on the run's workers where there are several."""
    half, spacing = ctx.site.detection.half_width_m, ctx.site.detection.spacing_m
    tiles = tiles_of(plan)
    if not isinstance(ctx.workers, Serial | None) and len(tiles) > 1:
        work = partial(solve_tile, terrain=ctx.terrain, question=question, half_width_m=half, spacing_m=spacing)
        yield from ctx.map(work, tiles, "beams")
        return
    for work_here in works_of(plan, ctx.terrain, half, spacing):
        yield work_here, find(work_here, question, partial(_advance, ctx, done, total))
        done += len(work_here.core)


def run_wave(ctx: StepContext, plans: list[FencePlan]) -> StepResult:
    """Solve every beam over its ground and say who gets through, where, why, and how certain that is."""
    question = question_of(ctx)
    zones = {zone.setup.zone_id: zone.setup.line.length for plan in plans for zone in plan.zones}
    names = ("dead_spots", "crossings", "beam_levels", "profiles", "resurvey", "sensitivity")
    rows: dict[str, list[Row]] = {name: [] for name in names}
    accuracy = accuracy_of(ctx)
    # the raster library's block cache would grow with the machine, not with the work
    with rasterio.Env(GDAL_CACHEMAX=64):
        rasters, done = _Rasters(ctx, question, plans), 0
        for plan in plans:
            for work, found in _findings(ctx, plan, question, done, len(zones)):
                done += len(work.core)
                rasters.lay(work, found)
                _take_rows(ctx, work, found, question, accuracy, rows)
        if not rasters.finish():
            ctx.say("the rasters reach very far: written as tiled GeoTIFF without overviews")
    site_weakest: dict[str, float | None] = {}
    for target in question.targets:
        values = [r["modulation"] for r in rows["crossings"] if r["threat"] == target.name]
        site_weakest[target.name] = min(values) if values else None
    for row in rows["crossings"]:
        row["site_weakest"] = row["modulation"] <= (site_weakest[row["threat"]] or 0.0) + 1e-9
    tell(ctx, rows, question, site_weakest)
    crs = ctx.workspace.work_crs
    return StepResult(
        layers={
            "dead_spots": frame_of(DEAD_SPOTS, rows["dead_spots"], crs),
            "crossings": frame_of(CROSSINGS, rows["crossings"], crs),
            "beam_levels": frame_of(BEAM_LEVELS, rows["beam_levels"]),
            "profiles": frame_of(PROFILES, rows["profiles"]),
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
            "table": closing_table(rows, zones, question),
        },
    )


def _take_rows(
    ctx: StepContext,
    work: FenceWork,
    found: FenceFindings,
    question: Question,
    accuracy: Accuracy | None,
    rows: dict[str, list[Row]],
) -> None:
    """Add what a tile found to the rows of the layers."""
    spots = spot_rows(work, found, question)
    if ctx.params["doubts"]:
        rows["resurvey"] += add_certainty(ctx, work, found, question, accuracy, spots)
        rows["sensitivity"] += sensitivity_rows(work, found, question)
    rows["dead_spots"] += spots
    rows["crossings"] += crossing_rows(work, found, question)
    rows["beam_levels"] += beam_rows(ctx, work, found)
    rows["profiles"] += profile_rows(work, found)
