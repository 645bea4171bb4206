"""A table on a PDF page, set line by line: a report has thousands of cells, and the library's own tables measure each
letter of them many times over.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from geotools.io.paper import FONT, Document
from geotools.steps.report.blocks import Table

__all__ = ["PaperTable"]

#: Millimetres between a cell's edges and its words: at the sides, above and below.
_SIDE, _ABOVE = 1.2, 0.7
_MOST_PT, _CROWDED_PT, _LEAST_PT = 8.0, 6.6, 5.2
_MM_PER_POINT = 25.4 / 72
#: A heading of a word or two, no wider than this, stays on one line.
_SHORT_HEAD_MM = 24.0


class PaperTable:
    """Sets tables in one document."""

    def __init__(self, pdf: Document) -> None:
        self._pdf = pdf
        self._size, self._bold = _MOST_PT, False

    def _font(self, size: float, bold: bool) -> None:
        self._size, self._bold = size, bold
        self._pdf.set_font(FONT, "B" if bold else "", size)

    def _wide(self, text: str, bold: bool) -> float:
        """Width of a text in the current size, mm."""
        return self._pdf.width_of(text, self._size, bold=bold)

    def columns(self, block: Table) -> tuple[float, list[float]]:
        """Size of the print, points, and the widths of the columns, mm: small print before broken words."""
        size = _MOST_PT if len(block.columns) <= 8 else _CROWDED_PT
        self._font(size, bold=False)
        while sum(widths := self._column_widths(block)) > self._pdf.epw + 0.1 and size > _LEAST_PT:
            size -= 0.3
            self._font(size, bold=False)
        return size, widths

    def _column_widths(self, block: Table) -> list[float]:
        """Wide enough for the longest word of each column; what is left goes by the length of the texts."""
        pad, room = 2 * _SIDE + 0.8, self._pdf.epw
        words, texts = [], []
        for i, head in enumerate(block.columns):
            cells = {row[i] for row in block.rows}
            word = max((self._wide(w, True) for w in head.split()), default=0.0)
            word = max([word, *(self._wide(w, False) for cell in cells for w in cell.split())])
            whole_head = self._wide(head, True)
            text = max([whole_head if whole_head < _SHORT_HEAD_MM else 0.0, *(self._wide(c, False) for c in cells)])
            words.append(word + pad)
            texts.append(max(text, word) + pad)
        if sum(texts) <= room:
            return [t + min((room - sum(texts)) / len(texts), 8.0) for t in texts]
        spare = room - sum(words)
        if spare <= 0:
            return words
        want = [t - w for t, w in zip(texts, words, strict=True)]
        return [w + spare * x / sum(want) for w, x in zip(words, want, strict=True)]

    def _lines(self, text: str, room: float, bold: bool) -> list[str]:
        """The text cut into lines of that width, mm."""
        if "\n" not in text and self._wide(text, bold) <= room:
            return [text]
        if bold != self._bold:
            self._font(self._size, bold)
        broken = self._pdf.multi_cell(room + 2 * self._pdf.c_margin, 1, text, dry_run=True, output="LINES", align="L")
        return [str(line) for line in broken]  # type: ignore[union-attr]

    def draw(self, block: Table) -> None:
        """The table at the document's place, in parts one below the other where paper is too narrow for it."""
        size, widths = self.columns(block)
        half = (len(block.columns) + 2) // 2
        if sum(widths) > self._pdf.epw + 0.1 and half < len(block.columns):
            # the first column names the rows of both
            self.draw(_with_columns(block, range(half)))
            self._pdf.ln(3)
            if self._pdf.will_page_break(20):
                self._pdf.add_page()
            self.draw(_with_columns(block, [0, *range(half, len(block.columns))]))
            return
        self._draw_part(block, size, widths)

    def _draw_part(self, block: Table, size: float, widths: list[float]) -> None:
        """The whole table side by side; its head comes again on every page."""
        pdf = self._pdf
        if sum(widths) > pdf.epw:
            widths = [w * pdf.epw / sum(widths) for w in widths]
        height = size * 0.5
        head = [self._lines(c, w - 2 * _SIDE, True) for c, w in zip(block.columns, widths, strict=True)]
        rows = [[self._lines(c, w - 2 * _SIDE, False) for c, w in zip(row, widths, strict=True)] for row in block.rows]
        self._row(head, widths, height, block.numeric, bold=True)
        for row in rows:
            if pdf.will_page_break(_tall(row, height)):
                pdf.add_page()
                self._row(head, widths, height, block.numeric, bold=True)
            y = pdf.get_y()
            pdf.line(pdf.l_margin, y, pdf.l_margin + sum(widths), y)
            self._row(row, widths, height, block.numeric, bold=False)

    def _row(
        self, cells: Sequence[list[str]], widths: Sequence[float], height: float, numeric: frozenset[int], *, bold: bool
    ) -> None:
        """One row from the left margin down; the place is then below it."""
        pdf = self._pdf
        self._font(self._size, bold)
        top, tall = pdf.get_y(), _tall(cells, height)
        x = pdf.l_margin
        for i, (lines, wide) in enumerate(zip(cells, widths, strict=True)):
            y = top + (tall - height * len(lines)) / 2
            for line, down in _places(lines, height, self._size * _MM_PER_POINT):
                spare = wide - 2 * _SIDE - self._wide(line, bold) if i in numeric else 0.0
                pdf.text(x + _SIDE + spare, y + down, line)
            x += wide
        pdf.set_xy(pdf.l_margin, top + tall)


def _with_columns(block: Table, kept: Sequence[int]) -> Table:
    """The table with those of its columns alone."""
    return Table.of(block.caption, [block.columns[i] for i in kept], [[row[i] for i in kept] for row in block.rows])


def _tall(cells: Sequence[list[str]], height: float) -> float:
    return 2 * _ABOVE + height * max(len(lines) for lines in cells)


def _places(lines: Sequence[str], height: float, size: float) -> Iterator[tuple[str, float]]:
    """Each line with its base line's depth below the first line's top, all mm; empty ones are left out."""
    for number, line in enumerate(lines):
        if line:
            yield line, number * height + 0.5 * height + 0.3 * size
