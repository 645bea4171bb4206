"""The state that a remedy recommends, as rows of the plan and back: every head where and as high as it is to stand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import Point

from geotools.corridor import BeamLine
from geotools.detection.from_plan import head_type_of
from geotools.detection.perimeter import Perimeter
from geotools.errors import StepError
from geotools.plan import ids
from geotools.plan.model import BeamPair, Zone
from geotools.site import Site
from geotools.terrain.design import Ground

__all__ = ["proposed_rows", "proposed_zones"]

Row = dict[str, Any]
#: Heads set less than this from their height stay as they are, m (a mounting is not set finer; common practice).
SAME_HEIGHT_M = 0.005
#: Posts set less than this from their place stay where they are, m (rounding of coordinates).
SAME_PLACE_M = 0.001


def proposed_rows(perimeter: Perimeter, proposed: Mapping[str, Sequence[Zone]], ground: Ground) -> list[Row]:
    """Rows of the layer proposed_heads.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands.
    proposed : mapping of str to sequence of Zone
        By zone of the layout, what it becomes: itself with other heads, or its parts in the fence line's order. Zones
        that are missing stay as they are.
    ground : Ground
        As proposed.
    """
    rows: list[Row] = []
    for zone_id, today in perimeter.zones.items():
        standing = {pair.level: pair for pair in today.pairs}
        for part, zone in enumerate(proposed.get(zone_id, (today,)), start=1):
            line = zone.line
            levels = ground.sample([line.x0, line.x1], [line.y0, line.y1])
            for pair in zone.pairs:
                # one zone by the same name is the same zone, wherever its posts are set
                before = standing.get(pair.level) if zone.zone_id == today.zone_id else None
                elsewhere = zone.line != today.line
                today_m = (None, None) if before is None else (before.tx_height_m, before.rx_height_m)
                other = before is not None and before.head_type != pair.head_type
                ends = (
                    ("transmitter", line.x0, line.y0, levels[0], pair.tx_height_m, today_m[0]),
                    ("receiver", line.x1, line.y1, levels[1], pair.rx_height_m, today_m[1]),
                )
                for role, x, y, level, height, existing in ends:
                    same = existing is not None and abs(existing - height) <= SAME_HEIGHT_M
                    rows.append(
                        {
                            "head_id": ids.head_id(zone.zone_id, pair.level, transmitter=role == "transmitter"),
                            "zone_id": zone.zone_id,
                            "stands_for": zone_id,
                            "part": part,
                            "role": role,
                            "level": pair.level,
                            "head_type": pair.head_type.name,
                            "height_m": height,
                            "existing_height_m": existing,
                            "ground_m": float(level),
                            "change": "added" if existing is None else _change(elsewhere, other, same),
                            "geometry": Point(x, y, float(level) + height),
                        }
                    )
    return rows


def _change(elsewhere: bool, other: bool, same: bool) -> str:
    return "moved" if elsewhere else "replaced" if other else "stays" if same else "set"


def proposed_zones(site: Site, perimeter: Perimeter, frame: gpd.GeoDataFrame) -> dict[str, tuple[Zone, ...]]:
    """What each zone of the layout becomes, from the layer; zones that stay as they are included.

    Raises
    ------
    StepError
        Where the layer does not belong to this layout.
    """
    strange = sorted(set(frame["stands_for"]) - set(perimeter.zones))
    if strange:
        raise StepError(
            "the proposed heads belong to zones that the plan does not have",
            where="layer proposed_heads",
            found=", ".join(strange[:5]),
            mend="run `geotools remedy` again",
        )
    found: dict[str, tuple[Zone, ...]] = {}
    for zone_id, rows in frame.groupby("stands_for", sort=False):
        today = perimeter.zones[str(zone_id)]
        found[str(zone_id)] = tuple(
            _zone(site, today, str(name), part) for (_, name), part in rows.groupby(["part", "zone_id"], sort=True)
        )
    return found


def _zone(site: Site, today: Zone, name: str, rows: pd.DataFrame) -> Zone:
    ends = {role: part.set_index("level") for role, part in rows.groupby("role")}
    senders, receivers = ends["transmitter"], ends["receiver"]
    tx, rx = senders.geometry.iloc[0], receivers.geometry.iloc[0]
    pairs = [
        BeamPair(str(level), head_type_of(site, row.head_type), float(row.height_m), float(receivers.height_m[level]))
        for level, row in senders.iterrows()
    ]
    same = {p.level: p for p in today.pairs}
    kept = [
        same[p.level]
        if p.level in same
        and same[p.level].head_type == p.head_type
        and abs(same[p.level].tx_height_m - p.tx_height_m) < 1e-9
        and abs(same[p.level].rx_height_m - p.rx_height_m) < 1e-9
        else p
        for p in pairs
    ]
    line, stands = BeamLine(tx.x, tx.y, rx.x, rx.y), today.line
    away = max(np.hypot(line.x0 - stands.x0, line.y0 - stands.y0), np.hypot(line.x1 - stands.x1, line.y1 - stands.y1))
    return replace(
        today,
        zone_id=name,
        line=stands if name == today.zone_id and away < SAME_PLACE_M else line,
        pairs=tuple(sorted(kept, key=lambda p: p.tx_height_m + p.rx_height_m)),
    )
