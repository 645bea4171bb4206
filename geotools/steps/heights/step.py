"""Declaration of the heights step: beams in; for each the heights that leave the least dead length out."""

from __future__ import annotations

from geotools.detection.alone import dead_near_heads
from geotools.detection.chains import perimeter_of
from geotools.detection.from_plan import height_limits
from geotools.detection.height_search import SPLASH_M, HeightSearch, best_heights, levels_that_may_move
from geotools.detection.perimeter import Perimeter
from geotools.engine.step import LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.plan import cautions, ids
from geotools.plan.locks import locks_of
from geotools.plan.model import Zone
from geotools.plan.schema import BEAMS, FENCE, HEAD_HEIGHTS, HEADS, ZONES
from geotools.plan.workspace import frame_of
from geotools.terrain.design import SharedGround

Row = dict[str, object]

#: Dead ground counted as that before a head, metres from it.
NEAR_HEAD_M = 10.0


def _near_head(perimeter: Perimeter, zone: Zone) -> float:
    """Dead length beside the heads by this zone's own beams alone: what the neighbours' overlap has to cover."""
    own = perimeter.modulation(zone, perimeter.strip(zone.zone_id))
    return dead_near_heads(perimeter, zone, own, NEAR_HEAD_M)


def _note(row: Row, found: HeightSearch) -> str:
    gain = float(str(row["dead_now_m"])) - float(str(row["dead_best_m"]))
    if gain <= 0:
        return "No other height within the limits leaves less dead length."
    more = float(str(row["near_head_best_m"])) - float(str(row["near_head_now_m"]))
    costs = [f"{more:+.1f} m of dead ground beside the heads"]
    levels = [float(str(row[k])) for k in ("standing_now_db", "standing_best_db")]
    costs.append(f"standing level {levels[0]:.1f} to {levels[1]:.1f} dB")
    lowest = min(found.tx_height_m, found.rx_height_m)
    if lowest < SPLASH_M:
        costs.append(f"a head {lowest:.2f} m up stands in rain splash: keep water and soil off it")
    return f"Saves {gain:.1f} m of dead length; " + "; ".join(costs) + "."


def _row(perimeter: Perimeter, zone: Zone, level: str, limits: tuple[float, float]) -> Row:
    found = best_heights(perimeter, zone.zone_id, level, limits)
    pair = next(p for p in zone.pairs if p.level == level)
    now = pair.tx_height_m, pair.rx_height_m
    best = zone.with_heights(level, found.tx_height_m, found.rx_height_m)
    near_now = _near_head(perimeter, zone)
    standing_now = perimeter.standing_db[zone.zone_id, level]
    near_best = _near_head(perimeter, best)
    row: Row = {
        "beam_id": ids.beam_id(zone.zone_id, level),
        "zone_id": zone.zone_id,
        "level": level,
        "tx_now_m": now[0],
        "rx_now_m": now[1],
        "tx_best_m": found.tx_height_m,
        "rx_best_m": found.rx_height_m,
        "dead_now_m": found.dead_length_now_m,
        "dead_best_m": found.dead_length_m,
        "near_head_now_m": near_now,
        "near_head_best_m": near_best,
        "standing_now_db": standing_now,
        "standing_best_db": perimeter.standing_db[zone.zone_id, level],
        "tried": len(found.tried),
    }
    return row | {"note": _note(row, found)}


def run(ctx: StepContext) -> StepResult:
    """Search the heights of every beam that may move; see the manual beside this file."""
    site = ctx.site
    perimeter = perimeter_of(site, ctx.read, SharedGround(ctx.terrain), ctx.warn)
    perimeter.solve_all()
    limits = height_limits(site, ctx.read(FENCE))
    locks = locks_of(ctx.read(ZONES), ctx.read(HEADS) if ctx.workspace.has(HEADS) else None)
    every = ctx.params["zones"] == "every"
    wanted = [z for z in perimeter.zones if every or any(d.any() for d in perimeter.dead(z).values())]

    def search(zone_id: str) -> list[Row]:
        zone = perimeter.zones[zone_id]
        moving = levels_that_may_move(perimeter, zone_id, limits, locks.fixed)
        return [_row(perimeter, zone, level, limits[level]) for level in moving]

    rows: list[Row] = []
    for number, (zone_id, found) in enumerate(zip(wanted, perimeter.together(search, wanted), strict=True)):
        ctx.progress(number + 1, len(wanted), f"zone {zone_id}")
        rows += found
    for zone_id in wanted:
        if locks.keeps_whole(zone_id):
            ctx.warn(f"not searched in {zone_id}. {locks.words(zone_id)}")
    better = [r for r in rows if float(str(r["dead_best_m"])) < float(str(r["dead_now_m"]))]
    ctx.say(f"{len(rows)} beams searched; other heights leave less dead length for {len(better)}")
    low = [r for r in rows if min(float(str(r["tx_best_m"])), float(str(r["rx_best_m"]))) < SPLASH_M]
    if low:
        ctx.say(f"{len(low)} of them would stand below {SPLASH_M:g} m, in rain splash")
    return StepResult(
        layers={"head_heights": frame_of(HEAD_HEIGHTS, rows)},
        summary={"beams": len(rows), "better": [str(r["beam_id"]) for r in better]},
    )


STEP = Step(
    name="heights",
    title="Search head heights",
    summary="Searches for each beam the head heights within limits that leave the least dead length, with their price.",
    run=run,
    params=(
        Param(
            "zones",
            "choice",
            "dead: zones with dead ground; every: all of them, to see what could be raised or lowered without harm",
            default="dead",
            choices=("dead", "every"),
        ),
    ),
    inputs=(
        LayerIn(FENCE, "which zones follow each other, and which side is inside"),
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(BEAMS, "heads and their heights"),
        LayerIn(HEADS, "which heads are locked", required=False),
    ),
    outputs=(LayerOut(HEAD_HEIGHTS),),
    order=40,
    citations=("head heights, their limits and rain splash: common practice, no source",),
    cautions=(cautions.DETECTION,),
)
