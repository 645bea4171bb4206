"""What a zone's surface has to stand up to, and the line its ground should follow."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geotools.beam.strip import Strip
from geotools.detection.cases import straight_ground
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.disturb import heads_off
from geotools.earthwork.limits import SightLine
from geotools.earthwork.proof import Proof
from geotools.earthwork.zone_grading import GradeSettings
from geotools.plan.model import Zone
from geotools.terrain.design import StripCells

__all__ = ["Demand", "Modulation", "proof_of", "reach_of", "sight_line", "straight_case", "with_ends"]

# how much nearer today's ground may come to a beam that is lowered, where the model has not complained yet
_MORE_CREST_M = 0.05


@dataclass(frozen=True)
class Demand:
    """What a zone's surface has to stand up to.

    hopeless, tight, edge : by threat, stations that would let it through on straight ground too, at the threshold, with
    the headroom, and with heads off by their tolerance; no grading mends those. near : stations that must keep the
    headroom.
    """

    hopeless: Mapping[str, npt.NDArray[np.bool_]]
    tight: Mapping[str, npt.NDArray[np.bool_]]
    edge: Mapping[str, npt.NDArray[np.bool_]]
    near: npt.NDArray[np.bool_]


Modulation = dict[str, np.ndarray]


def proof_of(
    perimeter: Perimeter,
    zone: Zone,
    own: Modulation | None,
    edges: Sequence[Modulation],
    demand: Demand,
    headroom: float,
) -> Proof:
    """What the model says of a zone to the grading loop.

    own : modulation of its heads on the ground as designed, None to leave that out. edges : at the edges of tolerance.
    """
    at = perimeter.grids[zone.zone_id].chainage_m
    mend, lost = np.zeros(len(at), bool), np.zeros(len(at), bool)
    if own is not None:
        for threat, d in perimeter.dead(zone.zone_id, own).items():
            mend |= d & ~demand.hopeless[threat]
            lost |= d & demand.hopeless[threat]
    if own is not None and headroom > 0:
        for threat, d in perimeter.dead(zone.zone_id, own, headroom=headroom).items():
            mend |= demand.near & d & ~demand.tight[threat]
    # who gets past none of the edges would get past no single one: ask all of them at once first
    if edges and _opened(perimeter, zone, {t: np.min([m[t] for m in edges], axis=0) for t in edges[0]}, demand).any():
        for edge in edges:
            mend |= _opened(perimeter, zone, edge, demand)
    return Proof(at, mend, lost & ~mend)


def _opened(perimeter: Perimeter, zone: Zone, own: Mapping[str, np.ndarray], demand: Demand) -> npt.NDArray[np.bool_]:
    """Stations that grading has to close in a state at the edge of tolerance."""
    dead = perimeter.dead(zone.zone_id, own)
    return np.any([d & ~demand.edge[threat] for threat, d in dead.items()], axis=0)


def straight_case(
    perimeter: Perimeter, zone: Zone, settings: GradeSettings
) -> tuple[Modulation, tuple[float, float], list[Modulation]]:
    """The zone's modulation on straight ground; how far down (negative) and up its lowest heads may move; and the
    modulation with all heads off by their tolerance.

    A move that would blind straight ground beside the heads is no use: then half, then a quarter of the way to the
    limit is tried, and none where that does too.
    """
    pair = zone.pairs[0]
    rest = replace(zone, pairs=zone.pairs[1:])
    heights = np.array([pair.tx_height_m, pair.rx_height_m])
    stays = float(heights.min()), float(heights.max())
    locked = (zone.zone_id, pair.level) in settings.fixed
    low, high = stays if locked else settings.height_limits.get(pair.level, stays)
    span = min(low - float(heights.min()), 0.0), max(high - float(heights.max()), 0.0)
    moves = [share * end for end in span for share in (1.0, 0.5, 0.25) if end]
    grid = perimeter.grids[zone.zone_id]
    flat = Strip(grid.chainage_m, grid.offset_m, straight_ground(grid, perimeter.levels(zone.zone_id)))
    alone = replace(zone, pairs=(pair,))
    cases = [alone.with_heights(pair.level, *(heights + move)) for move in (0.0, *moves)]
    if rest.pairs:
        cases.append(rest)
    off = heads_off(zone, settings.tolerances.heads_m)
    solved = perimeter.modulations([(case, flat) for case in [*cases, *off]])
    flat_off = solved[len(cases) :]
    solved = solved[: len(cases)]
    others = solved.pop() if rest.pairs else None
    owns = [m if others is None else {t: np.maximum(m[t], others[t]) for t in m} for m in solved]
    blind = [np.any(list(perimeter.dead(zone.zone_id, own).values()), axis=0) for own in owns]
    fits = [move for move, b in zip(moves, blind[1:], strict=True) if not (b & ~blind[0]).any()]
    return owns[0], (min([0.0, *fits]), max([0.0, *fits])), flat_off


def sight_line(
    zone: Zone, level: np.ndarray, strip: StripCells, half: float, clearance: float, move: tuple[float, float]
) -> SightLine:
    """The line a zone's ground should follow: movable cells within `half` of it, ends free by `move`, m."""
    along, off = zone.line.from_map(strip.x, strip.y)
    under = np.flatnonzero((np.abs(off) <= half) & (along >= 0) & (along <= zone.line.length) & strip.cells.movable)
    fraction = along[under] / zone.line.length
    middle = level[:, level.shape[1] // 2]
    feet = float(middle[0]), float(middle[-1])
    reach = [(foot + move[0], foot + move[1]) for foot in feet]
    above = strip.cells.ground[under] - (feet[0] + fraction * (feet[1] - feet[0]))
    return SightLine(
        zone.zone_id,
        under,
        fraction,
        np.full(len(under), np.inf),
        np.maximum(clearance, above + _MORE_CREST_M),
        feet,
        (reach[0], reach[1]),
    )


def reach_of(line: SightLine, end: int, free: bool) -> tuple[float, float]:
    """Lowest and highest level of one end of a line, today's alone where its head is not free."""
    return line.reach[end] if free else (line.ends[end], line.ends[end])


def with_ends(zone: Zone, line: SightLine, ends: np.ndarray) -> Zone:
    """The zone with its lowest heads moved as the ends of its line are, (2,) levels."""
    pair = zone.pairs[0]
    return zone.with_heights(
        pair.level,
        pair.tx_height_m + float(ends[0] - line.ends[0]),
        pair.rx_height_m + float(ends[1] - line.ends[1]),
    )
