"""The straight-edge check: ground further below the straight line between the posts than a threat allows."""

from __future__ import annotations

from geotools.beam.strip import Strip, straightness
from geotools.corridor import StripGrid
from geotools.detection.chains import tiles_of
from geotools.detection.from_plan import rules_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.spots import outline, runs
from geotools.detection.unanswered import zones_without_ground
from geotools.engine.step import StepContext, StepResult
from geotools.plan import ids
from geotools.plan.map_raster import Band, MapRaster, bounds_of
from geotools.plan.model import DeadSpot, FenceChain
from geotools.plan.schema import BEAM_LEVELS, CROSSINGS, DEAD_SPOTS, FENCE, PROFILES, RESURVEY, SENSITIVITY, VERDICTS
from geotools.plan.workspace import empty_frame, frame_of
from geotools.steps.gaps.rows import Row

__all__ = ["LINE_RASTER", "run_straightness", "straightness_spots"]

LINE_RASTER = "straightness.tif"


def straightness_spots(grid: StripGrid, strip: Strip, tolerance_m: float) -> list[tuple[DeadSpot, float]]:
    """Spots of one zone by the straight-edge check, each with its greatest depth below the line, metres."""
    below = straightness(strip)
    middle = grid.offset_m.size // 2
    x, half = grid.chainage_m, grid.spacing_m[0] / 2
    found = []
    for first, last in runs(below[:, middle] > tolerance_m):
        area = outline(grid, below > tolerance_m, first, last)
        from_m, to_m = max(float(x[first]) - half, 0.0), min(float(x[last]) + half, float(x[-1]))
        spot = DeadSpot(from_m, to_m, rows=(first, last), area=area)
        found.append((spot, float(below[first : last + 1, middle].max())))
    return found


def run_straightness(ctx: StepContext, chains: list[FenceChain]) -> StepResult:
    """Hold the ground of every zone against the straight line between its posts."""
    rows: list[Row] = []
    table = []
    rules = {name: ctx.site.all_targets[name].straightness_m for name in ctx.site.threats}
    without = [name for name, rule in rules.items() if rule is None]
    if without:
        ctx.warn(f"no straightness tolerance for {', '.join(without)}: the rule says nothing of them")
    detection = ctx.site.detection
    bounds = bounds_of((zone.line for chain in chains for zone in chain.zones), detection.half_width_m)
    bands = (Band("depth of the ground below the straight line between the posts", "m", larger=True),)
    raster = MapRaster(ctx.scratch / LINE_RASTER, ctx.workspace.plan_crs, detection.spacing_m, bounds, bands)
    for tile in (tile for chain in chains for tile in tiles_of(chain)):
        perimeter = Perimeter.of([tile.chain], ctx.terrain, rules_of(ctx.site, ctx.read(FENCE)))
        why = zones_without_ground(perimeter)
        for zone_id in tile.asked:
            if zone_id in why:
                ctx.warn(why[zone_id])
                continue
            grid, strip = perimeter.grids[zone_id], perimeter.strip(zone_id)
            below = straightness(strip)
            raster.lay(grid, (below,))
            cells: list[object] = [zone_id, f"{grid.line.length:.1f}"]
            for threat, rule in rules.items():
                found = [] if rule is None else straightness_spots(grid, strip, rule)
                cells.append(f"{sum(s.to_m - s.from_m for s, _ in found):.1f}" if found else "-")
                for number, (spot, depth) in enumerate(found, start=1):
                    rows.append(
                        {
                            "spot_id": ids.spot_id(zone_id, threat, number),
                            "zone_id": zone_id,
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
            table.append([*cells, f"{float(below.max()):.2f}"])
    raster.finish()
    ctx.say("straight-edge check: ground against the straight line between the posts; the wave model was not run")
    return StepResult(
        layers={
            "dead_spots": frame_of(DEAD_SPOTS, rows, ctx.workspace.work_crs),
            "verdicts": empty_frame(VERDICTS, ctx.workspace.work_crs),
            "crossings": empty_frame(CROSSINGS, ctx.workspace.work_crs),
            "beam_levels": empty_frame(BEAM_LEVELS),
            "profiles": empty_frame(PROFILES),
            "resurvey": empty_frame(RESURVEY, ctx.workspace.work_crs),
            "sensitivity": empty_frame(SENSITIVITY),
        },
        files=[LINE_RASTER],
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
