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
from geotools.detection.nuisance import Answered, ZoneNuisance, nuisance_of
from geotools.detection.operating import OperatingWindow
from geotools.detection.perimeter import Perimeter
from geotools.detection.unknowns import Unknowns, drawn_modulation
from geotools.plan.locks import Locks
from geotools.plan.model import BeamPair, Zone
from geotools.plan.moving import (
    MoveLimits,
)
from geotools.site import SitePrices

__all__ = ["Opening", "OpeningLimits", "OpeningTrial", "best_opening", "widest"]

Array = npt.NDArray[np.float64]

#: Less than this, dB, is no better window: both sides are no surer than that.
_WORTH_DB = 3.0
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
            low = self._low(trial, zone.zone_id) if confident else None
            windows.append(self.places.window(trial, zone.zone_id, around[zone.zone_id], low))
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
    return every, widest(trial.window, every) if best is None else best


def widest(window: OperatingWindow, found: Sequence[Opening]) -> Opening | None:
    """The change that leaves the widest window, open before narrow; None where none is better than what stands."""
    better = [o for o in found if o.kept and o.window.width_db > max(window.width_db, 0.0) + _WORTH_DB]
    return max(better, key=lambda o: (o.state == "open", o.window.width_db), default=None)
