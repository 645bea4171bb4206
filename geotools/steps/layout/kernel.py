"""Cutting a beam line into straight zones that overlap."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from shapely import LineString

from geotools.corridor import BeamLine


@dataclass(frozen=True)
class Cut:
    """One zone: its line in the fence's direction, and where its unextended piece lies along the beam line, m."""

    line: BeamLine
    from_m: float
    to_m: float
    at_corner_start: bool
    at_corner_end: bool


def edges_of(line: LineString) -> list[tuple[tuple[float, float], tuple[float, float]]]:
    """The straight pieces of a line."""
    coords = [(float(x), float(y)) for x, y in np.asarray(line.coords)[:, :2]]
    return list(pairwise(coords))


def cut_zones(line: LineString, max_zone_m: float, overlap_m: float, corner_reach_m: float) -> list[Cut]:
    """Cut each straight piece into the fewest equal zones no longer than ``max_zone_m``, overlaps included.

    At a joint inside a piece both neighbours reach ``overlap_m / 2`` past it, so that each head stands inside its
    neighbour's beam. At a corner the beams cross: each reaches ``corner_reach_m`` past it. Open ends are not extended.
    """
    pieces = edges_of(line)
    closed = line.is_ring
    cuts: list[Cut] = []
    walked = 0.0
    for number, ((x0, y0), (x1, y1)) in enumerate(pieces):
        length = float(np.hypot(x1 - x0, y1 - y0))
        corner_start = closed or number > 0
        corner_end = closed or number < len(pieces) - 1
        reach_start = corner_reach_m if corner_start else 0.0
        reach_end = corner_reach_m if corner_end else 0.0
        room = max_zone_m - overlap_m
        count = max(int(np.ceil((length + reach_start + reach_end - overlap_m) / room - 1e-9)), 1)
        stops = np.linspace(-reach_start, length + reach_end, count + 1)
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        for piece in range(count):
            begin = stops[piece] - (overlap_m / 2 if piece > 0 else 0.0)
            end = stops[piece + 1] + (overlap_m / 2 if piece < count - 1 else 0.0)
            cuts.append(
                Cut(
                    BeamLine(x0 + begin * ux, y0 + begin * uy, x0 + end * ux, y0 + end * uy),
                    walked + max(float(stops[piece]), 0.0),
                    walked + min(float(stops[piece + 1]), length),
                    corner_start and piece == 0,
                    corner_end and piece == count - 1,
                )
            )
        walked += length
    return cuts


def alternate_roles(count: int, start_with_transmitter: bool = True) -> list[bool]:
    """For each zone, whether the post met first carries the transmitters.

    Alternating directions put like heads beside like at every joint; a closed line with an odd count has one joint
    where they differ (common practice, no source).
    """
    return [(number % 2 == 0) == start_with_transmitter for number in range(count)]
