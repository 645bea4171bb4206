"""The report as a PDF for paper: A4, real text, bookmarks, tables whose head comes again on every page."""

from __future__ import annotations

import io
from typing import Any

from fpdf.enums import XPos, YPos
from PIL import Image

from geotools.io.paper import FONT, Document
from geotools.steps.report.blocks import Facts, Heading, Notes, Picture, Report, Table, Text
from geotools.steps.report.papertable import PaperTable

__all__ = ["to_pdf"]

_INK, _SOFT, _LINE, _WASH = (27, 31, 35), (77, 86, 94), (185, 192, 198), (242, 244, 245)
#: A sheet that may flow on begins on a page of which no more than this share is taken.
_FLOWS_ABOVE = 0.7
#: Room of a picture's caption, mm, and the share of its height that a picture may shrink to.
_CAPTION, _SMALLEST = 10.0, 0.75
#: A list longer than this share of a page begins where it is, and goes on overleaf.
_WHOLE_BELOW = 0.2
_MARK = {"good": "✓ ", "bad": "⚠ ", "open": "? ", "": ""}


class _Sheets(Document):
    """A report's pages: text flows from page to page, unlike that of drawings."""

    def __init__(self, report: Report) -> None:
        super().__init__(report.title, subject=report.subtitle, watermark=report.recipient)
        self.report = report
        self.set_margins(16, 16)
        self.set_auto_page_break(True, 18)
        self.tables = PaperTable(self)

    def footer(self) -> None:
        super().footer()
        self.set_y(-13)
        self.set_font(FONT, "", 7.5)
        self.set_text_color(*_SOFT)
        self.cell(0, 5, self.report.title, new_x=XPos.LEFT, new_y=YPos.TOP)
        self.cell(0, 5, f"{self.page_no()} / {{nb}}", align="R")

    def heading(self, block: Heading, first: bool) -> None:
        if block.level == 1:
            if not first and not (block.flows and self.get_y() < _FLOWS_ABOVE * self.h):
                self.add_page()
            elif not first:
                self.ln(6)
            self.start_section(block.text)
            self.set_font(FONT, "B", 14)
        else:
            self.ln(2)
            if self.will_page_break(30):
                self.add_page()
            self.set_font(FONT, "B", 10.5)
        self.set_text_color(*_INK)
        self.multi_cell(0, 7, block.text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        if block.level == 1:
            self.set_draw_color(*_INK)
            self.set_line_width(0.5)
            self.line(self.l_margin, self.get_y(), self.w - self.r_margin, self.get_y())
            self.ln(3)

    def paragraph(self, text: str, size: float = 9, colour: tuple[int, int, int] = _INK) -> None:
        self.set_font(FONT, "", size)
        self.set_text_color(*colour)
        self.multi_cell(0, size * 0.52, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.ln(1.5)

    def notes(self, block: Notes) -> None:
        # a caution stays whole where it can: a title at the foot of a page warns of nothing
        tall = 8.0 + 6.0 * len(block.items)
        if block.title and self.will_page_break(min(tall, _WHOLE_BELOW * self.h)):
            self.add_page()
        top, page = self.get_y(), self.page
        if block.kind == "caution":
            self.ln(2)
            self.set_x(self.l_margin + 3)
        if block.title:
            self.set_font(FONT, "B", 10)
            self.set_text_color(*_INK)
            self.multi_cell(0, 6, block.title, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        for item in block.items:
            self.set_font(FONT, "", 9)
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
        # four stand in one row: the verdicts of three threats and the windows, with map and section beneath on one page
        columns, gap, height = 4 if len(block.facts) == 4 else 3, 2.5, 20.0
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
                size, line, lines = (11.5, 5.0, 1) if columns == 3 else (8.5, 3.6, 2)
                self._fit(_MARK[fact.state] + fact.value, (x + 2.5, y + 5.5, width - 4), size, line, lines, bold=True)
                self.set_text_color(*_SOFT)
                self._fit(fact.note, (x + 2.5, y + 12 + (lines - 1), width - 4), 7, 3.4, 2, bold=False)
            self.set_xy(self.l_margin, y + height + gap)

    def _fit(
        self, text: str, box: tuple[float, float, float], size: float, line: float, most: int, *, bold: bool
    ) -> None:
        """Text in a box (x, y, width), made smaller until it fits in so many lines: nothing is cut off."""
        x, y, width = box
        self.set_xy(x, y)
        while True:
            self.set_font(FONT, "B" if bold else "", size)
            lines: Any = self.multi_cell(width, line, text, dry_run=True, output="LINES", align="L")
            if len(lines) <= most or size <= 5.5:
                break
            size -= 0.25
        self.multi_cell(width, line * min(1.0, most / max(len(lines), 1)), text, align="L")

    def table_block(self, block: Table) -> None:
        if self.will_page_break(30):
            self.add_page()
        self.set_font(FONT, "B", 9)
        self.set_text_color(*_INK)
        self.multi_cell(0, 5, block.caption, new_x=XPos.LMARGIN, new_y=YPos.NEXT, align="L")
        self.set_draw_color(*_LINE)
        self.set_line_width(0.2)
        # one colour for areas and words, or every word would come with its own
        self.set_fill_color(*_INK)
        self.tables.draw(block)
        self.ln(3)

    def picture(self, block: Picture) -> None:
        stream = io.BytesIO(block.png)
        info = Image.open(stream)
        width = self.epw
        height = width * info.height / info.width
        room = (self.h - self.t_margin - self.b_margin - 14) * block.most
        if height > room:
            width, height = width * room / height, room
        left = float(self.page_break_trigger - self.get_y()) - _CAPTION
        if _SMALLEST * height <= left < height:
            # a little smaller on this page, rather than a page half empty
            width, height = width * left / height, left
        if self.will_page_break(height + _CAPTION):
            self.add_page()
        middle = self.l_margin + (self.epw - width) / 2
        self.image(io.BytesIO(block.png), x=middle, w=width, h=height, alt_text=block.alt)
        self.paragraph(block.caption, 8, _SOFT)


def to_pdf(report: Report) -> bytes:
    """The whole report as the bytes of a PDF file."""
    pdf = _Sheets(report)
    pdf.add_page()
    pdf.set_font(FONT, "B", 18)
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
