"""The state that is set up: zones with the heights of the layer stakeout on the ground that it counts them from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np

from geotools.detection.chains import perimeter_of
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.from_plan import CUT_FILL, design_of
from geotools.engine.step import StepContext
from geotools.errors import StepError
from geotools.plan.model import Zone
from geotools.plan.schema import STAKEOUT
from geotools.terrain.design import Ground

__all__ = ["planned_perimeter", "with_heights"]

#: Levels of one ground that differ by less are the same, m.
_SAME_M = 0.01


def with_heights(perimeter: Perimeter, heights: Mapping[tuple[str, str, str], float], ground: Ground) -> Perimeter:
    """The perimeter with heads at other heights, on a ground.

    heights : by zone, level and role, m; heads that are missing stay as they are.
    """
    changed: dict[str, tuple[Zone, ...]] = {}
    for zone_id, zone in perimeter.zones.items():
        made = zone
        for pair in zone.pairs:
            tx = heights.get((zone_id, pair.level, "transmitter"), pair.tx_height_m)
            rx = heights.get((zone_id, pair.level, "receiver"), pair.rx_height_m)
            made = made.with_heights(pair.level, tx, rx)
        changed[zone_id] = (made,)
    return perimeter.with_zones(changed, ground)


def planned_perimeter(ctx: StepContext, sheet: gpd.GeoDataFrame) -> Perimeter:
    """What the layer stakeout sets out: its heights, on the ground as proposed where it counts from that."""
    standing = perimeter_of(ctx.site, ctx.read, ctx.terrain)
    ground: Ground = ctx.terrain
    if ctx.params["advice"] and (ctx.workspace.folder / CUT_FILL).exists():
        ground = design_of(ctx.site, standing, ctx.terrain, ctx.workspace.folder, ctx.workspace.plan_crs)
    _check(sheet, ground)
    heights = {(h.zone_id, h.level, h.role): float(h.height_m) for h in sheet.itertuples()}
    return with_heights(standing, heights, ground)


def _check(sheet: gpd.GeoDataFrame, ground: Ground) -> None:
    """StepError where the sheet's finished levels are of another ground."""
    level = ground.sample(sheet.geometry.x.to_numpy(), sheet.geometry.y.to_numpy())
    off = np.abs(level - sheet["finished_m"].to_numpy(float))
    if len(off) and np.nanmax(off) > _SAME_M:
        worst: Any = sheet.iloc[int(np.nanargmax(off))]
        raise StepError(
            "the set-up sheet counts its heights from another ground",
            where=f"layer {STAKEOUT.name}, head {worst['head_id']}",
            found=f"finished level {worst['finished_m']:.3f} m, ground {level[int(np.nanargmax(off))]:.3f} m",
            mend="run `geotools stakeout` and this step both with advice, or both with --no-advice",
        )
