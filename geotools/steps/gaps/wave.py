"""The gaps step by the wave model: from zones to layers, rasters and words."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace
from functools import partial

from geopandas import GeoSeries

from geotools.beam.strip import HIGHEST_TOP_M
from geotools.detection.cases import Rules
from geotools.detection.chains import tiles_of
from geotools.detection.from_plan import definition_of, rules_of
from geotools.detection.lower_ways import LowerWay, lower_ways, passing_lower
from geotools.detection.stretches import Stretch, run_back, stretches
from geotools.detection.unknowns_of_site import accuracy_of, unknowns_of
from geotools.detection.verdicts import StationVerdicts
from geotools.engine.step import StepContext, StepResult
from geotools.engine.workers import Serial
from geotools.errors import InputError
from geotools.io.crs import metres_per_unit
from geotools.io.rasters import small_cache
from geotools.plan.fence_pairs import fence_pairs
from geotools.plan.locks import locks_of
from geotools.plan.map_raster import Band, MapRaster, bounds_of
from geotools.plan.model import FenceChain
from geotools.plan.point_sidecar import plan_datum, system_fields
from geotools.plan.schema import (
    BEAM_LEVELS,
    CROSSINGS,
    DEAD_SPOTS,
    FENCE,
    HEADS,
    PROFILES,
    RESURVEY,
    SENSITIVITY,
    VERDICTS,
    ZONES,
)
from geotools.plan.workspace import frame_of
from geotools.steps.gaps.returned import as_asked
from geotools.steps.gaps.rows import Row, closing_table, tell
from geotools.steps.gaps.spoken import (
    source_lengths,
    tell_lower_ways,
    tell_sources,
    tell_verdicts,
    verdict_lengths,
    verdict_rows,
    verdict_table,
)
from geotools.steps.gaps.tile import LAYERS, TileResult, TileTask, solve_here, solve_tile
from geotools.steps.gaps.uncertainty import hidden_of, polarisations, resurvey_table, unlocked_heights

__all__ = ["CORRIDOR_RASTER", "GAP_RASTER", "RESURVEY_TABLE", "run_wave"]

GAP_RASTER, CORRIDOR_RASTER, RESURVEY_TABLE = "crawl_gap.tif", "corridor.tif", "resurvey.csv"


class _Rasters:
    """Both rasters of a run while they are being made."""

    def __init__(self, ctx: StepContext, rules: Rules, chains: list[FenceChain]) -> None:
        detection, crs = ctx.site.detection, ctx.workspace.plan_crs
        bounds = bounds_of((zone.line for chain in chains for zone in chain.zones), detection.half_width_m)
        gap = (
            Band(f"crawl gap; {HIGHEST_TOP_M:g} m where no lower top alarms", "m", larger=False),
            Band("detection floor", "m", larger=False),
        )
        threats = tuple(Band(f"best modulation: {target.name}", "1", larger=True) for target in rules.targets.values())
        self.gap = MapRaster(ctx.scratch / GAP_RASTER, crs, detection.spacing_m, bounds, gap)
        self.corridor = MapRaster(ctx.scratch / CORRIDOR_RASTER, crs, detection.spacing_m, bounds, threats)

    def lay(self, found: TileResult) -> None:
        """Lay the tile's own zones into both."""
        for strip in found.strips:
            self.gap.lay(strip.grid, strip.gap)
            self.corridor.lay(strip.grid, strip.modulation)

    def finish(self) -> bool:
        """Write both; whether they are cloud-optimised."""
        return self.gap.finish() & self.corridor.finish()


def _advance(ctx: StepContext, before: int, total: int, zones: int) -> None:
    ctx.progress(min(before + zones, total), total, "beams")


def _findings(ctx: StepContext, chain: FenceChain, task: TileTask, done: int, total: int) -> Iterator[TileResult]:
    """What is found in every tile of a fence line, in order; on the run's workers where there are several."""
    tiles, turned = tiles_of(chain), polarisations(ctx)
    if not isinstance(ctx.workers, Serial | None) and len(tiles) > 1:
        given = [(tile, turned.of(tile)) for tile in tiles]
        for tile, found in zip(tiles, ctx.map(partial(solve_tile, task), given, "beams"), strict=True):
            yield as_asked(found, task, tile)
        return
    for tile in tiles:
        yield solve_here(task, tile, turned.of(tile), partial(_advance, ctx, done, total))
        done += len(tile.core)


def _partners(ctx: StepContext, fences: GeoSeries, with_beams: Collection[str]) -> dict[str, list[str]]:
    """By fence line with beams, the fence that they stand between it and; none where beams stand beside one fence.

    One row of beams between two fences protects both: whoever crosses either fence crosses the beams.
    """
    lines = {str(name): line for name, line in fences.items()}
    if ctx.site.layout.side != "between" or len(lines) % 2:
        return {}
    found: dict[str, list[str]] = {}
    for pair in fence_pairs(lines):
        for own, other in (pair, pair[::-1]):
            if own in with_beams and other not in with_beams:
                found.setdefault(own, []).append(other)
    return found


def _lower_ways(ctx: StepContext, rules: Rules, chains: list[FenceChain]) -> list[LowerWay]:
    """Say at which height threats that cross a fence are judged, and what passes lower."""
    zones = [zone for chain in chains for zone in chain.zones]
    ways = lower_ways(ctx.site, rules, zones)
    for name in (threat for threat in ctx.site.threats if ctx.site.all_targets[threat].over_fence):
        over = dict.fromkeys(definition_of(targets[name], True) for targets in rules.by_fence.values())
        passing = any(way.threat == name for way in ways)
        ctx.say(
            f"judged by the height of the fence: {'; '.join(over)}; lower undersides, tried every 0.1 m over level "
            f"ground: {'some pass, see the warning' if passing else 'none passes'}"
        )
    tell_lower_ways(ctx, ways, zones)
    return ways


def run_wave(ctx: StepContext, chains: list[FenceChain]) -> StepResult:
    """Solve every beam over its ground and say who gets through, where, why, and how certain that is."""
    rules = rules_of(ctx.site, ctx.read(FENCE))
    zones = {zone.zone_id: zone.line.length for chain in chains for zone in chain.zones}
    rows: dict[str, list[Row]] = {name: [] for name in LAYERS}
    task = TileTask.of(ctx, rules, unknowns_of(ctx, accuracy_of(ctx)))
    surveys = hidden_of(ctx)
    fences = ctx.read(FENCE).set_index("fence_id").geometry
    partners = _partners(ctx, fences, {chain.fence_id for chain in chains})
    said: list[Stretch] = []
    silent: list[str] = []
    with small_cache():
        rasters, done = _Rasters(ctx, rules, chains), 0
        for chain in chains:
            stations: dict[str, dict[str, StationVerdicts]] = {}
            unanswered: dict[str, str] = {}
            asked = replace(task, unknowns=replace(task.unknowns, hidden=surveys.get(chain.fence_id)))
            for found in _findings(ctx, chain, asked, done, len(zones)):
                done += len(found.stations)
                rasters.lay(found)
                stations |= found.stations
                unanswered |= found.unanswered
                for name in LAYERS:
                    rows[name] += found.rows[name]
            for text in unanswered.values():
                ctx.warn(text)
            silent += list(unanswered)
            back = run_back(chain)
            if back:
                ctx.warn(
                    f"beams of fence {chain.fence_id} run there and back in place of round: {', '.join(back)}; the "
                    "fence beside them counts as without a beam"
                )
            said += stretches(chain, fences[chain.fence_id], list(rules.targets), stations)
            for other in partners.get(chain.fence_id, ()):
                said += stretches(replace(chain, fence_id=other), fences[other], list(rules.targets), stations)
        if len(silent) == len(zones):
            raise InputError(
                "the terrain has no data under any zone's strip",
                where=ctx.site.path(ctx.site.input.terrain),
                found=f"{len(silent)} zones without an answer, the first {silent[0]}",
                expected="a level everywhere in the corridor",
                mend="fill the holes in the model, survey the strips, or narrow detection.half_width_m",
            )
        answered = {chain.fence_id for chain in chains}
        answered |= {other for fence_id in answered for other in partners.get(fence_id, ())}
        for fence_id in fences.index.difference(sorted(answered)):
            said += stretches(FenceChain(str(fence_id), ()), fences[fence_id], list(rules.targets), {})
        if not rasters.finish():
            ctx.say("the rasters reach very far: written as tiled GeoTIFF without overviews")
    site_weakest: dict[str, float | None] = {}
    for target in rules.targets.values():
        values = [r["modulation"] for r in rows["crossings"] if r["threat"] == target.name]
        site_weakest[target.name] = min(values) if values else None
    for row in rows["crossings"]:
        row["site_weakest"] = row["modulation"] <= (site_weakest[row["threat"]] or 0.0) + 1e-9
    tell(ctx, rows, rules, site_weakest)
    lower = _lower_ways(ctx, rules, chains)
    locks = locks_of(ctx.read(ZONES), ctx.read(HEADS) if ctx.workspace.has(HEADS) else None)
    rows["beam_levels"] = unlocked_heights(rows["beam_levels"], locks.fixed)
    crs = ctx.workspace.work_crs
    datum = plan_datum(ctx.workspace, ctx.site.input.vertical_datum)
    # levels are read back in metres (input.levels), whatever the map counts in
    system = {**system_fields(ctx.workspace.plan_crs, datum), "level_unit": "metre"}
    table = resurvey_table(rows["resurvey"], metres_per_unit(ctx.workspace.plan_crs), system)
    (ctx.scratch / RESURVEY_TABLE).write_text(table, encoding="utf-8", newline="")
    lengths = verdict_lengths(said)
    left_out = ctx.site.detection.left_out
    below = {way.threat for way in lower}
    tell_verdicts(ctx, lengths, left_out, below)
    tell_sources(ctx, source_lengths(rows["sensitivity"]))
    return StepResult(
        layers={
            "verdicts": frame_of(VERDICTS, verdict_rows(said, surveys, left_out, passing_lower(lower)), crs),
            "dead_spots": frame_of(DEAD_SPOTS, rows["dead_spots"], crs),
            "crossings": frame_of(CROSSINGS, rows["crossings"], crs),
            "beam_levels": frame_of(BEAM_LEVELS, rows["beam_levels"]),
            "profiles": frame_of(PROFILES, rows["profiles"]),
            "resurvey": frame_of(RESURVEY, rows["resurvey"], crs),
            "sensitivity": frame_of(SENSITIVITY, rows["sensitivity"]),
        },
        files=[GAP_RASTER, CORRIDOR_RASTER, RESURVEY_TABLE],
        summary={
            "method": "wave",
            "verdicts": lengths,
            "taken_as_known": list(left_out),
            "passes_lower": [
                {"threat": way.threat, "zones": [zone.zone_id for zone in way.zones], "heights": way.heights}
                for way in lower
            ],
            "unanswered_zones": silent,
            "zones_in_3d": sorted({one.zone_id for one in said if one.in_3d}),
            "unproven_by_source_m": source_lengths(rows["sensitivity"]),
            "dead_spots": len(rows["dead_spots"]),
            "dead_length_m": {
                t.name: round(sum(r["length_m"] for r in rows["dead_spots"] if r["threat"] == t.name), 2)
                for t in rules.targets.values()
            },
            "weakest_crossing": {name: None if v is None else round(v, 3) for name, v in site_weakest.items()},
            "beams_in_null": [r["beam_id"] for r in rows["beam_levels"] if r["in_null"]],
            "table": verdict_table(lengths, closing_table(rows, zones, rules), left_out, below),
        },
    )
