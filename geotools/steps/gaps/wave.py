"""The gaps step by the wave model: from zones to layers, rasters and words."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import rasterio

from geotools.beam.strip import HIGHEST_TOP_M
from geotools.detection.solve import Question
from geotools.detection.work import FencePlan, question_of, tiles_of, work_of
from geotools.engine.step import StepContext, StepResult
from geotools.engine.workers import Serial
from geotools.plan.schema import BEAM_LEVELS, CROSSINGS, DEAD_SPOTS, PROFILES, RESURVEY, SENSITIVITY
from geotools.plan.workspace import frame_of
from geotools.steps.gaps.raster import Band, MapRaster, bounds_of
from geotools.steps.gaps.rows import Row, closing_table, tell
from geotools.steps.gaps.tile import LAYERS, Asked, Found, answer, solve
from geotools.steps.gaps.uncertainty import accuracy_of, polarisations

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

    def lay(self, found: Found) -> None:
        """Lay the tile's own zones into both."""
        for patch, gap, threats in found.patches:
            self.gap.lay(patch, gap)
            self.corridor.lay(patch, threats)

    def finish(self) -> bool:
        """Write both; whether they are cloud-optimised."""
        return self.gap.finish() & self.corridor.finish()


def _advance(ctx: StepContext, before: int, total: int, zones: int) -> None:
    ctx.progress(min(before + zones, total), total, "beams")


def _findings(ctx: StepContext, plan: FencePlan, asked: Asked, done: int, total: int) -> Iterator[Found]:
    """What is found in every tile of a fence line, in order; on the run's workers where there are several."""
    tiles, turned = tiles_of(plan), polarisations(ctx)
    if not isinstance(ctx.workers, Serial | None) and len(tiles) > 1:
        yield from ctx.map(partial(solve, asked), [(tile, turned.of(tile)) for tile in tiles], "beams")
        return
    for tile in tiles:
        work = work_of(tile, asked.terrain, asked.half_width_m, asked.spacing_m)
        yield answer(asked, work, turned.of(tile), partial(_advance, ctx, done, total))
        done += len(work.core)


def run_wave(ctx: StepContext, plans: list[FencePlan]) -> StepResult:
    """Solve every beam over its ground and say who gets through, where, why, and how certain that is."""
    question = question_of(ctx)
    zones = {zone.setup.zone_id: zone.setup.line.length for plan in plans for zone in plan.zones}
    rows: dict[str, list[Row]] = {name: [] for name in LAYERS}
    asked = Asked.of(ctx, question, accuracy_of(ctx))
    # the raster library's block cache would grow with the machine, not with the work
    with rasterio.Env(GDAL_CACHEMAX=64):
        rasters, done = _Rasters(ctx, question, plans), 0
        for plan in plans:
            for found in _findings(ctx, plan, asked, done, len(zones)):
                done += len(found.patches)
                rasters.lay(found)
                for name in LAYERS:
                    rows[name] += found.rows[name]
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
