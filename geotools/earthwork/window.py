"""The part of a strip that a grading programme has to look at: ground out of tolerance and what slopes up to it.

Far from ground that has to be worked nothing is moved, so its cells need no columns. That is no approximation: a
programme with linear limits and costs has one optimum, and where the cells along the rim of a window keep their level,
with room on every limit that ties them to those outside, no change outside could make the works inside cheaper. Links
that have no room today (ground as steep as is allowed, flow paths with no more fall than they must keep) are never cut
by a rim; where works reach the rim, or lines that have moved ask for work outside, the window is taken wider.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geotools.earthwork.limits import Falls, SightLine
from geotools.terrain.cells import Cells

__all__ = ["Window", "asking", "beside", "widened", "window_of"]

Flags = npt.NDArray[np.bool_]

#: Room that a limit must have to be cut by a rim, and the change below which a cell keeps its level, m.
_ROOM_M = 1e-6


@dataclass(frozen=True)
class Window:
    """A part of a strip as a strip of its own.

    index : (w,) its cells among the strip's; those beside the rim come along as ground that is not moved.
    inside : (n,) cells of the strip that may be worked in it. rim : (w,) cells inside with movable ground outside.
    """

    index: npt.NDArray[np.intp]
    inside: Flags
    rim: Flags
    cells: Cells
    lines: list[SightLine]
    falls: Falls | None

    def holds(self, change: np.ndarray) -> bool:
        """Whether works, (w,) change of level, keep clear of the rim."""
        return not (np.abs(change[self.rim]) > _ROOM_M).any()

    def spread(self, values: np.ndarray, n: int) -> np.ndarray:
        """(w,) values as (n,) of the whole strip, 0 outside."""
        whole = np.zeros(n, values.dtype)
        whole[self.index] = values
        return whole


def asking(cells: Cells, lines: Sequence[SightLine], ends: np.ndarray) -> Flags:
    """(n,) cells that lie out of a line's tolerance, or at its limit, with the lines' ends at (k, 2) levels."""
    out = np.zeros(len(cells.ground), bool)
    for line, (a, b) in zip(lines, ends, strict=True):
        above = cells.ground[line.cells] - a - line.fraction * (b - a)
        out[line.cells[(above < _ROOM_M - line.low) | (above > line.high - _ROOM_M)]] = True
    return out


def widened(cells: Cells, inside: Flags, steps: int, max_slope: float, falls: Falls | None) -> Flags:
    """The cells and all within so many `steps` of them from cell to cell, and on to where every limit has room."""
    p, q = cells.pairs.T
    tight = np.abs(cells.ground[p] - cells.ground[q]) > max_slope * cells.distance - _ROOM_M
    tight_p, tight_q = p[tight], q[tight]
    if falls is not None:
        no_room = falls.short(cells.ground, -_ROOM_M)
        tight_p, tight_q = np.r_[tight_p, falls.upper[no_room]], np.r_[tight_q, falls.lower[no_room]]
    made = beside(cells, inside, steps)
    while True:
        more = _joined(made, tight_p, tight_q) & cells.movable | made
        if (more == made).all():
            return made & cells.movable
        made = more


def beside(cells: Cells, flags: Flags, steps: int) -> Flags:
    """The flagged cells, (n,), and all within so many steps of them from cell to cell."""
    p, q = cells.pairs.T
    made = flags
    for _ in range(steps):
        made = _joined(made, p, q)
    return made


def _joined(flags: Flags, p: np.ndarray, q: np.ndarray) -> Flags:
    made = flags.copy()
    made[p[flags[q]]] = True
    made[q[flags[p]]] = True
    return made


def window_of(cells: Cells, lines: Sequence[SightLine], falls: Falls | None, inside: Flags) -> Window:
    """The window of these cells, with the limits that touch them."""
    p, q = cells.pairs.T
    taken = _joined(inside, p, q)
    if falls is not None:
        of_falls = inside[falls.upper] | inside[falls.lower]
        taken[falls.upper[of_falls]] = taken[falls.lower[of_falls]] = True
    index = np.flatnonzero(taken)
    number = np.full(len(taken), -1)
    number[index] = np.arange(len(index))
    edge = inside[p] != inside[q]
    beside = np.zeros(len(taken), bool)
    beside[p[edge & cells.movable[q]]] = True
    beside[q[edge & cells.movable[p]]] = True
    linked = inside[p] | inside[q]
    part = Cells(
        cells.ground[index],
        cells.area,
        number[cells.pairs[linked]],
        cells.distance[linked],
        inside[index],
        cells.place[index],
        None if cells.tell is None else _Told(cells, index),
    )
    kept = []
    for line in lines:
        here = inside[line.cells]
        kept.append(
            replace(
                line,
                cells=number[line.cells[here]],
                fraction=line.fraction[here],
                low=line.low[here],
                high=line.high[here],
            )
        )
    near = None
    if falls is not None:
        near = Falls(
            number[falls.upper[of_falls]],
            number[falls.lower[of_falls]],
            falls.least[of_falls],
            falls.crossing[of_falls],
            falls.prices,
        )
    return Window(index, inside, (beside & inside)[index], part, kept, near)


@dataclass(frozen=True)
class _Told:
    """The place of a window's cell in the words of its strip."""

    cells: Cells
    index: npt.NDArray[np.intp]

    def __call__(self, cell: int) -> str:
        return self.cells.where(int(self.index[cell]))
