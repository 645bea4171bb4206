"""One page to draw on: lines, areas and words in millimetres from the upper left corner."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from geotools.io.paper.document import FONT, Document

__all__ = ["Sheet"]

_LEAST_PT = 3.5
_PT_MM = 25.4 / 72
Points = Sequence[tuple[float, float]] | npt.NDArray[np.float64]


class Sheet:
    """The next page of a document.

    Parameters
    ----------
    document : Document
        Gets the page; x counts to the right and y down, in mm.
    """

    def __init__(self, document: Document) -> None:
        document.add_page()
        self.document = document
        self.width, self.height = float(document.w), float(document.h)

    def line(
        self,
        points: Points,
        *,
        colour: str = "#000000",
        width: float = 0.2,
        dash: tuple[float, float] | None = None,
    ) -> None:
        """A polyline.

        Parameters
        ----------
        points : (n, 2) array
            Places, mm.
        colour : str
            As ``#rrggbb``.
        width : float
            Of the line, mm.
        dash : (float, float), optional
            Length of mark and of gap, mm.
        """
        pdf = self.document
        pdf.set_draw_color(colour)
        pdf.set_line_width(width)
        pdf.set_dash_pattern(*(dash or (0, 0)))
        pdf.polyline(np.asarray(points, float).round(3).tolist())

    def area(self, points: Points, colour: str) -> None:
        """A filled polygon without an edge."""
        self.document.set_fill_color(colour)
        self.document.polygon(np.asarray(points, float).round(3).tolist(), style="F")

    def box(self, left: float, top: float, width: float, height: float, line: float = 0.2) -> None:
        """An empty rectangle, mm; ``line`` is the width of its edge."""
        pdf = self.document
        pdf.set_draw_color("#000000")
        pdf.set_line_width(line)
        pdf.set_dash_pattern(0, 0)
        pdf.rect(left, top, width, height)

    def disc(self, x: float, y: float, radius: float, colour: str) -> None:
        """A filled circle about a place, mm."""
        self.document.set_fill_color(colour)
        self.document.circle(x, y, radius, style="F")

    def words(
        self,
        at: tuple[float, float],
        text: str,
        size: float = 8.0,
        *,
        anchor: Literal["start", "middle", "end"] = "start",
        angle: float = 0.0,
        bold: bool = False,
        room: float = np.inf,
    ) -> None:
        """One line of text.

        Parameters
        ----------
        at : (float, float)
            Place on its base line, mm.
        text : str
            What to write.
        size : float
            Of the letters, points.
        anchor : {"start", "middle", "end"}
            Which part of the text stands at that place.
        angle : float
            Anticlockwise from the horizontal, degrees.
        bold : bool
            Heavy letters.
        room : float
            Width it has, mm: longer text is set smaller.
        """
        pdf = self.document
        text = " ".join(text.split())
        if not text:
            return
        wide = pdf.width_of(text, size, bold=bold) if anchor != "start" or np.isfinite(room) else 0.0
        if wide > room:
            size, wide = max(size * room / wide, _LEAST_PT), min(wide, room)
        pdf.set_font(FONT, "B" if bold else "", size)
        pdf.set_text_color("#000000")
        # one colour for areas and words, or every word would come with its own
        pdf.set_fill_color("#000000")
        x, y = at
        start = x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        if angle:
            with pdf.rotation(angle, x, y):
                pdf.text(start, y, text)
        else:
            pdf.text(start, y, text)

    def label(
        self,
        at: tuple[float, float],
        text: str,
        size: float = 7.0,
        *,
        anchor: Literal["start", "middle", "end"] = "start",
        bold: bool = False,
    ) -> None:
        """One line of text on a white ground, to be read above lines; parameters as `words` has them."""
        wide = self.document.width_of(text, size, bold=bold)
        tall = size * _PT_MM
        left = at[0] - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor] - 0.4
        right, top, bottom = left + wide + 0.8, at[1] - 0.85 * tall, at[1] + 0.3 * tall
        self.area([(left, top), (right, top), (right, bottom), (left, bottom)], "#ffffff")
        self.words(at, text, size, anchor=anchor, bold=bold)

    def paragraph(self, at: tuple[float, float], room: float, text: str, size: float = 7.0) -> float:
        """Text broken into lines of at most ``room`` mm, the first with its base line at a place.

        Returns
        -------
        float
            Where the base line of the next line would be, mm.
        """
        x, y = at
        for line in self._broken(text, room, size):
            self.words((x, y), line, size, room=room)
            y += 1.3 * size * _PT_MM
        return y

    def _broken(self, text: str, room: float, size: float) -> list[str]:
        lines: list[str] = []
        for word in text.split():
            longer = f"{lines[-1]} {word}" if lines else word
            if lines and self.document.width_of(longer, size) <= room:
                lines[-1] = longer
            else:
                lines.append(word)
        return lines
