"""From the plan's layers to the zones that are to be examined, fence line by fence line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from geopandas import GeoDataFrame
from shapely import is_ccw

from geotools.beam.strip import Strip
from geotools.corridor import StripGrid
from geotools.detection.from_plan import rules_of, zones_of
from geotools.detection.perimeter import ZoneSetup, strip_nodes
from geotools.detection.solve import Question, ZoneWork
from geotools.engine.step import StepContext
from geotools.errors import InputError, StepError
from geotools.plan.schema import BEAMS, FENCE, HEADS, ZONES
from geotools.terrain.model import Terrain

__all__ = ["FencePlan", "FenceWork", "Tile", "plans_of", "question_of", "tiles", "tiles_of", "work_of", "works_of"]


#: Heads and ends of beams nearer than this are one place, m.
_SAME_M = 0.01
#: Zones of a fence line examined together, and how many of its neighbours are taken along on either side so that ways
#: and beams that reach over are in: memory is bounded by this, not by the site.
TILE_ZONES, MARGIN_ZONES = 32, 3


@dataclass(frozen=True)
class PlannedZone:
    """A zone as the plan has it, without its ground. forward : whether its line runs the fence line's own way."""

    setup: ZoneSetup
    number: int
    forward: bool


@dataclass(frozen=True)
class FencePlan:
    """All zones of one fence line in its order. inside_left : whether the site lies left of the line."""

    fence_id: str
    closed: bool
    inside_left: bool
    zones: tuple[PlannedZone, ...]


@dataclass(frozen=True)
class FenceWork:
    """Zones of one fence line, in its order, on their ground; those at the places ``core`` are asked about.

    closed : whether the last zone meets the first.
    """

    fence_id: str
    closed: bool
    inside_left: bool
    zones: tuple[ZoneWork, ...]
    core: range


def question_of(ctx: StepContext) -> Question:
    """Threats and threshold as the site file has them."""
    rules = rules_of(ctx.site)
    targets = tuple(rules.targets[name] for name in ctx.site.threats)
    on_ground = [target.width_m for target in targets if target.base_m == 0.0] or [t.width_m for t in targets]
    return Question(targets, rules.threshold, ctx.site.detection.grass_m, min(on_ground))


def _strip(setup: ZoneSetup, terrain: Terrain, half_width_m: float, spacing_m: float) -> Strip:
    chainage, offset = strip_nodes(setup.line, half_width_m, spacing_m)
    ground = terrain.strip(StripGrid(setup.line, chainage, offset))
    unknown = ~np.isfinite(ground)
    if unknown.any():
        row, column = (int(found[0]) for found in np.nonzero(unknown))
        x, y = setup.line.to_map(chainage[row], offset[column])
        raise InputError(
            "the terrain has no data under a zone's strip",
            where=f"zone {setup.zone_id}, chainage {chainage[row]:.1f} m, offset {offset[column]:+.2f} m "
            f"(x {float(x):.2f}, y {float(y):.2f} m)",
            found=f"{100 * unknown.mean():.1f} % of the strip without a height",
            expected="a height everywhere in the corridor",
            mend="fill the hole in the model, survey that stretch, or narrow detection.half_width_m",
        )
    return Strip(chainage, offset, ground)


def plans_of(ctx: StepContext) -> list[FencePlan]:
    """Every zone of the plan. StepError where layers do not belong together."""
    beams = ctx.read(BEAMS)
    _warn_of_moved_heads(ctx, beams)
    setups = {setup.zone_id: setup for setup in zones_of(ctx.site, beams)}
    zones = ctx.read(ZONES).sort_values(["fence_id", "number", "zone_id"])
    without = sorted(set(zones.zone_id) - set(setups))
    if without or not len(zones):
        raise StepError(
            "the plan has zones without beams" if without else "the plan has no zones",
            where="layers zones and beams",
            found=", ".join(without[:5]) or "no zones",
            expected="one beam or more in every zone",
            mend="run `geotools layout` again",
        )
    fences = ctx.read(FENCE).set_index("fence_id")
    found = []
    for fence_id, rows in zones.groupby("fence_id", sort=True):
        planned = tuple(
            PlannedZone(setups[row.zone_id], int(row.number), row.start_role == "transmitter")
            for row in rows.itertuples()
        )
        closed, inside_left = _sides(fences, str(fence_id), ctx.site.layout.side)
        found.append(FencePlan(str(fence_id), closed and len(planned) > 2, inside_left, planned))
    return found


def _warn_of_moved_heads(ctx: StepContext, beams: GeoDataFrame) -> None:
    """Warn where heads were edited but not the beams between them, which are what is solved."""
    if not ctx.workspace.has(HEADS):
        return
    heads = ctx.read(HEADS).set_index("head_id")
    apart = []
    for beam in beams.itertuples():
        ends = ((beam.tx_head_id, beam.tx_height_m, 0), (beam.rx_head_id, beam.rx_height_m, -1))
        for head_id, height, end in ends:
            if head_id not in heads.index:
                continue
            x, y = beam.geometry.coords[end][:2]
            place = heads.geometry[head_id]
            moved = float(np.hypot(place.x - x, place.y - y))
            if moved > _SAME_M or abs(float(heads.height_m[head_id]) - height) > _SAME_M:
                apart.append(str(head_id))
    if apart:
        ctx.warn(
            f"{len(apart)} head(s) were moved but not their beams ({', '.join(apart[:4])}): the beams layer is what is "
            "solved; edit tx_height_m, rx_height_m and the beam lines too"
        )


def tiles(count: int, closed: bool) -> Iterator[tuple[list[int], range]]:
    """Places along a fence line that are examined together, and which of that list are asked about."""
    if count <= TILE_ZONES + 2 * MARGIN_ZONES:
        yield list(range(count)), range(count)
        return
    for start in range(0, count, TILE_ZONES):
        stop = min(start + TILE_ZONES, count)
        places = range(start - MARGIN_ZONES, stop + MARGIN_ZONES)
        kept = [place % count for place in places] if closed else [p for p in places if 0 <= p < count]
        first = MARGIN_ZONES if closed else start - max(start - MARGIN_ZONES, 0)
        yield kept, range(first, first + stop - start)


@dataclass(frozen=True)
class Tile:
    """Zones that are examined together, as the plan has them; what a worker is told."""

    plan: FencePlan
    core: range
    whole: bool


def tiles_of(plan: FencePlan) -> list[Tile]:
    """The tiles of a fence line, each with the zones it needs and no more."""
    count = len(plan.zones)
    return [
        Tile(replace(plan, zones=tuple(plan.zones[place] for place in places)), core, len(places) == count)
        for places, core in tiles(count, plan.closed)
    ]


def work_of(tile: Tile, terrain: Terrain, half_width_m: float, spacing_m: float) -> FenceWork:
    """A tile's zones on their ground."""
    plan = tile.plan
    zones = tuple(_work(zone, terrain, half_width_m, spacing_m) for zone in plan.zones)
    return FenceWork(plan.fence_id, plan.closed and tile.whole, plan.inside_left, zones, tile.core)


def works_of(plan: FencePlan, terrain: Terrain, half_width_m: float, spacing_m: float) -> Iterator[FenceWork]:
    """The zones of a fence line on their ground, a tile at a time."""
    return (work_of(tile, terrain, half_width_m, spacing_m) for tile in tiles_of(plan))


def _work(planned: PlannedZone, terrain: Terrain, half_width_m: float, spacing_m: float) -> ZoneWork:
    setup = planned.setup
    strip = _strip(setup, terrain, half_width_m, spacing_m)
    beams = tuple(
        strip.beam(pair.head_type, pair.tx_height_m, pair.rx_height_m, name=f"{setup.zone_id}-{pair.level}")
        for pair in setup.pairs
    )
    levels = tuple(pair.level for pair in setup.pairs)
    return ZoneWork(setup.zone_id, planned.number, setup.line, planned.forward, strip, beams, levels)


def _sides(fences: GeoDataFrame, fence_id: str, side: str) -> tuple[bool, bool]:
    """Whether the fence line closes, and whether the guarded ground lies left of it."""
    if fence_id not in fences.index:
        return False, side != "right"
    line = fences.geometry[fence_id]
    if line.is_ring:
        return True, bool(is_ccw(line))
    return False, side != "right"
