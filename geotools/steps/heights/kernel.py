"""Search of head heights: the pair that leaves the least dead length, by a callable that runs the detection model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from geotools.errors import SiteError

__all__ = ["HeightSearch", "search_heights"]


@dataclass(frozen=True)
class HeightSearch:
    """The best pair found and every pair tried: tried is (n, 3) of transmitter height, receiver height, dead length."""

    tx_height_m: float
    rx_height_m: float
    dead_length_m: float
    dead_length_now_m: float
    tried: np.ndarray


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
    dead_lengths : for pairs of heights above ground, the metres of the line that let somebody through; asked for many
        pairs at a time.
    now : transmitter and receiver height today. limits : lowest and highest allowed, metres above ground.
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
        pairs = [(float(h), float(h)) for h in together]
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
