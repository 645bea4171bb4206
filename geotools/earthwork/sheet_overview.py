"""The sheet that opens a set: the site to scale and the quantities of every zone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Literal

import numpy as np

from geotools.earthwork.sheet_set import CUT, FENCE, FILL, SheetSet, round_levels
from geotools.earthwork.works import Works
from geotools.io.paper import Box, Panel, Sheet, north_arrow, scale_bar
from geotools.io.scales import nice_step, scale_for, scale_text

__all__ = ["overview_scale", "site_plan", "table_parts", "write_table"]

#: Room of the site plan, mm, and rows of the table in one column of a sheet.
_PLAN = Box(28.0, 18.0, 232.0, 206.0)
_ROWS = 36
_HEADS = (
    ("zone", ""),
    ("worked", "m2"),
    ("topsoil", "m3"),
    ("cut", "m3"),
    ("cut, loose", "m3"),
    ("fill", "m3"),
    ("ground for it", "m3"),
)
_COLUMNS = (28.0, 17.0, 17.0, 17.0, 19.0, 17.0, 23.0)


def overview_scale(drawings: SheetSet) -> float:
    """Scale of the site plan, the number after ``1:``."""
    low, high = drawings.extent()
    span = np.maximum(high - low, 1.0)
    return max(scale_for(float(span[0]), _PLAN.width - 24), scale_for(float(span[1]), _PLAN.height - 24))


def site_plan(sheet: Sheet, drawings: SheetSet) -> None:
    """Fence, zones, posts and works, north up, with crosses at round coordinates."""
    scale = overview_scale(drawings)
    low, high = drawings.extent()
    corner = (low + high) / 2 - np.array([_PLAN.width, _PLAN.height]) * scale / 2000.0
    panel = Panel.to_scale(sheet, _PLAN, (float(corner[0]), float(corner[1])), scale)
    _crosses(panel, drawings)
    for work in drawings.works:
        for kind, colour in (("cut", CUT), ("fill", FILL)):
            for area in work.own.areas.get(kind, ()):
                ring = np.asarray(area.exterior.coords)
                sheet.area(panel.at(ring[:, 0], ring[:, 1]), colour)
    for fence in drawings.fences:
        sheet.line(panel.at(fence[:, 0], fence[:, 1]), **FENCE)
    worked = {work.zone_id for work in drawings.works}
    middle = (low + high) / 2
    for name, line in drawings.lines.items():
        ends = panel.at(np.array([line.x0, line.x1]), np.array([line.y0, line.y1]))
        sheet.line(ends, width=0.5 if name in worked else 0.2)
        for x, y in ends:
            sheet.disc(float(x), float(y), 0.7, "#000000")
        _name(panel, name, line.to_map(line.length / 2), (float(middle[0]), float(middle[1])), name in worked)
    panel.frame()
    scale_bar(sheet, (_PLAN.left + 6, _PLAN.bottom - 5), scale)
    north_arrow(sheet, (_PLAN.right - 9, _PLAN.top + 13))
    sheet.words(
        (_PLAN.left, _PLAN.bottom + 5),
        "Crosses at round coordinates of the plan's system. Zones with works heavy; fence dashed; posts as dots; "
        "cut and fill coloured as on the zones' sheets.",
        6.5,
        room=_PLAN.width,
    )


def _name(panel: Panel, name: str, at: tuple[np.ndarray, np.ndarray], middle: tuple[float, float], bold: bool) -> None:
    """A zone's name on that side of its line which looks to the middle of the site, away from the fence."""
    x, y = float(at[0]), float(at[1])
    place = panel.at(x, y)
    inward = np.array([middle[0] - x, y - middle[1]])
    inward = inward / max(float(np.hypot(*inward)), 1e-9)
    anchor: Literal["start", "middle", "end"] = "start" if inward[0] > 0.5 else "end" if inward[0] < -0.5 else "middle"
    at_mm = float(place[0] + 6 * inward[0]), float(place[1] + 6 * inward[1]) + 1.0
    panel.sheet.label(at_mm, name, 7, anchor=anchor, bold=bold)


def _crosses(panel: Panel, drawings: SheetSet) -> None:
    unit = drawings.units.metres
    step = nice_step((panel.x[1] - panel.x[0]) / unit, 5)
    xs, ys = (round_levels(low / unit, high / unit, step) for low, high in (panel.x, panel.y))
    for x in xs:
        across = float(panel.at(x * unit, panel.y[0])[0])
        panel.sheet.words((across, panel.box.top - 1.5), f"{x:.0f} E", 6, anchor="middle")
        for y in ys:
            a, b = (float(v) for v in panel.at(x * unit, y * unit))
            panel.sheet.line([(a - 2, b), (a + 2, b)], width=0.1)
            panel.sheet.line([(a, b - 2), (a, b + 2)], width=0.1)
    for y in ys:
        up = float(panel.at(panel.x[0], y * unit)[1])
        panel.sheet.words((panel.box.left - 1.5, up), f"{y:.0f} N", 6, anchor="middle", angle=90)


def table_parts(works: Sequence[Works]) -> Iterator[Sequence[Works]]:
    """The zones of the table's columns: the first beside the site plan, then two columns to a sheet."""
    for first in range(0, max(len(works), 1), _ROWS):
        yield works[first : first + _ROWS]


def write_table(sheet: Sheet, at: tuple[float, float], part: Sequence[Works], drawings: SheetSet, last: bool) -> None:
    """Quantities of some zones; the last part carries the sum over all zones and the notes."""
    left, top = at
    wide = sum(_COLUMNS)
    sheet.words((left, top), "Quantities", 9, bold=True)
    y = top + 5.5
    x = left
    for (name, unit), column in zip(_HEADS, _COLUMNS, strict=True):
        end = x + column - 1.0
        if name == "zone":
            sheet.words((x, y), name, 6.5, bold=True)
        else:
            sheet.words((end, y), name, 6.5, anchor="end", bold=True, room=column - 1)
            sheet.words((end, y + 3), unit, 6, anchor="end")
        x += column
    y += 4.5
    sheet.line([(left, y), (left + wide, y)], width=0.35)
    rows = [(w.zone_id, drawings.quantities.row(w.own.cut_m3, w.own.fill_m3, w.own.area_m2)) for w in part]
    if last:
        owned = [work.own for work in drawings.works]
        total = (sum(o.cut_m3 for o in owned), sum(o.fill_m3 for o in owned), sum(o.area_m2 for o in owned))
        rows.append(("all zones", drawings.quantities.row(*total)))
    for number, (name, values) in enumerate(rows):
        bold = last and number == len(rows) - 1
        if bold:
            sheet.line([(left, y + 1.6), (left + wide, y + 1.6)], width=0.35)
            y += 1.6
        y += 4.4
        sheet.words((left, y), name, 7, bold=bold, room=_COLUMNS[0] - 1)
        x = left + _COLUMNS[0]
        for value, column in zip(values, _COLUMNS[1:], strict=True):
            x += column
            sheet.words((x - 1.0, y), f"{value:,.1f}".replace(",", " "), 7, anchor="end", bold=bold, room=column - 1)
    if last:
        y += 8.0
        for heading, notes in (("On the quantities", drawings.quantities.notes()), ("General notes", drawings.notes)):
            sheet.words((left, y), heading, 8, bold=True)
            y += 4.5
            for number, note in enumerate(notes, start=1):
                sheet.words((left, y), f"{number}.", 7)
                y = sheet.paragraph((left + 5, y), wide - 5, note, 7) + 1.2
            y += 3.0


def scales_in_words(drawings: SheetSet) -> str:
    """For the title block of the site plan."""
    return f"{scale_text(overview_scale(drawings))} at A3"
