"""Frame, title block and cautions of a drawing sheet."""

from __future__ import annotations

from dataclasses import dataclass

from geotools.io.paper.panel import Box
from geotools.io.paper.sheet import Sheet

__all__ = ["TitleBlock"]

#: Borders of a sheet, mm: wide on the left for filing (ISO 5457, from memory).
_FILING, _BORDER = 20.0, 10.0
#: Width of a title block, mm (ISO 7200, from memory), and its height here.
_WIDE, _TALL = 180.0, 46.0


@dataclass(frozen=True)
class TitleBlock:
    """What the title block of each sheet of a set says; empty fields are left to be filled in by hand.

    Parameters
    ----------
    project : str
        Name of the site.
    revision, date, drawn, checked, approved : str
        As the site file has them.
    crs, vertical_datum : str
        Systems of the coordinates and of the levels.
    cautions : tuple of str
        Printed on every sheet.
    recipient : str
        Whom the set is for.
    """

    project: str
    revision: str = ""
    date: str = ""
    drawn: str = ""
    checked: str = ""
    approved: str = ""
    crs: str = ""
    vertical_datum: str = ""
    cautions: tuple[str, ...] = ()
    recipient: str = ""

    def draw(self, sheet: Sheet, title: str, scales: str, number: str) -> tuple[Box, Box]:
        """Frame and title block of one sheet.

        Parameters
        ----------
        sheet : Sheet
            An empty page, landscape, A3 or larger.
        title : str
            What the sheet shows.
        scales : str
            Its scales in words.
        number : str
            Which sheet of how many.

        Returns
        -------
        tuple of Box
            What is left for the drawing, and the place beside the title block for a key plan.
        """
        wide, tall = sheet.width - _FILING - _BORDER, sheet.height - 2 * _BORDER
        sheet.box(_FILING, _BORDER, wide, tall, 0.7)
        top, left = sheet.height - _BORDER - _TALL, sheet.width - _BORDER - _WIDE
        sheet.line([(_FILING, top), (_FILING + wide, top)], width=0.5)
        self._fields(sheet, (left, top), title, scales, number)
        notes = 108.0
        y = top + 5.0
        sheet.words((_FILING + 3, y), "Cautions", 7.5, bold=True)
        y += 4.2
        for caution in self.cautions:
            y = sheet.paragraph((_FILING + 3, y), notes - 6, caution, 7) + 0.7
        sheet.line([(_FILING + notes, top), (_FILING + notes, top + _TALL)], width=0.25)
        drawing = Box(_FILING, _BORDER, wide, top - _BORDER)
        return drawing, Box(_FILING + notes, top, wide - _WIDE - notes, _TALL)

    def _fields(self, sheet: Sheet, corner: tuple[float, float], title: str, scales: str, number: str) -> None:
        left, top = corner
        rows: tuple[tuple[float, tuple[tuple[str, str, float], ...]], ...] = (
            (11.5, (("project", self.project, 130), ("sheet", number, 50))),
            (11.5, (("title", title, 180),)),
            (11.5, (("coordinate system", self.crs, 62), ("levels", self.vertical_datum, 46), ("scales", scales, 72))),
            (
                11.5,
                (
                    ("revision", self.revision, 22),
                    ("date", self.date, 32),
                    ("drawn", self.drawn, 42),
                    ("checked", self.checked, 42),
                    ("approved", self.approved, 42),
                ),
            ),
        )
        y = top
        for k, (tall, cells) in enumerate(rows):
            x = left
            for name, value, wide in cells:
                sheet.box(x, y, wide, tall, 0.25)
                sheet.words((x + 1.2, y + 2.8), name, 5.5)
                sheet.words((x + 2.0, y + 8.6), value, 10 if k < 2 else 8, bold=k < 2, room=wide - 4)
                x += wide
            y += tall
        sheet.box(left, top, _WIDE, y - top, 0.5)
