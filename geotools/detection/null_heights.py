"""Head heights whose standing level falls into no ground-reflection null, nor with posts settled a little.

Over smooth ground a two-ray screen says which pairs of heads and which other heights are worth a look; levels are the
solver's, and what a pair detects is the perimeter's answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from geotools.beam import HeadType
from geotools.beam.standing import CLEAR_DB, NULL_DB, TwoRayPath
from geotools.beam.wave import solve_beams
from geotools.detection.cases import Rules, length_of
from geotools.detection.height_search import HeightTrials
from geotools.detection.perimeter import Perimeter
from geotools.plan.model import BeamPair, Zone
from geotools.terrain.design import Ground

__all__ = ["NullFinding", "NullRules", "find_nulls", "lengths_in_null"]

#: Heads are set in steps of this, m.
_STEP_M = 0.05
#: Least distance of two heads on a post where they do not stand closer already, m.
_APART_M = 0.2
#: Spacing of the ground under a beam that the screen looks at, and of the lengths of zone, m.
_SPACING_M, _LENGTHS_M = 1.0, 0.5
#: Ground less than this off its straight line, rms, is smooth: there the screen is as good as the solver, m.
_SMOOTH_M = 0.01
#: Dead lengths closer than this are the same, m.
_SAME_M = 1e-6


@dataclass(frozen=True)
class NullRules:
    """What heads may do to leave a null.

    Attributes
    ----------
    limits : mapping of str to (float, float)
        Lowest and highest height by level of the stack, m above ground.
    settle_m : float
        How far either head may come to stand higher or lower, m.
    ends_m : float
        Length at either end of a zone that its neighbours detect in, m.
    """

    limits: Mapping[str, tuple[float, float]]
    settle_m: float
    ends_m: float


@dataclass(frozen=True)
class NullFinding:
    """A pair of heads whose level is low: it stands in a null, comes to when its posts settle, or grazes its ground.

    Attributes
    ----------
    zone_id, level : str
        Of the pair.
    tx_height_m, rx_height_m : float
        As it stands, m above ground.
    level_db, settled_db : float
        Its standing level, and the least with both heads settled within the rules, dB.
    clear_m : float or None
        Nearest height of both heads that stays out of nulls and detects no less; None where there is none.
    clear_db : float or None
        Least standing level there, dB.
    dead_more_m : float or None
        Where heights leave the null but detect less, the metres more that the best of them leaves undetected.
    grazes : bool
        Whether it is weak because it grazes the ground, and no reflection cancels it.
    """

    zone_id: str
    level: str
    tx_height_m: float
    rx_height_m: float
    level_db: float
    settled_db: float
    clear_m: float | None
    clear_db: float | None
    dead_more_m: float | None
    grazes: bool = False


def find_nulls(zone: Zone, ground: Ground, rules: Rules, null: NullRules) -> tuple[Zone, list[NullFinding]]:
    """Pairs of heads of a zone whose level is low, and the zone with those set to other heights that can leave a null.

    Parameters
    ----------
    zone : Zone
        By itself; what its neighbours detect is left to `NullRules.ends_m`.
    ground : Ground
        Whatever has levels. Of a zone whose ground is not known everywhere nothing is said.
    rules : Rules
        When somebody is detected.
    null : NullRules
        Limits of the heights, and what may settle.

    Over ground less than 0.01 m (rms) off its straight line the screen says which pairs are solved; over rougher ground
    every pair is, and settled as well where its level is low, or the screen comes near a null with heads moved by twice
    that roughness further.
    """
    at = np.linspace(0.0, zone.line.length, max(int(zone.line.length / _SPACING_M), 3) + 1)
    level = ground.sample(*zone.line.to_map(at, np.zeros(at.size)))
    if not np.isfinite(level).all():
        return zone, []
    found: list[NullFinding] = []
    for name in [pair.level for pair in zone.pairs]:
        pair = next(pair for pair in zone.pairs if pair.level == name)
        path = TwoRayPath.over(pair.head_type, at, level)
        heights = pair.tx_height_m, pair.rx_height_m
        near = _near_null(path, heights, null)
        if not near and path.rough_m < _SMOOTH_M:
            continue
        search = _Search(zone, pair, path, ground, rules, null)
        one = search.finding(near=near)
        if one is not None:
            found.append(one)
            if one.clear_m is not None and not one.grazes:
                zone = zone.with_heights(name, one.clear_m, one.clear_m)
    return zone, found


def _near_null(path: TwoRayPath, heights: tuple[float, float], null: NullRules) -> bool:
    """Whether a pair may stand in a null when its heads settle, by the screen."""
    moved = null.settle_m + 2 * path.rough_m
    return bool(path.interferes(*heights) and path.settled(*heights, moved)[0] < CLEAR_DB)


class _Search:
    """The heights of one pair of heads of a zone by itself, each solved on the ground it stands on."""

    def __init__(
        self, zone: Zone, pair: BeamPair, path: TwoRayPath, ground: Ground, rules: Rules, null: NullRules
    ) -> None:
        self.zone, self.pair, self.path, self.null = zone, pair, path, null
        self.perimeter = Perimeter([zone], ground, rules)

    def finding(self, *, near: bool) -> NullFinding | None:
        """What is wrong with the pair and what helps; None where nothing is wrong or the ground is not known.

        near : whether a null may come near when heads settle; else they are settled where the level is low as it is.
        """
        zone_id, now = self.zone.zone_id, (self.pair.tx_height_m, self.pair.rx_height_m)
        if not np.isfinite(self.perimeter.levels(zone_id)).all():
            return None
        level_db, settled_db = self._levels_db(now, settled=near)
        if not near and level_db < CLEAR_DB:
            settled_db = self._levels_db(now, settled=True)[1]
        if settled_db >= NULL_DB:
            return None
        grazes = not bool(self.path.interferes(*now))
        more: float | None = None
        for height in self._heights():
            _, clear_db = self._levels_db((height, height), settled=True)
            if clear_db < NULL_DB:
                continue
            dead = self._dead_m((height, height)) - self._dead_now
            if dead <= _SAME_M:
                return NullFinding(zone_id, self.pair.level, *now, level_db, settled_db, height, clear_db, None, grazes)
            more = dead if more is None else min(more, dead)
        return NullFinding(zone_id, self.pair.level, *now, level_db, settled_db, None, None, more, grazes)

    def _levels_db(self, heights: tuple[float, float], *, settled: bool) -> tuple[float, float]:
        """Standing level at two heights, and the least with both heads moved as far as they may settle, dB."""
        s, low = self.null.settle_m, min(heights)
        moves = [0.0]
        if settled and self.path.rough_m < _SMOOTH_M:
            moves += [-s, float(self.path.settled(*heights, s)[1]), s]
        elif settled:
            moves += self.path.moves_m(*heights, s)
        moves = [0.0, *dict.fromkeys(move for move in moves if abs(move) > 1e-9 and low + move > 0.05)]
        strip = self.perimeter.strip(self.zone.zone_id)
        fields = solve_beams([strip.beam(self.pair.head_type, *(h + move for h in heights)) for move in moves])
        levels = [field.standing_level_db for field in fields]
        return levels[0], min(levels)

    def _heights(self) -> list[float]:
        """Heights within the limits, over smooth ground those that the screen finds clear, the nearest first, of two as
        near the lower.
        """
        low, high = self.null.limits.get(self.pair.level, (0.0, -1.0))
        first, last = np.ceil(low / _STEP_M - 1e-9), np.floor(high / _STEP_M + 1e-9)
        now = (self.pair.tx_height_m + self.pair.rx_height_m) / 2
        tried = [round(float(step) * _STEP_M, 4) for step in np.arange(first, last + 1)]
        tried = [height for height in tried if abs(height - now) > 1e-6 and self._among(height, now)]
        if tried and self.path.rough_m < _SMOOTH_M:
            clear = self.path.settled(tried, tried, self.null.settle_m)[0] >= CLEAR_DB
            tried = np.array(tried)[clear].tolist()
        return sorted(tried, key=lambda height: (round(abs(height - now), 4), height))

    def _among(self, height: float, now: float) -> bool:
        """Whether there is room for a head there beside the others on the post, in the order they stand in."""
        for other in self.zone.pairs:
            stands = (other.tx_height_m + other.rx_height_m) / 2
            if other.level != self.pair.level:
                away, before = (height - stands) * np.sign(now - stands), abs(now - stands)
                if away < min(_APART_M, before):
                    return False
        return True

    @cached_property
    def _trials(self) -> HeightTrials:
        return HeightTrials(self.perimeter, self.zone, self.pair.level)

    @cached_property
    def _dead_now(self) -> float:
        return self._dead_m((self.pair.tx_height_m, self.pair.rx_height_m))

    def _dead_m(self, heights: tuple[float, float]) -> float:
        """Metres between the ends that let any threat through, by the zone's own heads."""
        zone_id = self.zone.zone_id
        (own,) = self._trials.own([heights])
        x = self.perimeter.grids[zone_id].chainage_m
        inner = (x >= self.null.ends_m) & (x <= x[-1] - self.null.ends_m)
        dead = np.any(list(self.perimeter.dead(zone_id, own).values()), axis=0)
        return length_of(dead & inner, x)


def lengths_in_null(
    head_type: HeadType, limits: tuple[float, float], longest_m: float, settle_m: float
) -> npt.NDArray[np.bool_]:
    """Whether every height within limits stands in a null over level ground, by the screen; (n,), every 0.5 m from 0.

    Parameters
    ----------
    head_type : HeadType
        Of the pair.
    limits : (float, float)
        Lowest and highest height, m.
    longest_m : float
        Longest zone, m.
    settle_m : float
        How far either head may come to stand higher or lower, m.
    """
    length = np.arange(0.0, longest_m + _LENGTHS_M, _LENGTHS_M)
    heights = np.append(np.arange(limits[0], limits[1], _STEP_M), limits[1])
    path = TwoRayPath(head_type, np.maximum(length, 1.0)[:, None])
    null = (path.settled(heights, heights, settle_m)[0] < NULL_DB) & path.interferes(heights, heights)
    return np.asarray(null.all(axis=1))
