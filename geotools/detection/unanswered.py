"""Zones that nothing can be said of, because their strip has places without a level: they alone stay unanswered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from shapely import Polygon

from geotools.detection.perimeter import Perimeter
from geotools.errors import place_words
from geotools.plan.model import FenceChain, Zone

__all__ = ["answerable", "runs_without", "silent_strips", "zones_beside", "zones_without_ground"]


def zones_without_ground(perimeter: Perimeter) -> dict[str, str]:
    """Why there is no answer, in words, by zone whose strip has places without a level; empty where all are known."""
    found = {}
    for zone_id, grid in perimeter.grids.items():
        unknown = ~np.isfinite(perimeter.levels(zone_id))
        if not unknown.any():
            continue
        i, j = np.argwhere(unknown)[0]
        x, y = grid.line.to_map(grid.chainage_m[i], grid.offset_m[j])
        place = place_words(float(grid.chainage_m[i]), float(grid.offset_m[j]))
        found[zone_id] = (
            f"no answer for {zone_id}: the terrain has no data at {int(unknown.sum())} of {unknown.size} places of its "
            f"strip, first at {place} (x {float(x):.2f}, y {float(y):.2f} m); survey that stretch or fill the hole"
        )
    return found


def zones_beside(perimeter: Perimeter) -> dict[str, str]:
    """Why there is no answer, in words, by zone that lies wholly beside strips whose ground is not known."""
    return {
        zone_id: f"no answer for {zone_id}: all of it lies beside zones under which the terrain has no data"
        for zone_id in perimeter.zones
        if not perimeter.answered(zone_id)
    }


def silent_strips(perimeter: Perimeter, left_out: Mapping[str, object]) -> list[Polygon]:
    """Strips of the zones that are left out."""
    half = perimeter.rules.half_width_m
    return [z.line.rectangle(0.0, z.line.length, half) for name, z in perimeter.zones.items() if name in left_out]


def runs_without(chain: FenceChain, left_out: Mapping[str, object]) -> list[FenceChain]:
    """The pieces of a fence line between the zones that are left out, each open, in its order; none where all are.

    On a closed fence line the piece over its seam is one.
    """
    zones = list(chain.zones)
    gaps = [place for place, zone in enumerate(zones) if zone.zone_id in left_out]
    if not gaps:
        return [chain]
    if chain.closed:
        zones = zones[gaps[0] :] + zones[: gaps[0]]
    pieces: list[list[Zone]] = [[]]
    for zone in zones:
        if zone.zone_id in left_out:
            pieces.append([])
        else:
            pieces[-1].append(zone)
    return [replace(chain, zones=tuple(piece), closed=False) for piece in pieces if piece]


def answerable(perimeter: Perimeter, chains: Sequence[FenceChain], left_out: Mapping[str, object]) -> Perimeter:
    """The perimeter of the zones that are not left out; what lies beside those that are is `unanswered`.

    Parameters
    ----------
    perimeter : Perimeter
        With all zones.
    chains : sequence of FenceChain
        The same zones by fence line.
    left_out : mapping by zone
        Those whose ground is not known; not all of them.
    """
    kept = [run for chain in chains for run in runs_without(chain, left_out)]
    return Perimeter.of(kept, perimeter.ground, perimeter.rules, silent_strips(perimeter, left_out))
