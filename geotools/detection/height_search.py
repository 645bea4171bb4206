"""The head heights of a beam that leave the least dead length, by the detection itself: one search for every step."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geotools.detection.cases import length_of
from geotools.detection.perimeter import Perimeter
from geotools.errors import SiteError
from geotools.plan.model import Zone

__all__ = [
    "SPLASH_M",
    "HeightSearch",
    "HeightTrials",
    "best_heights",
    "dead_length_tried",
    "levels_that_may_move",
    "opened_m",
    "search_heights",
]

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Rain splashes soil this high; a head below it needs hard standing or gravel (common practice, no source).
SPLASH_M = 0.25


class HeightTrials:
    """Dead length of a zone for pairs of heights of one level; each pair, and every other level, is solved once.

    What a pair opens in the neighbouring zones counts as dead length too: no height is good that only moves the gap.
    """

    def __init__(self, perimeter: Perimeter, zone: Zone, level: str) -> None:
        self.perimeter, self.level, self.zone = perimeter, level, zone
        self.ground = perimeter.strip(zone.zone_id)
        self.pair = next(p for p in zone.pairs if p.level == level)
        rest = replace(zone, pairs=tuple(p for p in zone.pairs if p.level != level))
        self.others = perimeter.modulation(rest, self.ground) if rest.pairs else None
        self.found: dict[tuple[float, float], float] = {}

    def own(self, pairs: Sequence[tuple[float, float]]) -> list[dict[str, Array]]:
        """Modulation of all the zone's heads for each pair of heights, transmitter and receiver."""
        alone = replace(self.zone, pairs=(self.pair,))
        moved = self.perimeter.modulations([(alone.with_heights(self.level, *p), self.ground) for p in pairs])
        if self.others is None:
            return moved
        return [{threat: np.maximum(m, self.others[threat]) for threat, m in one.items()} for one in moved]

    def dead_lengths(self, pairs: Sequence[tuple[float, float]]) -> list[float]:
        """Metres that let any threat through for each pair of heights."""
        todo = [p for p in dict.fromkeys(pairs) if p not in self.found]
        for pair, own in zip(todo, self.own(todo) if todo else [], strict=True):
            self.found[pair] = dead_length_tried(self.perimeter, self.zone.zone_id, own)
        return [self.found[p] for p in pairs]


def dead_length_tried(perimeter: Perimeter, zone_id: str, own: Mapping[str, Array]) -> float:
    """Metres of a zone that let any threat through in a case tried, and what it opens in the zones beside.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands.
    zone_id : str
        The zone whose heads are tried.
    own : mapping of str to (n, k) array
        What its own heads give in the case.
    """
    around = perimeter.dead_around({zone_id: own})
    return perimeter.dead_length(zone_id, around.pop(zone_id)) + opened_m(perimeter, around)


def opened_m(perimeter: Perimeter, dead: Mapping[str, Mapping[str, Flags]]) -> float:
    """Metres that let any threat through in a case tried and do not as the perimeter stands.

    Parameters
    ----------
    perimeter : Perimeter
        As it stands.
    dead : mapping of str to mapping of str to (n,) bool
        By zone and threat the stations that are crossed in the case; the zones are those of the perimeter.
    """
    total = 0.0
    for zone_id, then in dead.items():
        new = np.any(list(then.values()), axis=0) & ~np.any(list(perimeter.dead(zone_id).values()), axis=0)
        total += length_of(new, perimeter.grids[zone_id].chainage_m)
    return total


@dataclass(frozen=True)
class HeightSearch:
    """The best pair found and every pair tried.

    Attributes
    ----------
    tx_height_m, rx_height_m : float
        The best pair, m above ground.
    dead_length_m, dead_length_now_m : float
        Dead length with it, and with today's, m.
    tried : (n, 3) array
        Transmitter height, receiver height, dead length.
    """

    tx_height_m: float
    rx_height_m: float
    dead_length_m: float
    dead_length_now_m: float
    tried: np.ndarray


def levels_that_may_move(
    perimeter: Perimeter,
    zone_id: str,
    limits: Mapping[str, tuple[float, float]],
    fixed: Collection[tuple[str, str]] = (),
) -> list[str]:
    """Levels of a zone that have limits and can come down among the silhouettes of the site's threats.

    fixed : zone and level of heads that are locked: they are not among them.
    """
    tallest = max(t.top_m for t in perimeter.rules.targets.values())
    return [
        p.level
        for p in perimeter.zones[zone_id].pairs
        if p.level in limits and limits[p.level][0] < tallest and (zone_id, p.level) not in fixed
    ]


def best_heights(perimeter: Perimeter, zone_id: str, level: str, limits: tuple[float, float]) -> HeightSearch:
    """Heights of one level of a zone with the least dead length; among equals the pair nearest to today's.

    Parameters
    ----------
    perimeter : Perimeter
        With every zone solved as it stands.
    zone_id, level : str
        The zone, and the level of its stack whose heads may move.
    limits : (float, float)
        Lowest and highest height, m above ground; today's heights are allowed in any case.
    """
    trials = HeightTrials(perimeter, perimeter.zones[zone_id], level)
    now = trials.pair.tx_height_m, trials.pair.rx_height_m
    return search_heights(trials.dead_lengths, now, (min(limits[0], *now), max(limits[1], *now)))


def search_heights(
    dead_lengths: Callable[[list[tuple[float, float]]], list[float]],
    now: tuple[float, float],
    limits: tuple[float, float],
    *,
    coarse_m: float = 0.10,
    fine_m: float = 0.05,
    enough_m: float = 0.0,
) -> HeightSearch:
    """Find head heights with the least dead length, and among equals the pair nearest to today's.

    Both heads move together over the whole range first (a lower beam is the common remedy), then each on its own around
    the best, with steps halved down to `fine_m` (heads are not set nearer). The search stops as soon as `enough_m` is
    reached. It is a search, not a proof of the best pair: `tried` shows what was looked at.

    Parameters
    ----------
    dead_lengths : callable
        For pairs of heights above ground, the metres of the line that let somebody through; requested many pairs at a
        time.
    now : (float, float)
        Transmitter and receiver height today, m.
    limits : (float, float)
        Lowest and highest allowed, m above ground.
    coarse_m, fine_m : float
        First and last step of the search, m.
    enough_m : float
        Dead length at which the search stops, m.

    Raises
    ------
    SiteError
        Limits that contradict each other.
    """
    low, high = limits
    if not 0 < low <= high:
        raise SiteError(
            "The head height limits contradict each other.",
            where="head height limits",
            found=f"{low} to {high} m",
            expected="0 < lowest <= highest",
            mend="Correct the limits in the site file.",
        )
    seen: dict[tuple[float, float], float] = {}

    def look(pairs: list[tuple[float, float]]) -> None:
        todo = [p for p in dict.fromkeys(pairs) if p not in seen]
        seen.update(zip(todo, dead_lengths(todo), strict=True))

    def rank(pair: tuple[float, float]) -> tuple[float, float]:
        return seen[pair], round(abs(pair[0] - now[0]) + abs(pair[1] - now[1]), 6)

    best = (round(float(now[0]), 4), round(float(now[1]), 4))
    look([best])
    now_dead = seen[best]
    if now_dead > enough_m:
        together = np.unique(np.round(np.append(np.arange(low, high, coarse_m), high), 4))
        ends = [round(float(h), 4) for h in (low, (low + high) / 2, high)]
        pairs = [(float(h), float(h)) for h in together] + [(a, b) for a in ends for b in ends if a != b]
        look(pairs)
        best = min([best, *pairs], key=rank)
    step = coarse_m
    while seen[best] > enough_m and step >= fine_m - 1e-9:
        moves = [(s * step, t * step) for s in (-1, 0, 1) for t in (-1, 0, 1) if s or t]
        near = [tuple(np.round(np.clip((best[0] + a, best[1] + b), low, high), 4).tolist()) for a, b in moves]
        look(near)
        better = min([best, *near], key=rank)
        if better == best:
            step /= 2
        best = better
    tried = np.array([(*pair, dead) for pair, dead in seen.items()])
    return HeightSearch(best[0], best[1], seen[best], now_dead, tried)
