"""A laid-out zone with its heads, and its rows in the plan's layers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from shapely import LineString, Point

from geotools.corridor import BeamLine

__all__ = ["PlannedHead", "PlannedZone", "beam_rows", "head_rows", "zone_row", "zones_of_heads"]

Row = dict[str, Any]


@dataclass(frozen=True)
class PlannedHead:
    """One head; metres. ``at_start`` : whether it stands on the post met first along the fence."""

    head_id: str
    level: str
    head_type: str
    band_ghz: float
    at_start: bool
    transmitter: bool
    x: float
    y: float
    ground_m: float
    height_m: float
    polarisation: str
    channel: int | None = None

    @property
    def z(self) -> float:
        """Level of its axis."""
        return self.ground_m + self.height_m


@dataclass(frozen=True)
class PlannedZone:
    """One zone in the direction of the fence, heads of every level at both ends."""

    zone_id: str
    fence_id: str
    number: int
    heads: tuple[PlannedHead, ...]
    earthwork_m3: float | None = None
    blind_m: float | None = None

    def on_post(self, at_start: bool) -> tuple[PlannedHead, ...]:
        """Heads of one post, lowest first; of one height by the name of their level, in whatever order they came."""
        return tuple(sorted((h for h in self.heads if h.at_start == at_start), key=lambda h: (h.height_m, h.level)))

    def post(self, at_start: bool) -> NDArray[np.float64]:
        """Place of a post: that of its heads, (2,)."""
        heads = self.on_post(at_start)
        return np.array([np.mean([h.x for h in heads]), np.mean([h.y for h in heads])])

    @property
    def starts_with_tx(self) -> bool:
        """Whether the transmitters stand at its start."""
        return self.on_post(True)[0].transmitter

    @property
    def line(self) -> BeamLine:
        """From start post to end post."""
        return BeamLine(*map(float, self.post(True)), *map(float, self.post(False)))

    @property
    def pairs(self) -> tuple[tuple[PlannedHead, PlannedHead], ...]:
        """Transmitter and receiver of every level, lowest first, then by name."""
        receivers = {h.level: h for h in self.heads if not h.transmitter}
        sending = sorted((h for h in self.heads if h.transmitter), key=lambda h: (h.height_m, h.level))
        return tuple((h, receivers[h.level]) for h in sending)

    def post_id(self, at_start: bool) -> str:
        """Name of a post: A is met first along the fence."""
        return f"{self.zone_id}-{'A' if at_start else 'B'}"


def _aim(head: PlannedHead, other: PlannedHead) -> tuple[float, float]:
    line = BeamLine(head.x, head.y, other.x, other.y)
    return line.azimuth_deg, float(np.degrees(np.arctan2(other.z - head.z, line.length)))


def head_rows(zone: PlannedZone, junctions: tuple[str | None, str | None]) -> list[Row]:
    """Rows of the heads of a zone; ``junctions`` : those at its start and end, None at an open end."""
    rows = []
    for tx, rx in zone.pairs:
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
                    "head_type": head.head_type,
                    "band_ghz": head.band_ghz,
                    "height_m": head.height_m,
                    "ground_m": head.ground_m,
                    "polarisation": head.polarisation,
                    "channel": head.channel,
                    "margin_db": None,
                    "heard_head_id": None,
                    "azimuth_deg": azimuth,
                    "tilt_deg": tilt,
                    "geometry": Point(head.x, head.y, head.z),
                }
            )
    return rows


def beam_rows(zone: PlannedZone) -> list[Row]:
    """Rows of the beams of a zone, each from transmitter to receiver."""
    return [
        {
            "beam_id": f"{zone.zone_id}-{tx.level}",
            "zone_id": zone.zone_id,
            "level": tx.level,
            "tx_head_id": tx.head_id,
            "rx_head_id": rx.head_id,
            "head_type": tx.head_type,
            "band_ghz": tx.band_ghz,
            "length_m": float(np.hypot(rx.x - tx.x, rx.y - tx.y)),
            "tx_height_m": tx.height_m,
            "rx_height_m": rx.height_m,
            "geometry": LineString([(tx.x, tx.y, tx.z), (rx.x, rx.y, rx.z)]),
        }
        for tx, rx in zone.pairs
    ]


def zone_row(zone: PlannedZone, fence: LineString, half_width_m: float) -> Row:
    """Row of a zone; its area is the strip that is examined."""
    line = zone.line
    return {
        "zone_id": zone.zone_id,
        "fence_id": zone.fence_id,
        "number": zone.number,
        "length_m": line.length,
        "half_width_m": half_width_m,
        "fence_from_m": fence.project(Point(line.x0, line.y0)),
        "fence_to_m": fence.project(Point(line.x1, line.y1)),
        "start_role": "transmitter" if zone.starts_with_tx else "receiver",
        "levels": " ".join(tx.level for tx, _ in zone.pairs),
        "earthwork_m3": zone.earthwork_m3,
        "blind_m": zone.blind_m,
        "geometry": line.rectangle(0.0, line.length, half_width_m),
    }


def zones_of_heads(rows: Iterable[Mapping[str, Any]], fence_of: Mapping[str, str]) -> list[PlannedZone]:
    """Zones in the order of their names from rows of the layer heads, as ``head_rows`` made them.

    Parameters
    ----------
    rows : of the layer, with ``geometry``. fence_of : fence line of every zone.
    """
    groups: dict[str, list[PlannedHead]] = {}
    for row in rows:
        channel = row["channel"]
        groups.setdefault(row["zone_id"], []).append(
            PlannedHead(
                row["head_id"],
                row["level"],
                row["head_type"],
                float(row["band_ghz"]),
                str(row["post_id"]).endswith("-A"),
                row["role"] == "transmitter",
                row["geometry"].x,
                row["geometry"].y,
                float(row["ground_m"]),
                float(row["height_m"]),
                row["polarisation"],
                None if pd.isna(channel) else int(channel),
            )
        )
    paired = {}
    for name, heads in groups.items():
        levels = [head.level for head in heads]
        # a head whose partner was deleted makes no beam
        whole = tuple(head for head in heads if levels.count(head.level) > 1)
        if whole:
            paired[name] = whole
    return [
        PlannedZone(name, fence_of.get(name, ""), number, heads)
        for number, (name, heads) in enumerate(sorted(paired.items()), start=1)
    ]
