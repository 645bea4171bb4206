"""A drawing sheet of lines, areas and words in millimetres, written as SVG and as a page of a PDF.

Two small writers draw the same marks: a plotting library takes ten times as long for sheets that hold mostly text.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt
from fpdf import FPDF

__all__ = ["Panel", "Paper", "nice_step"]

WIDTH_MM, HEIGHT_MM = 420.0, 297.0  # ISO 216, A3
_MM_PER_POINT = 25.4 / 72.0


@dataclass(frozen=True)
class _Line:
    points: np.ndarray
    colour: str
    width: float
    dash: tuple[float, float] | None


@dataclass(frozen=True)
class _Area:
    points: np.ndarray
    colour: str


@dataclass(frozen=True)
class _Words:
    x: float
    y: float
    text: str
    size: float
    anchor: str
    angle: float
    bold: bool


@dataclass
class Paper:
    """One A3 sheet; x to the right, y down from the upper left corner, millimetres; sizes of words in points."""

    marks: list[_Line | _Area | _Words] = field(default_factory=list)

    def line(
        self,
        points: Sequence[tuple[float, float]] | np.ndarray,
        *,
        colour: str = "#000000",
        width: float = 0.2,
        dash: tuple[float, float] | None = None,
    ) -> None:
        """A polyline; dash is mark and gap in mm."""
        self.marks.append(_Line(np.asarray(points, float), colour, width, dash))

    def area(self, points: Sequence[tuple[float, float]] | np.ndarray, colour: str) -> None:
        """A filled polygon."""
        self.marks.append(_Area(np.asarray(points, float), colour))

    def words(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float = 8.0,
        anchor: str = "start",
        angle: float = 0.0,
        bold: bool = False,
    ) -> None:
        """One line of text on its base line; anchor start, middle or end; angle anticlockwise in degrees."""
        self.marks.append(_Words(x, y, text, size, anchor, angle, bold))

    def svg(self) -> str:
        """The sheet as an SVG 1.1 document."""
        out = [
            '<?xml version="1.0" encoding="UTF-8"?>',
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM:g}mm" height="{HEIGHT_MM:g}mm" '
            f'viewBox="0 0 {WIDTH_MM:g} {HEIGHT_MM:g}" font-family="Helvetica, Arial, sans-serif">',
            f'<rect width="{WIDTH_MM:g}" height="{HEIGHT_MM:g}" fill="#ffffff"/>',
        ]
        for mark in self.marks:
            if isinstance(mark, _Words):
                turn = f' transform="rotate({-mark.angle:g} {mark.x:.2f} {mark.y:.2f})"' if mark.angle else ""
                weight = ' font-weight="bold"' if mark.bold else ""
                out.append(
                    f'<text x="{mark.x:.2f}" y="{mark.y:.2f}" font-size="{mark.size * _MM_PER_POINT:.2f}" '
                    f'text-anchor="{mark.anchor}"{weight}{turn}>{escape(mark.text)}</text>'
                )
                continue
            path = " ".join(f"{x:.2f},{y:.2f}" for x, y in mark.points)
            if isinstance(mark, _Area):
                out.append(f'<polygon points="{path}" fill="{mark.colour}"/>')
            else:
                dash = f' stroke-dasharray="{mark.dash[0]:g} {mark.dash[1]:g}"' if mark.dash else ""
                look = f'fill="none" stroke="{mark.colour}" stroke-width="{mark.width:g}"{dash}'
                out.append(f'<polyline points="{path}" {look}/>')
        return "\n".join([*out, "</svg>\n"])

    def add_to(self, pdf: FPDF) -> None:
        """Draw the sheet as the next page of a PDF in millimetres."""
        pdf.add_page()
        for mark in self.marks:
            if isinstance(mark, _Words):
                pdf.set_font("Helvetica", "B" if mark.bold else "", mark.size)
                text = mark.text.encode("latin-1", "replace").decode("latin-1")
                wide = pdf.get_string_width(text)
                x = mark.x - {"start": 0.0, "middle": wide / 2, "end": wide}[mark.anchor]
                if mark.angle:
                    with pdf.rotation(mark.angle, mark.x, mark.y):
                        pdf.text(x, mark.y, text)
                else:
                    pdf.text(x, mark.y, text)
            elif isinstance(mark, _Area):
                pdf.set_fill_color(mark.colour)
                pdf.polygon(mark.points.tolist(), style="F")
            else:
                pdf.set_draw_color(mark.colour)
                pdf.set_line_width(mark.width)
                pdf.set_dash_pattern(*(mark.dash or (0, 0)))
                pdf.polyline(mark.points.tolist())


def nice_step(span: float, most: int) -> float:
    """Smallest of 1, 2, 5 times a power of ten that cuts a span into at most `most` parts."""
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough - 1e-12)


@dataclass(frozen=True)
class Panel:
    """A frame on a sheet with axes: left, top, width, height in mm; x from x0 to x1, y from y0 (bottom) to y1 (top)."""

    paper: Paper
    left: float
    top: float
    width: float
    height: float
    x0: float
    x1: float
    y0: float
    y1: float

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike) -> np.ndarray:
        """Places on the sheet, (n, 2)."""
        xs, ys = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        across = self.left + (xs - self.x0) / (self.x1 - self.x0) * self.width
        down = self.top + (self.y1 - ys) / (self.y1 - self.y0) * self.height
        return np.stack([across, down], axis=-1)

    def curve(self, x: np.ndarray, y: np.ndarray, **look: object) -> None:
        """A line through points, broken where y is not known."""
        known = np.isfinite(y)
        for run in np.split(np.arange(len(x)), np.flatnonzero(np.diff(known.astype(int))) + 1):
            if known[run[0]] and len(run) > 1:
                self.paper.line(self.at(x[run], y[run]), **look)  # type: ignore[arg-type]

    def between(self, x: np.ndarray, low: np.ndarray, high: np.ndarray, colour: str) -> None:
        """Fill where `high` lies above `low`, to the very place where they cross."""
        rise = np.nan_to_num(high - low, nan=0.0)
        for run in np.split(np.arange(len(x)), np.flatnonzero(np.diff((rise > 1e-4).astype(int))) + 1):
            if rise[run[0]] <= 1e-4:
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
            self.paper.area(np.concatenate([there, back[::-1]]), colour)

    def frame(self, x_marks: np.ndarray, y_marks: np.ndarray, y_form: str = "{:.2f}") -> None:
        """Grid lines at the marks, the frame, and words beside the upright axis."""
        for mark in x_marks:
            self.paper.line(self.at(np.array([mark, mark]), np.array([self.y0, self.y1])), colour="#c8c8c8", width=0.1)
        for mark in y_marks:
            line = self.at(np.array([self.x0, self.x1]), np.array([mark, mark]))
            self.paper.line(line, colour="#c8c8c8", width=0.1)
            self.paper.words(self.left - 1.5, line[0, 1] + 0.9, y_form.format(mark), size=7, anchor="end")
        corners_x = np.array([self.x0, self.x1, self.x1, self.x0, self.x0])
        corners_y = np.array([self.y0, self.y0, self.y1, self.y1, self.y0])
        self.paper.line(self.at(corners_x, corners_y), width=0.25)
