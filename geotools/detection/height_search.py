"""Dead stations of one zone for many heights of one level of its stack."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from geotools.detection.perimeter import Perimeter, ZoneSetup

__all__ = ["HeightTrials", "height_pairs", "trials_of"]


class HeightTrials:
    """Dead stations of a zone for pairs of heights of one level; each pair, and every other level, is solved once."""

    def __init__(self, perimeter: Perimeter, zone: ZoneSetup, level: str) -> None:
        self.perimeter, self.level, self.zone = perimeter, level, zone
        self.ground = perimeter.strip(zone.zone_id)
        self.pair = next(p for p in zone.pairs if p.level == level)
        rest = replace(zone, pairs=tuple(p for p in zone.pairs if p.level != level))
        self.others = perimeter.modulation(rest, self.ground) if rest.pairs else None
        self.seen: dict[tuple[float, float], dict[str, np.ndarray]] = {}

    def dead(self, pairs: Sequence[tuple[float, float]]) -> list[dict[str, np.ndarray]]:
        """Dead stations of each threat for each pair of heights, transmitter and receiver."""
        todo = [p for p in dict.fromkeys(pairs) if p not in self.seen]
        alone = replace(self.zone, pairs=(self.pair,))
        cases = [(alone.with_heights(self.level, *p), self.ground) for p in todo]
        for pair, moved in zip(todo, self.perimeter.modulations(cases) if cases else [], strict=True):
            rest = self.others
            own = moved if rest is None else {threat: np.maximum(m, rest[threat]) for threat, m in moved.items()}
            self.seen[pair] = self.perimeter.dead(self.zone.zone_id, own)
        return [self.seen[p] for p in pairs]


def height_pairs(
    now: tuple[float, float], limits: tuple[float, float], step_m: float = 0.05
) -> list[tuple[float, float]]:
    """Pairs of heights worth trying: both heads alike in steps over the range, then each end low, middle or high.

    Nearest to today's first within each of the two.
    """
    low, high = limits

    def near(pair: tuple[float, float]) -> tuple[float, tuple[float, float]]:
        return abs(pair[0] - now[0]) + abs(pair[1] - now[1]), pair

    count = max(int(np.ceil((high - low) / step_m - 1e-9)), 1)
    alike = [(float(h), float(h)) for h in np.round(np.linspace(low, high, min(count, 10) + 1), 3)]
    ends = [float(h) for h in np.round([low, (low + high) / 2, high], 3)]
    apart = [(a, b) for a in ends for b in ends if a != b]
    return sorted(alike, key=near) + sorted(apart, key=near)


def trials_of(perimeter: Perimeter, zone_id: str, limits: Mapping[str, tuple[float, float]]) -> list[HeightTrials]:
    """Height trials of the levels that may move and can come down among the silhouettes of the site's threats."""
    tallest = max(t.top_m for t in perimeter.rules.targets.values())
    zone = perimeter.zones[zone_id]
    levels = [p.level for p in zone.pairs if p.level in limits and limits[p.level][0] < tallest]
    return [HeightTrials(perimeter, zone, level) for level in levels]
