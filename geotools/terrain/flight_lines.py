"""Steps of height between flight lines of a lidar survey, where two of them cover the same ground."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np

from geotools.corridor import Array

__all__ = ["FlightLines", "LineStep", "step_words"]

#: Ground that is compared in one piece, in units of the file.
_CELL = 3.0
#: Pieces that are kept: enough to compare, and a bound on memory.
_MOST_CELLS = 200_000
_LEAST_CELLS, _LEAST_POINTS = 20, 2
#: A step that is said, m: half of what a prone person needs to hide (0.075 m: common practice, from memory).
_SAID_M = 0.04


@dataclass(frozen=True)
class LineStep:
    """How much higher one flight line lies than another, in units of the file, over how many pieces of ground.

    first, second : their numbers. step : second less first, the median. doubt : its standard error. x, y : a place.
    """

    first: int
    second: int
    step: float
    doubt: float
    cells: int
    x: float
    y: float


@dataclass
class FlightLines:
    """Mean heights by flight line on pieces of ground, gathered as the points come."""

    _sums: dict[tuple[int, int], dict[int, list[float]]] = field(default_factory=dict)

    def add(self, points: Array, line: np.ndarray) -> None:
        """Take in points (n, 3) and the number of the flight line of each, (n,)."""
        if not len(points):
            return
        cell = np.floor(points[:, :2] / _CELL).astype(np.int64)
        keys, inverse = np.unique(np.column_stack([cell, line]), axis=0, return_inverse=True)
        inverse = inverse.ravel()
        count = np.bincount(inverse)
        total = np.bincount(inverse, weights=points[:, 2])
        for (column, row, number), n, z in zip(keys.tolist(), count.tolist(), total.tolist(), strict=True):
            place = (column, row)
            if place not in self._sums:
                if len(self._sums) >= _MOST_CELLS:
                    continue
                self._sums[place] = {}
            held = self._sums[place].setdefault(number, [0.0, 0.0])
            held[0] += n
            held[1] += z

    def steps(self) -> list[LineStep]:
        """Every pair of lines that meet on enough ground."""
        met: dict[tuple[int, int], list[tuple[float, float, float]]] = defaultdict(list)
        for (column, row), lines in self._sums.items():
            means = {number: z / n for number, (n, z) in sorted(lines.items()) if n >= _LEAST_POINTS}
            for first, second in combinations(means, 2):
                place = ((column + 0.5) * _CELL, (row + 0.5) * _CELL)
                met[first, second].append((means[second] - means[first], *place))
        found = []
        for (first, second), rows in sorted(met.items()):
            if len(rows) < _LEAST_CELLS:
                continue
            off, x, y = np.array(rows).T
            middle = float(np.median(off))
            # of a normal error the median's standard error is 1.2533 of the mean's, and 1.4826 MAD its deviation
            doubt = 1.2533 * 1.4826 * float(np.median(np.abs(off - middle))) / np.sqrt(len(off))
            at = len(off) // 2
            found.append(LineStep(first, second, middle, float(doubt), len(off), float(x[at]), float(y[at])))
        return found


def step_words(name: str, steps: list[LineStep], to_metres: float) -> list[str]:
    """A sentence for each step that counts; ``to_metres`` : of the file's heights."""
    return [
        f"{name}: flight line {one.second} lies {abs(one.step) * to_metres:.2f} m "
        f"{'above' if one.step > 0 else 'below'} flight line {one.first} where both cover the ground (for example at "
        f"x {one.x:.1f}, y {one.y:.1f}): the model has a step or waves there; ask for the lines to be adjusted"
        for one in steps
        if abs(one.step) * to_metres > _SAID_M and abs(one.step) > 4.0 * one.doubt
    ]
