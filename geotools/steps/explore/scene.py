"""What the page shows, as plain data: map, zones, their sections, what each pair of heights would give."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from shapely import Polygon

from geotools.detection.cases import length_of
from geotools.detection.heights_ahead import HeightAnswer, answers_ahead, heights_to_try
from geotools.detection.perimeter import Perimeter
from geotools.detection.spots import runs, stretch
from geotools.detection.verdict_rows import conditions
from geotools.plan.model import Zone
from geotools.plan.rasters import PlanRaster
from geotools.terrain.shading import Shade

__all__ = ["Heights", "Place", "beams_of", "ground_data", "map_data", "zone_data"]

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Heights:
    """Whose heads can be moved on the page: the level, its limits, m above ground, and how many heights there are."""

    level: str
    limits_m: tuple[float, float]
    most: int


@dataclass(frozen=True)
class Place:
    """Where things are drawn: everything is counted from this corner, m."""

    low: Array

    def points(self, coordinates: Any) -> list[list[float]]:
        """Two lists, x and y, relative to the corner."""
        held = np.asarray(coordinates, float)[:, :2] - self.low
        return [np.round(held[:, 0], 2).tolist(), np.round(held[:, 1], 2).tolist()]

    def rings(self, geometry: Any, coarse_m: float = 0.0) -> list[list[list[float]]]:
        """Outer rings of an area of one or more parts, drawn no finer than ``coarse_m``, m."""
        parts = [part.simplify(coarse_m) if coarse_m else part for part in getattr(geometry, "geoms", [geometry])]
        return [self.points(part.exterior.coords) for part in parts if isinstance(part, Polygon) and not part.is_empty]


def ground_data(shade: Shade, low: npt.NDArray[np.float64]) -> dict[str, Any]:
    """Shade of the ground from 0 (dark) to 100, rows from the south, places relative to a corner (2,), m."""
    rows = [[None if not np.isfinite(v) else round(100.0 * float(v)) for v in row] for row in shade.light]
    return {"x": np.round(shade.x - low[0], 2).tolist(), "y": np.round(shade.y - low[1], 2).tolist(), "shade": rows}


def map_data(frames: dict[str, Any], place: Place, threats: Sequence[str]) -> dict[str, Any]:
    """Verdicts (worst of all threats), zones, heads and dead spots by threat, as lines and rings."""
    said, spots, heads = frames.get("verdicts"), frames.get("dead_spots"), frames["heads"]
    lines: list[dict[str, Any]] = []
    given = "" if said is None else conditions(said)
    if said is not None:
        mine = said[(said["threat"] == "all") & said.geometry.notna()]
        lines = [
            {"verdict": v.verdict, "zone": v.zone_id or "", "at": place.points(v.geometry.coords)}
            for v in mine.itertuples()
        ]
    dead = {t: [] if spots is None else spots[spots["threat"] == t] for t in threats}
    return {
        "fence": [place.points(line.coords) for line in frames["fence"].geometry],
        "verdicts": lines,
        "condition": given,
        "zones": [
            {"zone": z.zone_id, "at": place.points(z.geometry.exterior.coords)} for z in frames["zones"].itertuples()
        ],
        "dead": {
            t: [
                {"zone": s.zone_id, "at": place.points(s.geometry.exterior.coords), "length": round(s.length_m, 1)}
                for s in (mine.itertuples() if len(mine) else ())
            ]
            for t, mine in dead.items()
        },
        "works": []
        if (works := frames.get("earthworks")) is None
        else [
            {"kind": str(w["kind"]), "zone": w["zone_id"], "depth": round(float(w["depth_max_m"]), 2), "at": ring}
            for w in works.to_dict("records")
            for ring in place.rings(w["geometry"])
        ],
        "heads": _places(heads, place),
        "heads_after": None if (after := frames.get("proposed_heads")) is None else _places(after, place),
    }


def _places(heads: Any, place: Place) -> dict[str, list[list[float]]]:
    return {
        role: place.points([(p.x, p.y) for p in heads[heads["role"] == role].geometry] or np.empty((0, 2)))
        for role in ("transmitter", "receiver")
    }


def beams_of(zone: Zone) -> list[dict[str, Any]]:
    """Level and heights of each pair of heads, the lowest first."""
    pairs = sorted(zone.pairs, key=lambda p: p.tx_height_m + p.rx_height_m)
    return [{"level": p.level, "tx": p.tx_height_m, "rx": p.rx_height_m} for p in pairs]


def _case(perimeter: Perimeter, zone: Zone, answer: HeightAnswer) -> dict[str, Any]:
    grid = perimeter.grids[zone.zone_id]
    counted = perimeter.counted(zone.zone_id)
    return {
        "gap": np.round(answer.gap_m * 100).astype(int).tolist(),
        "dead": {
            t: [[round(end, 2) for end in stretch(grid, *run)] for run in runs(flags)]
            for t, flags in answer.dead.items()
        },
        "length": {t: round(length_of(flags, grid.chainage_m), 3) for t, flags in answer.dead.items()},
        "most": round(float(answer.gap_m[counted].max(initial=0.0)), 2),
        "beside": round(answer.beside_m, 1),
    }


def zone_data(
    perimeter: Perimeter, floors: dict[str, Array], zone: Zone, heights: Heights | None, works: PlanRaster | None
) -> dict[str, Any]:
    """A zone's section, and what the pairs of heights would give; with ``heights`` None as it stands alone."""
    grid, level = perimeter.grids[zone.zone_id], perimeter.levels(zone.zone_id)
    ground = level[:, level.shape[1] // 2]
    moved = np.full(len(ground), np.nan) if works is None else works.sample(*zone.line.to_map(grid.chainage_m))
    proposed = None
    if np.nanmax(np.abs(moved), initial=0.0) > 0.005:
        proposed = [None if not np.isfinite(v) else round(float(v), 3) for v in ground + moved]
    pair = min(zone.pairs, key=lambda p: p.tx_height_m + p.rx_height_m)
    if heights is not None:
        pair = next(p for p in zone.pairs if p.level == heights.level)
    now = pair.tx_height_m, pair.rx_height_m
    lists = (
        [[now[0]], [now[1]]] if heights is None else [heights_to_try(heights.limits_m, h, heights.most) for h in now]
    )
    lists = [[round(h, 4) for h in one] for one in lists]
    tried = [(tx, rx) for tx in lists[0] for rx in lists[1]]
    answers = answers_ahead(perimeter, floors, zone.zone_id, pair.level, tried)
    return {
        "zone": zone.zone_id,
        "level": pair.level,
        "chainage": np.round(grid.chainage_m, 2).tolist(),
        "ground": np.round(ground, 3).tolist(),
        "proposed": proposed,
        "posts": [round(float(ground[0]), 3), round(float(ground[-1]), 3)],
        "beams": beams_of(zone),
        "tx": lists[0],
        "rx": lists[1],
        "now": [lists[0].index(round(now[0], 4)), lists[1].index(round(now[1], 4))],
        "cases": [_case(perimeter, zone, answer) for answer in answers],
    }
