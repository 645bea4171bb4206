"""Ten invented sites, each with a swale that carries water across the fence line."""

from __future__ import annotations

import numpy as np

from tests.evidence.applied_sites import Invented, Level

__all__ = ["SWALES"]


def _ground(seed: int) -> Level:
    rng = np.random.default_rng(seed)
    depth, width = rng.uniform(0.25, 0.55), rng.uniform(2.5, 6.0)
    fall, turn = rng.uniform(0.004, 0.02), rng.uniform(-0.3, 0.3)
    place, side = rng.uniform(50, 90), rng.uniform(0.002, 0.006)
    waves = rng.uniform(0.005, 0.02), rng.uniform(15, 30)

    def level(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        axis = place + turn * (y - 40)
        away = x - axis
        # ground falls to the swale from both sides and along it to the south
        return (
            200
            + fall * y
            + side * np.abs(away)
            - depth * np.exp(-((away / width) ** 2))
            + waves[0] * np.sin(x / waves[1])
        )

    return level


SWALES = tuple(
    Invented(
        f"swale {seed}",
        _ground(seed),
        (((12.0, 40.0), (128.0, 41.0)),),
        size=(140.0, 80.0),
        longest_m=100.0,
        threats=("walk", "crawl", "prone"),
        more="[prices]\ncut_m3 = 18\nfill_m3 = 32\nsurface_m2 = 4\n",
    )
    for seed in range(10)
)
