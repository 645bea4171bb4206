"""What opens a zone's window: changes tried on the same detection and the same field, priced, the cheapest first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from geotools.beam import HeadType
from geotools.beam.movers import Mover
from geotools.corridor import BeamLine
from geotools.detection.cases import reaches
from geotools.detection.certainty import confident_weakest
from geotools.detection.height_search import opened_m
from geotools.detection.mover_places import MoverPlaces
from geotools.detection.nuisance import Answered, ZoneNuisance, nuisance_of, reach_of
from geotools.detection.operating import OperatingWindow, WeakestCrossing, window_of
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Unknowns, drawn_modulation
from geotools.plan.locks import Locks
from geotools.plan.model import BeamPair, Zone
from geotools.plan.moving import (
    MoveLimits,
    move_words,
    moved_sideways,
    parts_of,
    places_beside,
    row_of,
    row_places,
    with_row,
)
from geotools.site import SitePrices

__all__ = ["Opening", "OpeningLimits", "best_opening", "keep_away", "openings"]

Array = npt.NDArray[np.float64]

#: Changes of the heights of both heads of a level that are tried, m.
_HEIGHTS_M = (-0.1, 0.1, -0.2, 0.2)
#: Less than this, dB, is no better window: both sides are no surer than that.
_WORTH_DB = 3.0
#: Spacing of the places that a whole row is moved to, m.
_ROW_M = 1.0
#: Changes, the cheapest first, that are tried with what is not known exactly too.
_CONFIRMED = 4


@dataclass(frozen=True)
class OpeningLimits:
    """What may be changed.

    moves : where lines may be moved to. heights : by level its lowest and highest height, m. heads : kinds at hand.
    overlap_m, shortest_m : of parts of a zone. prices : of the site. reach_m : how far movers are looked for, m.
    larger : share by which movers may be larger. locks : what no change may touch.
    """

    moves: MoveLimits
    heights: Mapping[str, tuple[float, float]]
    heads: Mapping[str, HeadType]
    overlap_m: float
    shortest_m: float
    prices: SitePrices
    reach_m: float
    larger: float
    locks: Locks = field(default_factory=Locks)


@dataclass(frozen=True)
class Opening:
    """One change of a zone.

    zones : in its place; empty where no head is touched. beside : other zones that are moved with it. cost : None where
    the site file has no price for it.
    windows : of those zones after it; the narrowest counts. opened_m : dead length that it opens beside, m.
    """

    option: str
    words: str
    zones: tuple[Zone, ...]
    cost: float | None
    windows: tuple[OperatingWindow, ...]
    opened_m: float = 0.0
    beside: tuple[Zone, ...] = ()

    @property
    def window(self) -> OperatingWindow:
        """The narrowest window after the change."""
        return min(self.windows, key=lambda one: one.width_db)

    @property
    def state(self) -> str:
        """State of the narrowest window; nothing is opened by what opens a gap beside it."""
        return "empty" if self.opened_m > 0.0 else min(self.windows, key=_rank).state

    @property
    def kept(self) -> bool:
        """Whether every window is left with room, and every crossing still reaches the site's threshold."""
        return self.state != "empty" and all(reaches(one.weakest.modulation, one.threshold) for one in self.windows)


def _rank(window: OperatingWindow) -> int:
    return ("empty", "narrow", "open").index(window.state)


class OpeningTrial:
    """One zone, and the windows that changes of it have."""

    def __init__(
        self,
        perimeter: Perimeter,
        zone_id: str,
        window: OperatingWindow,
        places: MoverPlaces,
        unknowns: Unknowns,
        limits: OpeningLimits,
        nuisance: ZoneNuisance | None = None,
    ) -> None:
        self.perimeter, self.zone = perimeter, perimeter.zones[zone_id]
        self.window, self.places, self.unknowns, self.limits = window, places, unknowns, limits
        # all of them: what is weak beside the zone as it stands may be strong beside what takes its place
        self.movers: dict[str, Mover] = {one.mover.name: one.mover for one in window.nuisance}
        # every change leaves most heads as they stand: each pair on its line is solved once for all changes
        self._beside: Answered = nuisance.answered(self.zone, list(self.movers)) if nuisance is not None else {}
        self._given: dict[tuple[BeamLine, BeamPair], dict[str, Array]] = {}

    def tried(
        self, option: str, words: str, zones: tuple[Zone, ...], cost: float, beside: tuple[Zone, ...] = ()
    ) -> Opening:
        """A change by the best estimate."""
        return self._solved(Opening(option, words, zones, cost, (), beside=beside), confident=False)

    def confirmed(self, opening: Opening) -> Opening:
        """The same change with what is not known exactly."""
        return self._solved(opening, confident=True)

    def _solved(self, opening: Opening, *, confident: bool) -> Opening:
        moved = {zone.zone_id: (zone,) for zone in opening.beside}
        trial = self.perimeter.with_zones({self.zone.zone_id: opening.zones, **moved})
        names = [zone.zone_id for zone in opening.zones]
        around = nuisance_of(
            trial,
            names,
            self.movers,
            self.limits.reach_m,
            larger=self.limits.larger,
            aim_deg=self.unknowns.aim_deg,
            answered=self._beside,
        )
        self._solve(trial, opening.zones)
        windows = []
        for zone in opening.zones:
            threat, met = trial.weakest_threat(zone.zone_id)
            low = self._low(trial, zone.zone_id) if confident else None
            weakest = WeakestCrossing(threat, met, float("nan"), low)
            found = [placed.found for placed in self.places.of_zone(zone, around[zone.zone_id])]
            windows.append(window_of(zone.zone_id, weakest, found, trial.rules.threshold))
        near_by = {near for one in (self.zone.zone_id, *moved) for near in self.perimeter.neighbours(one)}
        beside = {near: trial.dead(near) for near in sorted((near_by | set(moved)) - {self.zone.zone_id})}
        return replace(opening, windows=tuple(windows), opened_m=opened_m(self.perimeter, beside))

    def _solve(self, trial: Perimeter, zones: Sequence[Zone]) -> None:
        """Give a trial what its zones' own heads detect, from pairs of heads that are solved once."""
        todo = {
            (zone.line, pair): (replace(zone, pairs=(pair,)), trial.strip(zone.zone_id))
            for zone in zones
            for pair in zone.pairs
            if (zone.line, pair) not in self._given
        }
        self._given.update(zip(todo, trial.modulations(list(todo.values())), strict=True))
        for zone in zones:
            each = [self._given[zone.line, pair] for pair in zone.pairs]
            trial.hold(zone.zone_id, {name: np.max([one[name] for one in each], axis=0) for name in each[0]})

    def _low(self, trial: Perimeter, zone_id: str) -> float | None:
        if self.unknowns.survey is None or self.unknowns.draws == 0:
            return None
        worlds = drawn_modulation(trial, zone_id, self.unknowns, range(self.unknowns.draws))
        known = [value for value in confident_weakest(trial, zone_id, worlds).values() if value is not None]
        return min(known) if known else None


def openings(trial: OpeningTrial) -> list[Opening]:
    """Every change that applies to the zone and that nothing locked bars, by the best estimate.

    A line is moved step by step away from the mover until its window is open; nearer places cost the same.
    """
    zone, limits, prices = trial.zone, trial.limits, trial.limits.prices
    found = _of_heads(trial)
    found += [] if limits.locks.keeps_posts(zone.zone_id) else _moved(trial)
    if not any(one.option == "move_line" and one.state == "open" for one in found):
        found += _row_moved(trial)
    if limits.locks.keeps_whole(zone.zone_id):
        return found
    for parts in (2, 3):
        if zone.line.length / parts < limits.shortest_m:
            break
        cuts = tuple(zone.line.length * k / parts for k in range(1, parts))
        price = (parts - 1) * (2 * prices.post + 2 * len(zone.pairs) * prices.head)
        zones = parts_of(zone, cuts, limits.overlap_m / 2)
        zones = zones if zone.forward else zones[::-1]  # in the fence line's order
        opening = trial.tried("shorter_zones", f"{parts} zones in the place of one", zones, price)
        found.append(opening)
        if opening.state != "empty":
            break
    return found


def _of_heads(trial: OpeningTrial) -> list[Opening]:
    zone, limits = trial.zone, trial.limits
    found = []
    for pair in [pair for pair in zone.pairs if (zone.zone_id, pair.level) not in limits.locks.fixed]:
        low, high = limits.heights.get(pair.level, (pair.tx_height_m, pair.tx_height_m))
        for by in _HEIGHTS_M:
            heights = pair.tx_height_m + by, pair.rx_height_m + by
            if low - 1e-9 <= min(heights) and max(heights) <= high + 1e-9:
                words = f"set both {pair.level} heads to {heights[0]:.2f} and {heights[1]:.2f} m"
                changed = zone.with_heights(pair.level, *heights)
                found.append(trial.tried("set_heads", words, (changed,), 2 * limits.prices.set_head))
        for name, kind in limits.heads.items():
            if kind.beamwidth_az_deg < pair.head_type.beamwidth_az_deg and kind.max_range_m >= zone.line.length:
                pairs = tuple(replace(p, head_type=kind) if p is pair else p for p in zone.pairs)
                words = f"heads of type {name}, {kind.beamwidth_az_deg:g} degrees wide, at level {pair.level}"
                changed = replace(zone, pairs=pairs)
                found.append(trial.tried("narrower_heads", words, (changed,), 2 * limits.prices.head))
    return found


def _moved(trial: OpeningTrial) -> list[Opening]:
    zone, prices, first = trial.zone, trial.limits.prices, trial.window.nuisance[0]
    away = -1.0 if first.offset_m > 0.0 else 1.0
    price = 2 * prices.post + 2 * len(zone.pairs) * prices.set_head
    found: list[Opening] = []
    for offset in places_beside(zone, trial.limits.moves, trial.perimeter.rules.half_width_m):
        if offset * away <= 0.0:
            continue
        zones = (moved_sideways(zone, offset),)
        found.append(trial.tried("move_line", move_words(offset), zones, price))
        after = found[-1].window
        if found[-1].state != "empty" and after.weakest.modulation > after.above_high * 1.5:
            break
    return found


def _row_moved(trial: OpeningTrial) -> list[Opening]:
    """The whole row of zones moved away from the mover, so that no zone leaves the line of its neighbours."""
    zone, prices, first = trial.zone, trial.limits.prices, trial.window.nuisance[0]
    along = [one for one in trial.perimeter.zones.values() if one.fence_id == zone.fence_id]
    row = row_of(along, zone.zone_id, zone.fence_id in trial.perimeter.closed)
    if len(row) < 2 or any(trial.limits.locks.keeps_posts(one.zone_id) for one in row):
        return []
    away = -1.0 if first.offset_m > 0.0 else 1.0
    price = sum(2 * prices.post + 2 * len(one.pairs) * prices.set_head for one in row)
    found: list[Opening] = []
    for offset in row_places(row, zone.zone_id, trial.limits.moves, trial.limits.reach_m / 2.0, _ROW_M):
        if offset * away <= 0.0:
            continue
        moved = with_row(row, zone.zone_id, offset)
        own = moved.pop(zone.zone_id)
        names = ", ".join(sorted(moved))
        words = f"{move_words(offset)}, and those of {names} with them, as one row"
        found.append(trial.tried("move_row", words, (own,), price, tuple(moved.values())))
        after = found[-1].window
        if found[-1].state != "empty" and after.weakest.modulation > after.above_high * 1.5:
            break
    return found


def keep_away(trial: OpeningTrial, nuisance: ZoneNuisance) -> Opening | None:
    """The strongest mover kept farther from the beam line, where it is one of the user's features that can be moved."""
    first = trial.window.nuisance[0]
    limit = min(trial.window.below_low, trial.window.weakest.modulation)
    if first.mover.place == "strip" or limit <= 0.0:
        return None
    number = list(nuisance.movers).index(first.mover.name)
    left, right = reach_of(nuisance.high[:, number].max(axis=0), nuisance.grid.offset_m, limit)
    off = float((left if first.offset_m > 0.0 else right).max()) + trial.places.accuracy_m
    words = (
        f"keep {first.mover.name} {off:.1f} m or more from the beam line "
        f"({abs(first.offset_m):.1f} m now), by a barrier or by moving its way"
    )
    rest = tuple(one for one in trial.window.nuisance if one.mover.name != first.mover.name)
    return Opening("keep_away", words, (), None, (replace(trial.window, nuisance=rest),))


def best_opening(trial: OpeningTrial, found: Sequence[Opening]) -> tuple[list[Opening], Opening | None]:
    """The changes with the cheapest ones confirmed, and the one to take: the cheapest that opens the window, else the
    one that opens it furthest; None where nothing is better than what stands."""
    priced = sorted((one for one in found if one.cost is not None), key=lambda o: (o.cost, -o.window.width_db))
    rest = [one for one in found if one.cost is None]
    hopeful = [o for o in priced if o.kept and o.window.weakest.modulation > o.window.above_high]
    done: dict[int, Opening] = {}
    best: Opening | None = None
    for one in hopeful[:_CONFIRMED]:
        done[id(one)] = sure = trial.confirmed(one)
        if sure.state == "open":
            best = sure
            break
    every = [done.get(id(one), one) for one in priced] + rest
    if best is None:
        better = [o for o in every if o.kept and o.window.width_db > max(trial.window.width_db, 0.0) + _WORTH_DB]
        best = max(better, key=lambda o: (o.state == "open", o.window.width_db), default=None)
    return every, best
