"""Binds each crossing to the heads and the ground that decide it: where either has changed, its result is void."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from shapely import LineString

from geotools.detection.perimeter import Perimeter
from geotools.earthwork.state import PlannedState
from geotools.plan.paper_state import heads_code, short_code

__all__ = ["Bindings", "void_words"]


class Bindings:
    """Codes of heads and ground by place.

    Parameters
    ----------
    state : PlannedState
        The state that is walked.
    """

    def __init__(self, state: PlannedState) -> None:
        self._perimeter: Perimeter = state.perimeter
        half = self._perimeter.rules.half_width_m
        self._areas = {z: zone.line.rectangle(0.0, zone.line.length, half) for z, zone in self._perimeter.zones.items()}
        self._heads = {
            str(zone): heads_code(rows.to_dict("records")) for zone, rows in state.heads.groupby("zone_id", sort=True)
        }
        self._ground: dict[str, str] = {}

    def _ground_of(self, zone_id: str) -> str:
        if zone_id not in self._ground:
            millimetres = np.rint(self._perimeter.levels(zone_id) * 1000.0).astype(np.int64)
            self._ground[zone_id] = short_code([millimetres.shape, millimetres.tobytes().hex()])
        return self._ground[zone_id]

    def codes(self, zone_id: str, crossing: LineString) -> dict[str, str]:
        """``heads_code`` and ``ground_code`` of a crossing: of its zone, and of neighbours whose strip it touches."""
        beside = [other for other in self._perimeter.neighbours(zone_id) if self._areas[other].intersects(crossing)]
        zones = [zone_id, *beside]
        return {
            "heads_code": short_code(self._heads.get(zone, "none") for zone in zones),
            "ground_code": short_code(self._ground_of(zone) for zone in zones),
        }


def void_words(walked: Mapping[str, Any], now: Mapping[str, str]) -> str | None:
    """Why a crossing that was walked says nothing of heads and ground as they are now; None where it does."""
    changed = [what for what in ("heads", "ground") if walked[f"{what}_code"] != now[f"{what}_code"]]
    return f"{' and '.join(changed)} changed since" if changed else None
