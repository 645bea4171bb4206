"""Least earthwork for the zones of a perimeter, each surface tested by a new run of the detection."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from geotools.detection.perimeter import Perimeter, ZoneSetup, straight_ground
from geotools.earthwork.programme import GradingRules, SightLine
from geotools.earthwork.proof import Proof, ProvenGrading, grade_until_proven, spread
from geotools.earthwork.water import flood
from geotools.errors import InfeasibleError
from geotools.terrain.design import DesignSurface, Kept, StripCells

__all__ = ["GradeSettings", "ZoneGrading", "grade_group", "strip_groups"]

# how much nearer today's ground may come to a beam that is lowered, where the model has not complained yet
_MORE_CREST_M = 0.05
#: Ground beside a dead spot that is held too in the first round, m.
_REACH_M = 6.0
_POST_RADIUS_M = 0.6  # foundations keep their ground (common practice, no source)


@dataclass(frozen=True)
class GradeSettings:
    """How zones are graded.

    rules : slopes, prices, balance. under_m : half width of the ground that has to follow the line, about the radius of
    the first Fresnel zone. batter_m : ground on both sides of it that may be worked to tie in.
    tolerance_m : metres from straight first asked for, by threat. height_limits : lowest and highest head height by
    level; a level that is missing keeps its heads where they are. keep_fall : keep every flow path falling by
    `rules.min_fall`. headroom : share of the threshold that graded ground keeps in hand, for it is never built exactly.
    """

    rules: GradingRules
    tolerance_m: Mapping[str, float]
    under_m: float = 1.0
    batter_m: float = 2.0
    height_limits: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    keep_fall: bool = False
    max_rounds: int = 10
    headroom: float = 0.1


@dataclass(frozen=True)
class ZoneGrading:
    """What grading a group of zones came to.

    zones : the zones with their heads at the heights the design stands on. strip : cells; design : (n,) levels,
    existing where nothing was found. proofs : one per zone, by the model on the design. made : None where no surface
    satisfies the limits; reason says why or what the proof said.
    """

    zones: tuple[ZoneSetup, ...]
    strip: StripCells
    design: np.ndarray
    proofs: tuple[Proof, ...]
    proven: bool
    rounds: int
    reason: str
    made: ProvenGrading | None

    def own(self, zone_id: str) -> npt.NDArray[np.bool_]:
        """The cells of the strip that are nearest to one of the zones."""
        away = []
        for zone in self.zones:
            along, off = zone.line.from_map(self.strip.x, self.strip.y)
            away.append(np.hypot(off, np.maximum(np.maximum(-along, along - zone.line.length), 0.0)))
        return np.argmin(away, axis=0) == [zone.zone_id for zone in self.zones].index(zone_id)

    def volumes(self, mine: npt.NDArray[np.bool_] | None = None) -> tuple[float, float, float, float]:
        """Cut m3, fill m3, worked area m2 and greatest depth m, over all cells or those given."""
        change = self.design - self.strip.cells.ground
        if mine is not None:
            change = change[mine]
        a = self.strip.cells.area
        moved = np.abs(change) > 1e-4
        depth = float(np.abs(change).max()) if len(change) else 0.0
        cut = np.abs(change[change < 0]).sum() * a  # no minus before nothing
        return float(cut), float(change[change > 0].sum() * a), float(moved.sum() * a), depth


@dataclass(frozen=True)
class _Demand:
    """What a zone's surface has to stand up to.

    hopeless, tight : by threat, stations that would let it through on straight ground too, at the threshold and with
    the headroom; no grading mends those. near : stations that must keep the headroom.
    """

    hopeless: Mapping[str, npt.NDArray[np.bool_]]
    tight: Mapping[str, npt.NDArray[np.bool_]]
    near: npt.NDArray[np.bool_]


def _demand(
    perimeter: Perimeter, zone: ZoneSetup, flat: dict[str, np.ndarray], today: dict[str, np.ndarray], headroom: float
) -> _Demand:
    """What is asked of a zone; flat, today : modulation of its heads on straight ground and on the ground as it is."""
    open_ = perimeter.dead(zone.zone_id, today)
    chainage = perimeter.grids[zone.zone_id].chainage_m
    return _Demand(
        perimeter.dead(zone.zone_id, flat),
        perimeter.dead(zone.zone_id, flat, headroom=headroom),
        spread(chainage, np.any(list(open_.values()), axis=0), _REACH_M),
    )


def _proof(
    perimeter: Perimeter, zone: ZoneSetup, own: dict[str, np.ndarray], demand: _Demand, headroom: float
) -> Proof:
    """What the model says of a zone to the grading loop; own : modulation of its heads on the ground tried."""
    dead = perimeter.dead(zone.zone_id, own)
    mend = np.any([d & ~demand.hopeless[threat] for threat, d in dead.items()], axis=0)
    lost = np.any([d & demand.hopeless[threat] for threat, d in dead.items()], axis=0)
    if headroom > 0:
        thin = perimeter.dead(zone.zone_id, own, headroom=headroom)
        mend |= demand.near & np.any([d & ~demand.tight[threat] for threat, d in thin.items()], axis=0)
    return Proof(perimeter.grids[zone.zone_id].chainage_m, mend, lost & ~mend)


def grade_group(
    perimeter: Perimeter,
    surface: DesignSurface,
    zones: Sequence[ZoneSetup],
    settings: GradeSettings,
    *,
    keep: Kept | None = None,
) -> ZoneGrading:
    """Grade one zone, or several whose strips overlap, with one programme; `surface` is not changed.

    zones : with their heads as they would stand; the lowest pair is the one whose line the ground follows.
    keep : read by rows and columns of the surface, True where nothing may be moved.
    """
    half = settings.under_m
    posts = [(x, y, _POST_RADIUS_M) for z in zones for x, y in ((z.line.x0, z.line.y0), (z.line.x1, z.line.y1))]
    strip = surface.strip_cells({z.zone_id: z.line for z in zones}, half + settings.batter_m, keep=keep, keep_off=posts)
    levels = {z.zone_id: perimeter.levels(z.zone_id, surface) for z in zones}
    margin = settings.headroom
    today = perimeter.modulations([(z, perimeter.strip(z.zone_id, surface)) for z in zones])
    straight = [_straight(perimeter, z, settings) for z in zones]
    demands = [
        _demand(perimeter, z, flat, now, margin) for z, (flat, _), now in zip(zones, straight, today, strict=True)
    ]
    first = [_proof(perimeter, z, now, d, margin) for z, now, d in zip(zones, today, demands, strict=True)]
    tolerance = min(settings.tolerance_m[t] for t in perimeter.rules.targets)
    lines = [
        _sight_line(z, levels[z.zone_id], strip, half, tolerance, move)
        for z, (_, move) in zip(zones, straight, strict=True)
    ]
    rules = settings.rules
    if settings.keep_fall:
        rules = GradingRules(
            cut_cost=rules.cut_cost,
            fill_cost=rules.fill_cost,
            max_slope=rules.max_slope,
            receiver=_receivers(surface, strip),
            min_fall=rules.min_fall,
            balance=rules.balance,
        )

    def settled(ends: np.ndarray) -> list[ZoneSetup]:
        return [_with_ends(z, line, e) for z, line, e in zip(zones, lines, ends, strict=True)]

    def prove(design: np.ndarray, ends: np.ndarray) -> list[Proof]:
        trial = surface.around(strip)
        trial.apply(strip, design)
        moved = settled(ends)
        owns = perimeter.modulations([(z, perimeter.strip(z.zone_id, trial)) for z in moved])
        return [_proof(perimeter, z, own, d, margin) for z, own, d in zip(moved, owns, demands, strict=True)]

    lengths = [z.line.length for z in zones]
    try:
        made = grade_until_proven(
            strip.cells,
            lines,
            lengths,
            rules,
            prove,
            tolerance=tolerance,
            first=first,
            reach=_REACH_M,
            max_rounds=settings.max_rounds,
        )
    except InfeasibleError as problem:
        reason = f"{problem.what} At {problem.where}: {problem.found}."
        return ZoneGrading(tuple(zones), strip, strip.cells.ground.copy(), tuple(first), False, 0, reason, None)
    return ZoneGrading(
        tuple(settled(made.grading.ends)),
        strip,
        made.grading.design,
        tuple(made.proofs),
        made.proven,
        made.rounds,
        made.reason,
        made,
    )


def strip_groups(zones: Sequence[ZoneSetup], reach_m: float, most: int = 4) -> list[list[ZoneSetup]]:
    """Runs of zones whose strips overlap, at most `most` together: one programme each."""
    groups: list[list[ZoneSetup]] = []
    for zone in zones:
        area = zone.line.rectangle(0.0, zone.line.length, reach_m)
        last = groups[-1] if groups else None
        near = last is not None and last[-1].line.rectangle(0.0, last[-1].line.length, reach_m).intersects(area)
        if last is not None and near and len(last) < most:
            last.append(zone)
        else:
            groups.append([zone])
    return groups


def _straight(
    perimeter: Perimeter, zone: ZoneSetup, settings: GradeSettings
) -> tuple[dict[str, np.ndarray], tuple[float, float]]:
    """The zone's modulation on straight ground, and how far down (negative) and up its lowest heads may move.

    A move that would blind straight ground beside the heads is no use: then half, then a quarter of the way to the
    limit is tried, and none where that does too.
    """
    pair = zone.pairs[0]
    rest = replace(zone, pairs=zone.pairs[1:])
    heights = np.array([pair.tx_height_m, pair.rx_height_m])
    low, high = settings.height_limits.get(pair.level, (float(heights.min()), float(heights.max())))
    span = min(low - float(heights.min()), 0.0), max(high - float(heights.max()), 0.0)
    moves = [share * end for end in span for share in (1.0, 0.5, 0.25) if end]
    flat = straight_ground(perimeter.grids[zone.zone_id], perimeter.levels(zone.zone_id))
    alone = replace(zone, pairs=(pair,))
    cases = [alone.with_heights(pair.level, *(heights + move)) for move in (0.0, *moves)]
    if rest.pairs:
        cases.append(rest)
    solved = perimeter.modulations([(case, flat) for case in cases])
    others = solved.pop() if rest.pairs else None
    owns = [m if others is None else {t: np.maximum(m[t], others[t]) for t in m} for m in solved]
    blind = [np.any(list(perimeter.dead(zone.zone_id, own).values()), axis=0) for own in owns]
    fits = [move for move, b in zip(moves, blind[1:], strict=True) if not (b & ~blind[0]).any()]
    return owns[0], (min([0.0, *fits]), max([0.0, *fits]))


def _sight_line(
    zone: ZoneSetup, level: np.ndarray, strip: StripCells, half: float, clearance: float, move: tuple[float, float]
) -> SightLine:
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


def _with_ends(zone: ZoneSetup, line: SightLine, ends: np.ndarray) -> ZoneSetup:
    pair = zone.pairs[0]
    return zone.with_heights(
        pair.level,
        pair.tx_height_m + float(ends[0] - line.ends[0]),
        pair.rx_height_m + float(ends[1] - line.ends[1]),
    )


def _receivers(surface: DesignSurface, strip: StripCells) -> np.ndarray:
    """For each cell of the strip the cell of the strip its water goes to, itself where it goes elsewhere."""
    margin = 10
    rows, columns = surface.change.shape
    r0, c0 = max(strip.row.min() - margin, 0), max(strip.column.min() - margin, 0)
    r1, c1 = min(strip.row.max() + margin + 1, rows), min(strip.column.max() + margin + 1, columns)
    level = surface.sample(*surface.centres(np.arange(r0, r1)[:, None], np.arange(c0, c1)[None, :]))
    number = np.full(level.shape, -1)
    number[strip.row - r0, strip.column - c0] = np.arange(len(strip.row))
    flat = (strip.row - r0) * level.shape[1] + strip.column - c0
    there = number.ravel()[flood(level).receiver[flat]]
    return np.where(there >= 0, there, np.arange(len(flat)))
