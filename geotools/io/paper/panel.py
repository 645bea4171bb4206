"""A framed part of a sheet with axes of its own, true to scale where it is made so."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotools.io.paper.sheet import Sheet

__all__ = ["Box", "Panel"]

_GRID = "#c8c8c8"
#: What differs by less is not filled, in units of the upright axis.
_LEAST = 1e-4


@dataclass(frozen=True)
class Box:
    """A rectangle on a sheet, mm."""

    left: float
    top: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Its right edge."""
        return self.left + self.width

    @property
    def bottom(self) -> float:
        """Its lower edge."""
        return self.top + self.height


@dataclass(frozen=True)
class Panel:
    """Axes on a sheet.

    Parameters
    ----------
    sheet : Sheet
        What is drawn on.
    box : Box
        Where, mm.
    x, y : (float, float)
        Values at the left and the right edge, and at the lower and the upper one.
    """

    sheet: Sheet
    box: Box
    x: tuple[float, float]
    y: tuple[float, float]

    @classmethod
    def to_scale(
        cls, sheet: Sheet, box: Box, origin: tuple[float, float], across: float, upright: float | None = None
    ) -> Panel:
        """Axes in metres at scales 1:across and 1:upright (the same where not given), ``origin`` at the lower left."""
        x, y = origin
        tall = box.height * (across if upright is None else upright) / 1000.0
        return cls(sheet, box, (x, x + box.width * across / 1000.0), (y, y + tall))

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Places on the sheet, shape (..., 2), mm."""
        xs, ys = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        across = self.box.left + (xs - self.x[0]) / (self.x[1] - self.x[0]) * self.box.width
        down = self.box.top + (self.y[1] - ys) / (self.y[1] - self.y[0]) * self.box.height
        return np.stack([across, down], axis=-1)

    def curve(self, x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], **look: Any) -> None:
        """A line through points, broken where y is not known; ``look`` as `Sheet.line` has it."""
        known = np.isfinite(y)
        for run in np.split(np.arange(len(x)), np.flatnonzero(np.diff(known.astype(int))) + 1):
            if known[run[0]] and len(run) > 1:
                self.sheet.line(self.at(x[run], y[run]), **look)

    def between(
        self,
        x: npt.NDArray[np.float64],
        low: npt.NDArray[np.float64],
        high: npt.NDArray[np.float64],
        colour: str,
    ) -> None:
        """Fill where ``high`` lies above ``low``, to the very place where they cross."""
        rise = np.nan_to_num(high - low, nan=0.0)
        for run in np.split(np.arange(len(x)), np.flatnonzero(np.diff((rise > _LEAST).astype(int))) + 1):
            if rise[run[0]] <= _LEAST:
                continue
            xs, a, b = [x[run]], [low[run]], [high[run]]
            for inner, outer, first in ((run[0], run[0] - 1, True), (run[-1], run[-1] + 1, False)):
                if 0 <= outer < len(x) and np.isfinite(low[outer]) and np.isfinite(high[outer]):
                    share = rise[inner] / (rise[inner] - rise[outer]) if rise[inner] > rise[outer] else 1.0
                    meet_x = x[inner] + share * (x[outer] - x[inner])
                    meet_y = low[inner] + share * (low[outer] - low[inner])
                    place = 0 if first else len(xs)
                    xs.insert(place, np.array([meet_x]))
                    a.insert(place, np.array([meet_y]))
                    b.insert(place, np.array([meet_y]))
            along = np.concatenate(xs)
            there, back = self.at(along, np.concatenate(a)), self.at(along, np.concatenate(b))
            self.sheet.area(np.concatenate([there, back[::-1]]), colour)

    def grid(self, x_marks: Iterable[float], y_marks: Iterable[float], form: str = "{:.2f}") -> None:
        """Lines at the marks, values beside the upright axis, and the frame."""
        for mark in x_marks:
            self.sheet.line(self.at(np.array([mark, mark]), np.array(self.y)), colour=_GRID, width=0.1)
        for mark in y_marks:
            line = self.at(np.array(self.x), np.array([mark, mark]))
            self.sheet.line(line, colour=_GRID, width=0.1)
            self.sheet.words((self.box.left - 1.5, float(line[0, 1]) + 0.9), form.format(mark), 7, anchor="end")
        self.frame()

    def frame(self) -> None:
        """The edge of the panel."""
        self.sheet.box(self.box.left, self.box.top, self.box.width, self.box.height, 0.25)

    def spread(self, places: npt.NDArray[np.float64], apart: float) -> npt.NDArray[np.float64]:
        """Where words of places along the sheet stand, in order, mm: at their place, or pushed to be so far apart.

        The last stays at its place or nearer to the left, so that none leaves the sheet.
        """
        moved = np.array(places, float)
        for k in range(1, len(moved)):
            moved[k] = max(moved[k], moved[k - 1] + apart)
        if len(moved):
            moved[-1] = min(moved[-1], max(places[-1], self.box.right))
        for k in range(len(moved) - 2, -1, -1):
            moved[k] = min(moved[k], moved[k + 1] - apart)
        return moved
