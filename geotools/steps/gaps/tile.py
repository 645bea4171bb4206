"""One tile of a fence line, from its zones to rows and patches, in whatever process it lands in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geotools.beam.strip import HIGHEST_TOP_M
from geotools.corridor import StripGrid
from geotools.detection.cases import Rules
from geotools.detection.certainty import confident_weakest
from geotools.detection.chains import Tile
from geotools.detection.findings import find
from geotools.detection.perimeter import Perimeter
from geotools.detection.unanswered import runs_without, silent_strips, zones_beside, zones_without_ground
from geotools.detection.unknowns import Unknowns
from geotools.detection.verdicts import StationVerdicts, ZoneVerdicts
from geotools.engine.step import StepContext
from geotools.io.rasters import small_cache
from geotools.steps.gaps.rows import Row, crossing_rows, profile_rows, spot_rows
from geotools.steps.gaps.uncertainty import add_certainty, beam_rows, judge_all, questions_of, sensitivity_rows
from geotools.terrain.model import Terrain

__all__ = ["LAYERS", "TileResult", "TileTask", "solve_here", "solve_tile"]

Floats = NDArray[np.float64]
Turned = Mapping[tuple[str, str], str]
LAYERS = ("dead_spots", "crossings", "beam_levels", "profiles", "resurvey", "sensitivity")


@dataclass(frozen=True)
class TileTask:
    """What is computed for every tile of a run: small, and nothing of the plan's data.

    Attributes
    ----------
    rules : Rules
        When somebody is detected.
    terrain : Terrain
        Opened anew where it arrives.
    unknowns : Unknowns
        What is not known exactly.
    uncertainty : bool
        Whether the answer is tried out with other settings.
    rain_mm_h : float
        Rain that the loss is given for.
    field : str
        Whether the field in three dimensions is solved too, as of the parameter.
    """

    rules: Rules
    terrain: Terrain
    unknowns: Unknowns
    uncertainty: bool
    rain_mm_h: float
    field: str = "auto"

    @classmethod
    def of(cls, ctx: StepContext, rules: Rules, unknowns: Unknowns) -> TileTask:
        """What this run computes."""
        params = ctx.params
        rain = ctx.site.detection.rain_mm_h
        return cls(rules, ctx.terrain, unknowns, bool(params["uncertainty"]), rain, str(params["field"]))


@dataclass(frozen=True)
class StripValues:
    """One zone's strip for the rasters: (n, k) crawl gap, detection floor, and each threat's modulation."""

    grid: StripGrid
    gap: tuple[Floats, Floats]
    modulation: list[Floats]


@dataclass(frozen=True)
class TileResult:
    """What a tile gives to the plan, of the zones it was in question: rows by layer, strips' values, verdicts.

    unanswered : why nothing can be said, by zone whose ground is not known.
    """

    rows: dict[str, list[Row]]
    strips: list[StripValues]
    stations: dict[str, dict[str, StationVerdicts]]
    unanswered: dict[str, str] = field(default_factory=dict)


def solve_here(task: TileTask, tile: Tile, turned: Turned, progress: Callable[[int], None]) -> TileResult:
    """Solve a tile; ``turned`` : polarisation of its heads by zone and level."""
    with small_cache():
        perimeter = Perimeter.of([tile.chain], task.terrain, task.rules)
        why = zones_without_ground(perimeter)
    if not why:
        return _solve_run(task, tile, perimeter, turned, progress)
    silent = {zone_id: why[zone_id] for zone_id in tile.asked if zone_id in why}
    nothing = {
        zone_id: dict.fromkeys(task.rules.targets, StationVerdicts.unanswered(perimeter.grids[zone_id].chainage_m.size))
        for zone_id in silent
    }
    whole = TileResult({name: [] for name in LAYERS}, [], nothing, silent)
    strips, asked = silent_strips(perimeter, why), set(tile.asked)
    for run in runs_without(tile.chain, why):
        core = [place for place, zone in enumerate(run.zones) if zone.zone_id in asked]
        if not core:
            continue
        piece = Perimeter.of([run], task.terrain, task.rules, strips)
        part = _solve_run(task, Tile(run, range(core[0], core[-1] + 1)), piece, turned, progress)
        whole.unanswered.update((name, text) for name, text in zones_beside(piece).items() if name in asked)
        for name in LAYERS:
            whole.rows[name].extend(part.rows[name])
        whole.strips.extend(part.strips)
        whole.stations.update(part.stations)
    return whole


def _solve_run(
    task: TileTask, tile: Tile, perimeter: Perimeter, turned: Turned, progress: Callable[[int], None]
) -> TileResult:
    """Solve zones that follow each other and whose ground is known."""
    chain = tile.chain
    found = find(perimeter, tile, progress, questions_of(perimeter, tile, task.unknowns))
    spots = spot_rows(found)
    rows: dict[str, list[Row]] = {"dead_spots": spots, "resurvey": [], "sensitivity": []}
    judged, in_grass = judge_all(found, task.unknowns, task.field)
    if task.uncertainty:
        rows["resurvey"] = add_certainty(found, spots, task.unknowns, judged)
        rows["sensitivity"] = sensitivity_rows(found, task.unknowns, judged, in_grass)
    rows["crossings"] = crossing_rows(found, chain.inside_left, _confident(perimeter, task.unknowns, judged))
    rows["beam_levels"] = beam_rows(found, task.rain_mm_h, turned)
    rows["profiles"] = profile_rows(found)
    strips = []
    for zone_id in found.asked:
        patch = found.patches[zone_id]
        ground = patch.ground_m
        gap = np.minimum(patch.floor - ground, HIGHEST_TOP_M), np.minimum(patch.floor, ground + HIGHEST_TOP_M)
        best = np.where(perimeter.unanswered(zone_id)[:, None], np.nan, patch.best)
        strips.append(StripValues(patch.grid, gap, list(best)))
    return TileResult(rows, strips, {zone_id: one.stations for zone_id, one in judged.items()})


def _confident(
    perimeter: Perimeter, unknowns: Unknowns, judged: Mapping[str, ZoneVerdicts]
) -> dict[tuple[str, str], float | None]:
    """Modulation of the weakest crossing with the stated confidence, by zone and threat; where a survey is stated."""
    if unknowns.survey is None:
        return {}
    return {
        (zone_id, threat): value
        for zone_id, one in judged.items()
        for threat, value in confident_weakest(perimeter, zone_id, one.worlds).items()
    }


def solve_tile(task: TileTask, item: tuple[Tile, Turned]) -> TileResult:
    """Solve a tile in a worker."""
    tile, turned = item
    return solve_here(task, tile, turned, lambda done: None)
