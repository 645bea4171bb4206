"""The heads of the proposed state as the layers of a plan have them: what stands keeps its name, plane and channel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from geotools.plan.model import BeamPair, Head, Zone
from geotools.plan.zones import text_of
from geotools.site import Site
from geotools.terrain.design import Ground

__all__ = ["left_over", "planned_zones"]

Row = dict[str, Any]


def _polarisation(pair: BeamPair, parent: Mapping[tuple[str, str], Row], site: Site, role: str) -> str:
    """Of the head it stands for; of a new one as the stack rules say, else crossed with the others of its band."""
    held = parent.get((role, pair.level))
    if held is not None:
        return str(held["polarisation"])
    rules = [*site.stack, *site.stack_rules]
    told = next((r.polarisation for r in rules if r.level == pair.level and r.polarisation is not None), None)
    if told is not None:
        return told
    band = round(pair.head_type.frequency_hz / 1e9)
    beside = [str(row["polarisation"]) for (end, _), row in parent.items() if end == role and _band(row) == band]
    return "horizontal" if beside.count("vertical") > beside.count("horizontal") else "vertical"


def _band(row: Mapping[str, Any]) -> int:
    return round(float(row["band_ghz"]))


def _heads(zone: Zone, today: Zone, parent: Mapping[tuple[str, str], Row], site: Site, ground: Ground) -> list[Head]:
    line, same = zone.line, zone.zone_id == today.zone_id
    levels = ground.sample([line.x0, line.x1], [line.y0, line.y1])
    found = []
    for pair in zone.pairs:
        for role, short, x, y, level, height in (
            ("transmitter", "TX", line.x0, line.y0, levels[0], pair.tx_height_m),
            ("receiver", "RX", line.x1, line.y1, levels[1], pair.rx_height_m),
        ):
            held = parent.get((role, pair.level)) if same else None
            # a head of another type has a channel of its own
            kept = held is not None and str(held["head_type"]) == pair.head_type.name and not pd.isna(held["channel"])
            channel = int(held["channel"]) if held is not None and kept else None
            found.append(
                Head(
                    f"{zone.zone_id}-{short}-{pair.level}" if held is None else str(held["head_id"]),
                    pair.level,
                    pair.head_type,
                    (role == "transmitter") == zone.forward,
                    role == "transmitter",
                    x,
                    y,
                    float(level),
                    height,
                    _polarisation(pair, parent, site, role),
                    channel,
                    "" if held is None else text_of(held.get("locked")),
                )
            )
    return found


def planned_zones(
    site: Site,
    today: Mapping[str, Zone],
    proposed: Mapping[str, Sequence[Zone]],
    heads: gpd.GeoDataFrame,
    ground: Ground,
) -> list[Zone]:
    """Every zone of the proposed state with its heads, numbered along its fence line.

    Parameters
    ----------
    site : Site
        Its stack rules.
    today : mapping of str to Zone
        Zones of the plan, by name.
    proposed : mapping of str to sequence of Zone
        What each becomes, in the fence line's order; those missing stay.
    heads : GeoDataFrame
        Layer heads of the plan.
    ground : Ground
        As proposed.
    """
    standing: dict[str, dict[tuple[str, str], Row]] = {}
    for row in heads.to_dict("records"):
        standing.setdefault(str(row["zone_id"]), {})[str(row["role"]), str(row["level"])] = row
    found: list[Zone] = []
    numbers: dict[str, int] = {}
    for zone in sorted(today.values(), key=lambda z: (z.fence_id, z.number, z.zone_id)):
        for part in proposed.get(zone.zone_id, (zone,)):
            number = numbers[zone.fence_id] = numbers.get(zone.fence_id, 0) + 1
            ends = _heads(part, zone, standing.get(zone.zone_id, {}), site, ground)
            made = Zone.of_heads(part.zone_id, tuple(ends), fence_id=zone.fence_id, number=number)
            found.append(replace(made, locked=zone.locked and part.zone_id == zone.zone_id))
    return found


def left_over(
    zones: gpd.GeoDataFrame, heads: gpd.GeoDataFrame, today: Mapping[str, Zone]
) -> tuple[list[Row], list[Row]]:
    """Zones without a beam and heads without a partner: they are no part of a proposal, and stay as they are.

    Parameters
    ----------
    zones, heads : GeoDataFrame
        Layers of the plan.
    today : mapping of str to Zone
        Its zones with beams, by name.
    """
    empty = zones[~zones["zone_id"].isin(list(today))].to_dict("records")
    levels = {(zone_id, pair.level) for zone_id, zone in today.items() for pair in zone.pairs}
    lone = np.array([(z, v) not in levels for z, v in zip(heads["zone_id"], heads["level"], strict=True)], bool)
    return empty, heads[lone].to_dict("records")
