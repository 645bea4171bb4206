"""Invented ground given by a formula, and a zone on it, for tests that need no raster."""

from collections.abc import Callable

import numpy as np

from geotools.beam import HEAD_TYPES, TARGETS
from geotools.corridor import BeamLine
from geotools.detection.cases import Rules
from geotools.plan.model import BeamPair, Zone

LOW = BeamPair("low", HEAD_TYPES["24 GHz"], 0.30, 0.30)
MAIN = BeamPair("main", HEAD_TYPES["10 GHz"], 0.91, 0.91)
RULES = Rules(0.2, 2.0, 0.5, {name: TARGETS[name] for name in ("walk", "crawl", "prone")})


def zone(name: str = "Z1", start: float = 0.0, length: float = 100.0, pairs=(LOW, MAIN)) -> Zone:
    return Zone(name, BeamLine(start, 0.0, start + length, 0.0), tuple(pairs))


class Formula:
    """Reads like a terrain: levels from a function of map x and y."""

    def __init__(self, level: Callable, cell_m: float = 0.5) -> None:
        self.level, self.cell_m = level, cell_m

    def sample(self, x_m, y_m):
        x, y = np.broadcast_arrays(np.asarray(x_m, float), np.asarray(y_m, float))
        return self.level(x, y) + 0.0 * x


def dip(depth: float, width: float, at: float) -> Callable:
    return lambda x, y: 100.0 - depth * np.exp(-(((x - at) / width) ** 2))
