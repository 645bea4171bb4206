"""The state that is set up, the same that the set-up sheet shows, and heads at the heights they were set to."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.state import PlannedState, planned_state
from geotools.engine.step import StepContext
from geotools.errors import StepError
from geotools.plan.model import Zone
from geotools.plan.schema import STAKEOUT

__all__ = ["state_of_sheet", "with_heights"]

#: Heights and levels that differ by less are the same, m.
_SAME_M = 0.0005


def with_heights(perimeter: Perimeter, heights: Mapping[tuple[str, str, str], float]) -> Perimeter:
    """The perimeter with heads at other heights.

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
    return perimeter.with_zones(changed)


def state_of_sheet(ctx: StepContext, sheet: gpd.GeoDataFrame) -> PlannedState:
    """The state that the step is run for; StepError where the layer stakeout shows another."""
    state = planned_state(ctx, ctx.params["state"])
    known = state.heads.set_index("head_id")
    strange = sorted(set(sheet["head_id"]) - set(known.index))
    axes = known["ground_m"] + known["height_m"]
    off = np.zeros(0) if strange else np.abs(sheet["axis_m"].to_numpy() - axes[sheet["head_id"]].to_numpy())
    if strange or (len(off) and float(np.max(off)) > _SAME_M):
        first = strange[0] if strange else str(sheet["head_id"].iloc[int(np.argmax(off))])
        raise StepError(
            "the set-up sheet shows another state",
            where=f"layer {STAKEOUT.name}, head {first}",
            found="a head that is not in it" if strange else f"an axis {float(np.max(off)):.3f} m off",
            expected=state.paper.words,
            mend="run `geotools stakeout` and this step with the same --state, or set sheets.state in the site file",
        )
    return state
