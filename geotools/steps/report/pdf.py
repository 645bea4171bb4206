"""The report as a PDF for paper: A4, real text, bookmarks, tables whose head comes again on every page."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import matplotlib
from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace
from PIL import Image

from geotools.steps.report.blocks import Facts, Heading, Notes, Picture, Report, Table, Text

__all__ = ["to_pdf"]

_FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
_INK, _SOFT, _LINE, _WASH = (27, 31, 35), (77, 86, 94), (185, 192, 198), (242, 244, 245)
_MARK = {"good": "✓ ", "bad": "⚠ ", "": ""}


class _Sheets(FPDF):
    def __init__(self, report: Report) -> None:
        super().__init__(format="A4", unit="mm")
        self.report = report
        self.set_margins(16, 16)
        self.set_auto_page_break(True, 18)
        # the font that the drawings use ships with matplotlib, so that paper needs nothing of the machine
        self.add_font("Sans", "", _FONTS / "DejaVuSans.ttf")
        self.add_font("Sans", "B", _FONTS / "DejaVuSans-Bold.ttf")
        self.set_title(report.title)
        self.set_subject(report.subtitle)
        self.set_lang("en")
        # a fixed date: equal plans give equal bytes; the page itself says when it was made
        self.creation_date = datetime(2000, 1, 1, tzinfo=UTC)

    def footer(self) -> None:
        self.set_y(-13)
        self.set_font("Sans", "", 7.5)
        self.set_text_color(*_SOFT)
        self.cell(0, 5, self.report.title, new_x=XPos.LEFT, new_y=YPos.TOP)
        self.cell(0, 5, f"{self.page_no()} / {{nb}}", align="R")

    def heading(self, block: Heading, first: bool) -> None:
        if block.level == 1:
            if not first and not (block.flows and self.get_y() < 0.6 * self.h):
                self.add_page()
            elif not first:
                self.ln(6)
            self.start_section(block.text)
            self.set_font("Sans", "B", 14)
        else:
            self.ln(2)
            if self.will_page_break(30):
                self.add_page()
            self.set_font("Sans", "B", 10.5)
        self.set_text_color(*_INK)
        self.multi_cell(0, 7, block.text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        if block.level == 1:
            self.set_draw_color(*_INK)
            self.set_line_width(0.5)
            self.line(self.l_margin, self.get_y(), self.w - self.r_margin, self.get_y())
            self.ln(3)

    def paragraph(self, text: str, size: float = 9, colour: tuple[int, int, int] = _INK) -> None:
        self.set_font("Sans", "", size)
        self.set_text_color(*colour)
        self.multi_cell(0, size * 0.52, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.ln(1.5)

    def notes(self, block: Notes) -> None:
        top, page = self.get_y(), self.page
        if block.kind == "caution":
            self.ln(2)
            self.set_x(self.l_margin + 3)
        if block.title:
            self.set_font("Sans", "B", 10)
            self.set_text_color(*_INK)
            self.multi_cell(0, 6, block.title, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        for item in block.items:
            self.set_font("Sans", "", 9)
            self.set_text_color(*_INK)
            self.set_x(self.l_margin + 3)
            self.cell(4, 4.7, "•")
            self.multi_cell(self.epw - 10, 4.7, item, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
            self.ln(0.8)
        if block.kind == "caution" and page == self.page:
            self.set_draw_color(*_INK)
            self.set_line_width(0.5)
            self.rect(self.l_margin, top, self.epw, self.get_y() - top + 1)
        self.ln(3)

    def facts(self, block: Facts) -> None:
        columns = 3
        gap, height = 3.0, 23.0
        width = (self.epw - gap * (columns - 1)) / columns
        for start in range(0, len(block.facts), columns):
            if self.will_page_break(height + 2):
                self.add_page()
            y = self.get_y()
            for i, fact in enumerate(block.facts[start : start + columns]):
                x = self.l_margin + i * (width + gap)
                self.set_fill_color(*_WASH)
                self.rect(x, y, width, height, style="F")
                self.set_draw_color(*(_INK if fact.state else _LINE))
                self.set_line_width(1.2 if fact.state == "bad" else 0.5)
                self.line(x, y, x, y + height)
                self.set_text_color(*_SOFT)
                self._fit(fact.label, (x + 2.5, y + 1.5, width - 4), 7.5, 3.6, 1, bold=False)
                self.set_text_color(*_INK)
                self._fit(_MARK[fact.state] + fact.value, (x + 2.5, y + 6, width - 4), 11.5, 5, 1, bold=True)
                self.set_text_color(*_SOFT)
                self._fit(fact.note, (x + 2.5, y + 12, width - 4), 7, 3.4, 3, bold=False)
            self.set_xy(self.l_margin, y + height + gap)

    def _fit(
        self, text: str, box: tuple[float, float, float], size: float, line: float, most: int, *, bold: bool
    ) -> None:
        """Text in a box (x, y, width), made smaller until it fits in so many lines: nothing is cut off."""
        x, y, width = box
        self.set_xy(x, y)
        while True:
            self.set_font("Sans", "B" if bold else "", size)
            lines: Any = self.multi_cell(width, line, text, dry_run=True, output="LINES", align="L")
            if len(lines) <= most or size <= 5.5:
                break
            size -= 0.25
        self.multi_cell(width, line * min(1.0, most / max(len(lines), 1)), text, align="L")

    def table_block(self, block: Table) -> None:
        if self.will_page_break(30):
            self.add_page()
        self.set_font("Sans", "B", 9)
        self.set_text_color(*_INK)
        self.multi_cell(0, 5, block.caption, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        size = 8.0 if len(block.columns) <= 8 else 6.6
        self.set_draw_color(*_LINE)
        self.set_line_width(0.2)
        self.set_fill_color(255)
        self.set_font("Sans", "", size)
        # small print before broken words
        while sum(self._column_widths(block)) > self.epw + 0.1 and size > 4.5:
            size -= 0.3
            self.set_font("Sans", "", size)
        widths = tuple(self._column_widths(block))
        with self.table(
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            text_align=["RIGHT" if i in block.numeric else "LEFT" for i in range(len(block.columns))],
            col_widths=widths,
            headings_style=FontFace(emphasis="B", color=_INK),
            line_height=size * 0.5,
            padding=(0.7, 1.2),
            width=min(sum(widths), self.epw),
            align="LEFT",
        ) as table:
            table.row(block.columns)
            for row in block.rows:
                table.row(row)
        self.ln(3)

    def _column_widths(self, block: Table) -> list[float]:
        """Wide enough for the longest word of each column; what is left goes by the length of the texts."""
        pad = 3.2
        words, texts = [], []
        for i, head in enumerate(block.columns):
            cells = [row[i] for row in block.rows]
            self.set_font(style="B")
            word = max((self.get_string_width(w) for w in head.split()), default=0.0)
            self.set_font(style="")
            word = max([word, *[self.get_string_width(w) for c in cells for w in c.split()]])
            self.set_font(style="B")
            whole_head = self.get_string_width(head)
            self.set_font(style="")
            # a heading of a word or two stays on one line
            text = max([self.get_string_width(c) for c in cells] + [whole_head if whole_head < 24 else 0.0])
            words.append(word + pad)
            texts.append(max(text + pad, word + pad))
        if sum(texts) <= self.epw:
            return [t + min((self.epw - sum(texts)) / len(texts), 8.0) for t in texts]
        spare = self.epw - sum(words)
        if spare <= 0:
            return words
        want = [t - w for t, w in zip(texts, words, strict=True)]
        return [w + spare * x / sum(want) for w, x in zip(words, want, strict=True)]

    def picture(self, block: Picture) -> None:
        stream = io.BytesIO(block.png)
        info = Image.open(stream)
        width = self.epw
        height = width * info.height / info.width
        room = self.h - self.t_margin - self.b_margin - 14
        if height > room:
            width, height = width * room / height, room
        if self.will_page_break(height + 10):
            self.add_page()
        self.image(io.BytesIO(block.png), w=width, h=height, alt_text=block.alt)
        self.paragraph(block.caption, 8, _SOFT)


def to_pdf(report: Report) -> bytes:
    """The whole report as the bytes of a PDF file."""
    pdf = _Sheets(report)
    pdf.add_page()
    pdf.set_font("Sans", "B", 18)
    pdf.set_text_color(*_INK)
    pdf.multi_cell(0, 9, report.title, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
    pdf.paragraph(report.subtitle, 10, _SOFT)
    first = True
    for block in report.blocks:
        if isinstance(block, Heading):
            pdf.heading(block, first)
            first = False
        elif isinstance(block, Text):
            pdf.paragraph(block.text)
        elif isinstance(block, Notes):
            pdf.notes(block)
        elif isinstance(block, Facts):
            pdf.facts(block)
        elif isinstance(block, Table):
            pdf.table_block(block)
        else:
            pdf.picture(block)
    pdf.paragraph(report.made, 7.5, _SOFT)
    return bytes(pdf.output())
