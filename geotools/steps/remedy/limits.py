"""What the options of a zone may do, and at what price."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from geotools.detection.height_search import HeightSearch
from geotools.earthwork.prices import Prices
from geotools.earthwork.zones import GradeSettings
from geotools.plan.locks import Locks
from geotools.plan.model import BeamPair
from geotools.plan.moving import MoveLimits

__all__ = ["RemedyLimits", "SearchedHeights", "searched_heights"]


@dataclass(frozen=True)
class SearchedHeights:
    """Best heights of one level of a zone, as the layer ``head_heights`` has them.

    Attributes
    ----------
    now, best : (float, float)
        Transmitter's and receiver's height as it was searched and as it is best, m above ground.
    dead_now_m, dead_best_m : float
        Dead length with either, m.
    tried : int
        Pairs of heights that were run.
    """

    now: tuple[float, float]
    best: tuple[float, float]
    dead_now_m: float
    dead_best_m: float
    tried: int

    @classmethod
    def of(cls, found: HeightSearch, now: tuple[float, float]) -> SearchedHeights:
        """What a search from heights of today found."""
        best = found.tx_height_m, found.rx_height_m
        return cls(now, best, found.dead_length_now_m, found.dead_length_m, len(found.tried))

    @property
    def away_m(self) -> float:
        """How far both heads together are moved, m."""
        return abs(self.best[0] - self.now[0]) + abs(self.best[1] - self.now[1])


def searched_heights(rows: pd.DataFrame) -> dict[tuple[str, str], SearchedHeights]:
    """The layer ``head_heights`` by zone and level; rows that lack a figure are left out."""
    figures = ["tx_now_m", "rx_now_m", "tx_best_m", "rx_best_m", "dead_now_m", "dead_best_m", "tried"]
    whole = rows[rows[figures].notna().all(axis=1)]
    return {
        (str(row.zone_id), str(row.level)): SearchedHeights(
            (float(row.tx_now_m), float(row.rx_now_m)),
            (float(row.tx_best_m), float(row.rx_best_m)),
            float(row.dead_now_m),
            float(row.dead_best_m),
            int(row.tried),
        )
        for row in whole.itertuples()
    }


@dataclass(frozen=True)
class RemedyLimits:
    """What the options may do.

    Attributes
    ----------
    settings : GradeSettings
        Limits of heads and earth.
    prices : Prices
        What things cost.
    more : tuple of (BeamPair, (float, float))
        Pairs to add where the stack has none at their level, each with its lowest and highest height, m.
    overlap_m, shortest_m : float
        Of the parts of a zone that is split.
    moves : MoveLimits
        Where the line may be moved to.
    locks : Locks
        What stays as it stands.
    searched : mapping of (str, str) to SearchedHeights
        What the step `heights` found, by zone and level; levels that are missing are searched.
    """

    settings: GradeSettings
    prices: Prices
    more: tuple[tuple[BeamPair, tuple[float, float]], ...] = ()
    overlap_m: float = 8.0
    shortest_m: float = 10.0
    moves: MoveLimits = field(default_factory=MoveLimits)
    locks: Locks = field(default_factory=Locks)
    searched: Mapping[tuple[str, str], SearchedHeights] = field(default_factory=dict)
