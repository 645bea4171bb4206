"""Zones as rows of the plan's layers, and back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd
from shapely import LineString, Point

from geotools.beam import HeadType
from geotools.corridor import BeamLine
from geotools.errors import InputError
from geotools.plan import ids
from geotools.plan.model import Head, Zone

__all__ = ["beam_rows", "head_rows", "is_yes", "text_of", "zone_row", "zones_of_heads"]

Row = dict[str, Any]


def text_of(value: object) -> str:
    """A text field's value; empty where there is none."""
    return value if isinstance(value, str) else ""


def is_yes(value: object) -> bool:
    """Whether a yes-or-no field says yes; it may be empty."""
    return value is not None and not pd.isna(value) and bool(value)  # type: ignore[call-overload]


def _aim(head: Head, other: Head) -> tuple[float, float]:
    line = BeamLine(head.x, head.y, other.x, other.y)
    return line.azimuth_deg, float(np.degrees(np.arctan2(other.z - head.z, line.length)))


def head_rows(zone: Zone, junctions: tuple[str | None, str | None]) -> list[Row]:
    """Rows of the heads of a zone; ``junctions`` : those at its start and end, None at an open end."""
    rows = []
    for tx, rx in zone.beams:
        for head, other in ((tx, rx), (rx, tx)):
            azimuth, tilt = _aim(head, other)
            rows.append(
                {
                    "head_id": head.head_id,
                    "zone_id": zone.zone_id,
                    "post_id": zone.post_id(head.at_start),
                    "junction_id": junctions[0 if head.at_start else 1],
                    "role": "transmitter" if head.transmitter else "receiver",
                    "level": head.level,
                    "head_type": head.head_type.name,
                    "band_ghz": head.band_ghz,
                    "height_m": head.height_m,
                    "ground_m": head.ground_m,
                    "polarisation": head.polarisation,
                    "channel": head.channel,
                    "margin_db": None,
                    "interferer_head_id": None,
                    "azimuth_deg": azimuth,
                    "tilt_deg": tilt,
                    "locked": head.locked or None,
                    "geometry": Point(head.x, head.y, head.z),
                }
            )
    return rows


def beam_rows(zone: Zone) -> list[Row]:
    """Rows of the beams of a zone, each from transmitter to receiver."""
    return [
        {
            "beam_id": ids.beam_id(zone.zone_id, tx.level),
            "zone_id": zone.zone_id,
            "level": tx.level,
            "tx_head_id": tx.head_id,
            "rx_head_id": rx.head_id,
            "head_type": tx.head_type.name,
            "band_ghz": tx.band_ghz,
            "length_m": float(np.hypot(rx.x - tx.x, rx.y - tx.y)),
            "tx_height_m": tx.height_m,
            "rx_height_m": rx.height_m,
            "geometry": LineString([(tx.x, tx.y, tx.z), (rx.x, rx.y, rx.z)]),
        }
        for tx, rx in zone.beams
    ]


def zone_row(zone: Zone, fence: LineString, half_width_m: float) -> Row:
    """Row of a zone; its area is the strip that is examined."""
    line = zone.along_fence
    return {
        "zone_id": zone.zone_id,
        "fence_id": zone.fence_id,
        "number": zone.number,
        "length_m": line.length,
        "half_width_m": half_width_m,
        "fence_from_m": fence.project(Point(line.x0, line.y0)),
        "fence_to_m": fence.project(Point(line.x1, line.y1)),
        "start_role": "transmitter" if zone.forward else "receiver",
        "levels": " ".join(pair.level for pair in zone.pairs),
        "earthwork_m3": zone.earthwork_m3,
        "left_open_m": zone.left_open_m,
        "locked": zone.locked,
        "geometry": line.rectangle(0.0, line.length, half_width_m),
    }


def zones_of_heads(rows: Iterable[Mapping[str, Any]], kinds: Mapping[str, HeadType]) -> list[Zone]:
    """Zones in the order of their names from rows of the layer heads, as ``head_rows`` made them.

    Parameters
    ----------
    rows : iterable of mapping
        Of the layer, with ``geometry``.
    kinds : mapping of str to HeadType
        Head types by name.

    Returns
    -------
    list of Zone
        Those with heads on both posts; a head without a partner is left out.

    Raises
    ------
    InputError
        A head is of a type that is not among them.
    """
    rows = list(rows)
    standing = Counter((row["zone_id"], row["level"]) for row in rows)
    groups: dict[str, list[Head]] = {}
    for row in rows:
        # a head whose partner was deleted makes no beam
        if standing[row["zone_id"], row["level"]] > 1:
            groups.setdefault(row["zone_id"], []).append(_head_of(row, kinds))
    paired = [(name, heads) for name, heads in sorted(groups.items()) if len({head.at_start for head in heads}) == 2]
    return [Zone.of_heads(name, heads, number=number) for number, (name, heads) in enumerate(paired, start=1)]


def _head_of(row: Mapping[str, Any], kinds: Mapping[str, HeadType]) -> Head:
    if row["head_type"] not in kinds:
        raise InputError(
            "a head is of a type that the site file does not have",
            where=f"layer heads, head {row['head_id']}",
            found=row["head_type"],
            expected=", ".join(kinds),
            mend="correct head_type, or add the type to the site file",
        )
    channel = row["channel"]
    return Head(
        row["head_id"],
        row["level"],
        kinds[row["head_type"]],
        ids.on_first_post(str(row["post_id"])),
        row["role"] == "transmitter",
        row["geometry"].x,
        row["geometry"].y,
        float(row["ground_m"]),
        float(row["height_m"]),
        row["polarisation"],
        None if pd.isna(channel) else int(channel),
        text_of(row.get("locked")),
    )
