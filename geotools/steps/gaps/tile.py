"""One tile of a fence line, from its zones to rows and patches, in whatever process it lands in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import rasterio
from numpy.typing import NDArray

from geotools.beam.strip import HIGHEST_TOP_M
from geotools.detection.accuracy import Accuracy
from geotools.detection.findings import find
from geotools.detection.patch import Patch
from geotools.detection.solve import Question
from geotools.detection.work import FenceWork, Tile, work_of
from geotools.engine.step import StepContext
from geotools.steps.gaps.rows import Row, crossing_rows, profile_rows, spot_rows
from geotools.steps.gaps.uncertainty import add_certainty, beam_rows, sensitivity_rows
from geotools.terrain.model import Terrain

__all__ = ["LAYERS", "Asked", "Found", "answer", "solve"]

Floats = NDArray[np.float64]
Turned = Mapping[tuple[str, str], str]
LAYERS = ("dead_spots", "crossings", "beam_levels", "profiles", "resurvey", "sensitivity")


@dataclass(frozen=True)
class Asked:
    """What is asked of every tile of a run: small, and nothing of the plan's data.

    half_width_m, spacing_m : of the strips. accuracy : of the terrain, None where certainty is not told.
    doubts : whether the answer is tried out with other settings. draws, seed : of the drawn grounds.
    rain_mm_h : rain that the loss is told for.
    """

    question: Question
    terrain: Terrain
    half_width_m: float
    spacing_m: float
    accuracy: Accuracy | None
    doubts: bool
    draws: int
    seed: int
    rain_mm_h: float

    @classmethod
    def of(cls, ctx: StepContext, question: Question, accuracy: Accuracy | None) -> Asked:
        """What this run asks."""
        detection, survey = ctx.site.detection, ctx.site.survey
        return cls(
            question,
            ctx.terrain,
            detection.half_width_m,
            detection.spacing_m,
            accuracy,
            bool(ctx.params["doubts"]),
            survey.draws,
            survey.seed,
            detection.rain_mm_h,
        )


@dataclass(frozen=True)
class Found:
    """What a tile gives to the plan, of the zones it was asked about.

    rows : by layer. patches : each zone's strip, with crawl gap and detection floor, and with each threat's modulation.
    """

    rows: dict[str, list[Row]]
    patches: list[tuple[Patch, tuple[Floats, Floats], list[Floats]]]


def answer(asked: Asked, work: FenceWork, turned: Turned, progress: Callable[[int], None]) -> Found:
    """Solve a tile whose ground is known; ``turned`` : polarisation of its heads by zone and level."""
    question = asked.question
    found = find(work, question, progress)
    spots = spot_rows(work, found, question)
    rows: dict[str, list[Row]] = {"dead_spots": spots, "resurvey": [], "sensitivity": []}
    if asked.doubts:
        rows["resurvey"] = add_certainty(work, found, question, asked.accuracy, spots, asked.draws, asked.seed)
        rows["sensitivity"] = sensitivity_rows(work, found, question)
    rows["crossings"] = crossing_rows(work, found, question)
    rows["beam_levels"] = beam_rows(work, found, asked.rain_mm_h, turned)
    rows["profiles"] = profile_rows(work, found)
    patches = []
    for place in work.core:
        patch, floor = found.patches[place], found.floor[place]
        ground = patch.strip.ground_m
        gap = np.minimum(floor - ground, HIGHEST_TOP_M), np.minimum(floor, ground + HIGHEST_TOP_M)
        patches.append((patch, gap, list(found.best[place])))
    return Found(rows, patches)


def solve(asked: Asked, item: tuple[Tile, Turned]) -> Found:
    """Read a tile's ground and solve it."""
    tile, turned = item
    with rasterio.Env(GDAL_CACHEMAX=64):
        work = work_of(tile, asked.terrain, asked.half_width_m, asked.spacing_m)
    return answer(asked, work, turned, lambda done: None)
