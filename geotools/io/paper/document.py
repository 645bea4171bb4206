"""A PDF document with the fonts it needs inside and no clock."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import matplotlib
from fpdf import FPDF

__all__ = ["FONT", "Document"]

#: Family of every document, plain and bold.
FONT = "Sans"
#: How much of what lies beneath the watermark takes.
_PALE = 0.08
_FILES = Path(matplotlib.get_data_path()) / "fonts" / "ttf"


class Document(FPDF):
    """Pages in millimetres, without automatic page breaks; all of fpdf2's own methods are at hand.

    Parameters
    ----------
    title : str
        Shown by the reader of the file.
    size : {"A3", "A4"}
        Paper, ISO 216.
    landscape : bool
        Whether the long side lies across.
    subject : str
        Second line of the document's properties.
    watermark : str
        Words across every page, pale and above what is drawn: a copy, or a picture cut out of it, still says whose it
        is.
    """

    def __init__(
        self,
        title: str,
        *,
        size: Literal["A3", "A4"] = "A4",
        landscape: bool = False,
        subject: str = "",
        watermark: str = "",
    ) -> None:
        super().__init__(orientation="landscape" if landscape else "portrait", unit="mm", format=size)
        self.set_auto_page_break(False)
        # the font that the drawings use ships with matplotlib, so that paper needs nothing of the machine
        self.add_font(FONT, "", _FILES / "DejaVuSans.ttf")
        self.add_font(FONT, "B", _FILES / "DejaVuSans-Bold.ttf")
        self.set_font(FONT, "", 8)
        self.set_title(title)
        self.set_subject(subject)
        self.set_lang("en")
        # a fixed date: equal content gives equal bytes
        self.creation_date = datetime(2000, 1, 1, tzinfo=UTC)
        self.watermark = " ".join(watermark.split())
        self._widths: dict[tuple[str, bool], float] = {}

    def footer(self) -> None:
        """Draw the watermark; fpdf2 calls it as a page ends, so that no picture covers it."""
        if not self.watermark:
            return
        wide, tall = float(self.w), float(self.h)
        long = 0.72 * math.hypot(wide, tall)
        size = min(90.0, long / max(self.width_of(self.watermark, 1.0, bold=True), 1e-6))
        x, y = wide / 2, tall / 2
        angle = math.degrees(math.atan2(tall, wide))
        with self.local_context(fill_opacity=_PALE), self.rotation(angle, x, y):
            self.set_font(FONT, "B", size)
            self.set_text_color("#000000")
            self.set_fill_color("#000000")
            self.text(x - self.width_of(self.watermark, size, bold=True) / 2, y + size * 0.12, self.watermark)

    def width_of(self, text: str, size: float, *, bold: bool = False) -> float:
        """Width of one line of text, mm, at a size in points; measured once for each text."""
        key = text, bold
        if key not in self._widths:
            before = self.font_family, self.font_style, self.font_size_pt
            self.set_font(FONT, "B" if bold else "", 10)
            self._widths[key] = self.get_string_width(text) / 10
            self.set_font(*before)
        return self._widths[key] * size
