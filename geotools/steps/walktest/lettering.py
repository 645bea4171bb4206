"""Where numbers and words stand on a sketch so that none hides another, or the line that it belongs to."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from shapely import LineString, box
from shapely.geometry.base import BaseGeometry

__all__ = ["Lettering"]

Place = tuple[float, float]
#: Height of a letter as a share of its size, mm a point; room about a word, mm.
_PT_MM, _ROOM = 0.353, 0.25


@dataclass
class Lettering:
    """What is taken on a sheet: lines, and the words placed so far; millimetres, y downwards.

    lines : drawn lines that words keep off. words : outlines of the words placed.
    """

    lines: list[BaseGeometry] = field(default_factory=list)
    words: list[BaseGeometry] = field(default_factory=list)

    def draw(self, line: Sequence[Place]) -> None:
        """Take the ground of a line."""
        self.lines.append(LineString(line))

    def place(self, places: Iterable[Place], wide: float, size: float) -> Place:
        """The first of some places at which a word is free; it is taken.

        Where none is free of lines, the first that is free of other words, and else the last.

        Parameters
        ----------
        places : iterable of (x, y)
            Middle of the word's base line, mm, the best first; one or more.
        wide : float
            Width of the word, mm.
        size : float
            Of its letters, points.
        """
        best: Place | None = None
        for x, y in places:
            last = x, y
            outline = self._outline(last, wide, size)
            if any(outline.intersects(word) for word in self.words):
                continue
            if not any(outline.intersects(line) for line in self.lines):
                best = last
                break
            best = best or last
        chosen = best or last
        self.words.append(self._outline(chosen, wide, size))
        return chosen

    @staticmethod
    def _outline(at: Place, wide: float, size: float) -> BaseGeometry:
        tall = size * _PT_MM
        return box(at[0] - wide / 2 - _ROOM, at[1] - 0.8 * tall - _ROOM, at[0] + wide / 2 + _ROOM, at[1] + _ROOM)
