"""The sheet of one zone: its works from above, and below at the same scale the long section."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import numpy as np
from shapely import LineString, Polygon, get_parts

from geotools.earthwork.sheet_set import (
    BEAM,
    CUT,
    DESIGN,
    EXISTING,
    FENCE,
    FILL,
    SIGHT,
    WATER,
    SheetSet,
    draw_legend,
    round_levels,
)
from geotools.earthwork.works import MEASURE_M, Works
from geotools.io.paper import Box, Panel, Sheet, north_arrow, scale_bar
from geotools.io.scales import nice_step, scale_for, scale_text

__all__ = ["profile_scales", "zone_sheet"]

#: Places on the sheet, mm: plan, long section, and the table of levels beneath it.
_LEFT, _WIDE = 56.0, 346.0
_PLAN_TOP, _PLAN_TALL = 24.0, 55.0
_SECTION_TOP, _SECTION_TALL = 85.0, 88.0
_TABLE_TOP, _ROW = 177.0, 10.8
#: Size of the words at the ends of a beam, points.
_LABEL = 7.0
#: Ground shown beyond the posts, m, and the least distance of figures that stand upright, mm.
_BEYOND_M, _APART_MM = 2.0, 3.3


def profile_scales(work: Works) -> tuple[float, float]:
    """Scales of lengths and of heights, the numbers after ``1:``."""
    low, high = _levels(work)
    across = scale_for(work.line.length + 2 * _BEYOND_M, _WIDE)
    return max(across, scale_for(2 * float(work.offset.max()), _PLAN_TALL)), scale_for(high - low, _SECTION_TALL)


def scales_in_words(work: Works) -> str:
    """For the title block."""
    across, upright = profile_scales(work)
    return f"horizontal {scale_text(across)}, vertical {scale_text(upright)} at A3"


def _levels(work: Works) -> tuple[float, float]:
    """Lowest and highest level to show, with a little room."""
    ends = [work.fine_design[k] + heights[k] for heights in work.beams.values() for k in (0, -1)]
    levels = np.concatenate([work.fine_existing, work.fine_design, work.sight, np.array(ends)])
    low, high = float(np.nanmin(levels)), float(np.nanmax(levels))
    room = 0.05 * max(high - low, 0.5)
    return low - room, high + room


def zone_sheet(sheet: Sheet, work: Works, drawings: SheetSet) -> None:
    """Plan, long section, table of stations and levels, volumes."""
    across, _ = profile_scales(work)
    names = {
        "existing ground": EXISTING,
        "design surface": DESIGN,
        "straight line between the feet of the heads": SIGHT,
        "beams": BEAM,
        "fence": FENCE,
        "way for water": WATER,
    }
    draw_legend(sheet, (_LEFT, 19), names)
    scale_bar(sheet, (350, 19), across, 48.0)
    # the zone lies in the middle of the room it has
    start = -(_WIDE * across / 1000.0 - work.line.length) / 2
    _plan(sheet, work, drawings, start)
    panel = _section(sheet, work, start)
    _table(sheet, work, panel)
    area = drawings.quantities.row(work.own.cut_m3, work.own.fill_m3, work.own.area_m2)
    methods = ";  ".join(f"{name}: cut {cut:.1f} m3, fill {fill:.1f} m3" for name, (cut, fill) in work.volumes.items())
    sheet.words((24, 224.5), f"Volumes by method, sections every {MEASURE_M:g} m:  {methods}.", 7.5, room=380)
    sheet.words(
        (24, 229),
        f"Worked {area[0]:.1f} m2; topsoil stripped and put back {area[1]:.1f} m3; cut loose {area[3]:.1f} m3; "
        f"ground for the fill {area[5]:.1f} m3; deepest {work.own.depth_m:.2f} m.",
        7.5,
        room=380,
    )
    sheet.words(
        (24, 233.5),
        f"Chainage 0 is the transmitter's post, the last chainage the receiver's; the line bears "
        f"{work.line.azimuth_deg:.2f} degrees from grid north. "
        "Chainages with a triangle are where the works are deepest.",
        7.5,
        room=380,
    )
    ways = [way for way in drawings.waterways if way.zone_id == work.zone_id]
    told = "; ".join(_short(way.in_words(work.line), work.zone_id) for way in ways)
    sheet.words((24, 238), f"Ways for water through the works: {told or 'none'}.", 7.5, room=380)


def _short(name: str, zone_id: str) -> str:
    """The name of something of a zone without the zone's own name before it."""
    return name.removeprefix(f"{zone_id}-")


def _clip(panel: Panel) -> Polygon:
    return Polygon([(panel.x[k], panel.y[j]) for k, j in ((0, 0), (1, 0), (1, 1), (0, 1))])


def _plan(sheet: Sheet, work: Works, drawings: SheetSet, start: float) -> None:
    """The zone from above, its line from left to right."""
    across, _ = profile_scales(work)
    box = Box(_LEFT, _PLAN_TOP, _WIDE, _PLAN_TALL)
    panel = Panel.to_scale(sheet, box, (start, -_PLAN_TALL * across / 2000.0), across)
    shown = _clip(panel)
    for kind, colour in (("cut", CUT), ("fill", FILL)):
        for area in work.own.areas.get(kind, ()):
            for ring, inner in ((area.exterior, False), *((hole, True) for hole in area.interiors)):
                s, o = work.line.from_map(*np.asarray(ring.coords)[:, :2].T)
                sheet.area(panel.at(s, o), "#ffffff" if inner else colour)
    sheet.document.set_dash_pattern(0, 0)
    for fence in drawings.fences:
        _clipped(panel, shown, np.stack(work.line.from_map(fence[:, 0], fence[:, 1]), axis=1), FENCE)
    for name, line in drawings.lines.items():
        ends = np.stack(work.line.from_map(np.array([line.x0, line.x1]), np.array([line.y0, line.y1])), axis=1)
        _clipped(panel, shown, ends, {"width": 0.5 if name == work.zone_id else 0.2})
    half = float(work.offset.max())
    for s in work.chainage:
        deep = bool((np.abs(work.deepest - s) < 1e-6).any())
        sheet.line(panel.at(np.array([s, s]), np.array([-half, half])), width=0.15, dash=None if deep else (1.5, 1.0))
        if deep:
            x, y = (float(v) for v in panel.at(s, half))
            sheet.area([(x, y), (x - 1.1, y - 2.0), (x + 1.1, y - 2.0)], "#000000")
    posts: tuple[tuple[float, str, Literal["start", "end"]], ...] = (
        (0.0, "transmitter", "start"),
        (work.line.length, "receiver", "end"),
    )
    for place, end, anchor in posts:
        x, y = (float(v) for v in panel.at(place, 0.0))
        sheet.disc(x, y, 1.0, "#000000")
        corner = drawings.units.out(np.array(work.line.to_map(place)).ravel())
        words = (f"{end}'s post", f"E {corner[0]:.2f}", f"N {corner[1]:.2f}")
        for k, word in enumerate(words):
            sheet.label((x, _PLAN_TOP + _PLAN_TALL - 8.0 + 3.0 * k), word, 6.5, anchor=anchor)
    named: list[tuple[float, float]] = []
    for way in drawings.waterways:
        places = np.stack(work.line.from_map(way.line[:, 0], way.line[:, 1]), axis=1)
        _clipped(panel, shown, places, WATER)
        if way.zone_id == work.zone_id:
            # at its outlet, or at its inlet where another name stands there
            for end, other in ((places[-1], places[0]), (places[0], places[-1])):
                x, y = (float(v) for v in panel.at(*end))
                y += 3.4 if end[1] < other[1] else -1.4
                if all(abs(x - a) > 8 or abs(y - b) > 3 for a, b in named):
                    break
            named.append((x, y))
            sheet.label((x, y), _short(way.name, work.zone_id), 6.5, anchor="middle")
    panel.frame()
    sheet.words((24, _PLAN_TOP + 5), "Plan", 9, bold=True)
    sheet.words((24, _PLAN_TOP + 9), f"strip of {2 * half:.1f} m", 6.5)
    north_arrow(sheet, (38, _PLAN_TOP + 32), (90.0 - work.line.azimuth_deg) % 360.0, 14)


def _clipped(panel: Panel, shown: Polygon, places: np.ndarray, look: Mapping[str, Any]) -> None:
    """A line as far as it lies within a panel."""
    for part in get_parts(LineString(places).intersection(shown)):
        if part.geom_type == "LineString" and part.length > 0:
            panel.sheet.line(panel.at(*np.asarray(part.coords).T), **look)


def label_level(end: float, other: float) -> float:
    """Base line of the words at one end of a beam, mm down the sheet: on the side of the line that it does not take.

    ``end``, ``other`` : where the line lies at this end and at the other one, mm down the sheet.
    """
    return end - 1.0 if other >= end else end + 1.0 + 0.353 * _LABEL


def _section(sheet: Sheet, work: Works, start: float) -> Panel:
    across, upright = profile_scales(work)
    low, high = _levels(work)
    room = _SECTION_TALL * upright / 1000.0
    base = np.floor(((low + high - room) / 2) * 20 + 0.5) / 20
    base = min(max(base, high - room), low)
    panel = Panel.to_scale(sheet, Box(_LEFT, _SECTION_TOP, _WIDE, _SECTION_TALL), (start, base), across, upright)
    panel.grid(work.chainage, round_levels(*panel.y, nice_step(room, 10)))
    panel.between(work.fine, work.fine_design, work.fine_existing, CUT)
    panel.between(work.fine, work.fine_existing, work.fine_design, FILL)
    panel.curve(work.fine, work.sight, **SIGHT)
    panel.curve(work.fine, work.fine_design, **DESIGN)
    panel.curve(work.fine, work.fine_existing, **EXISTING)
    length = work.line.length
    for name, (tx, rx) in work.beams.items():
        ends = np.array([work.fine_design[0] + tx, work.fine_design[-1] + rx])
        panel.curve(np.array([0.0, length]), ends, **BEAM)
        (x0, y0), (x1, y1) = panel.at(np.array([0.0, length]), ends)
        left, right = label_level(float(y0), float(y1)), label_level(float(y1), float(y0))
        sheet.words((float(x0) + 1, left), f"{name} {tx:.2f}", _LABEL)
        sheet.words((float(x1) - 1, right), f"{name} {rx:.2f}", _LABEL, anchor="end")
    for s, levels in ((0.0, work.fine_design[0]), (length, work.fine_design[-1])):
        top = max(heights[0 if s == 0.0 else 1] for heights in work.beams.values())
        panel.curve(np.array([s, s]), np.array([levels, levels + top]), width=0.5)
    for k, word in enumerate(("Long", "section")):
        sheet.words((24, _SECTION_TOP + 5 + 4 * k), word, 9, bold=True)
    for k, word in enumerate(("vertical", "exaggeration", f"{across / upright:.3g}x")):
        sheet.words((24, _SECTION_TOP + 14 + 3 * k), word, 6.5)
    sheet.words((40, _SECTION_TOP + _SECTION_TALL / 2), "level [m]", 7.5, anchor="middle", angle=90)
    return panel


def _table(sheet: Sheet, work: Works, panel: Panel) -> None:
    """Stations and levels under the long section."""
    existing = np.interp(work.chainage, work.fine, work.fine_existing)
    design = np.interp(work.chainage, work.fine, work.fine_design)
    change = np.where(np.abs(design - existing) < 0.005, 0.0, design - existing)
    rows = (
        ("chainage [m]", [f"{s:.1f}" for s in work.chainage]),
        ("existing [m]", [f"{z:.2f}" for z in existing]),
        ("design [m]", [f"{z:.2f}" for z in design]),
        ("cut - / fill + [m]", ["0.00" if v == 0.0 else f"{v:+.2f}" for v in change]),
    )
    places = panel.at(work.chainage, panel.y[0])[:, 0]
    stand = panel.spread(places, _APART_MM)
    for x, moved in zip(places, stand, strict=True):
        sheet.line([(float(x), panel.box.bottom), (float(moved), _TABLE_TOP)], width=0.1)
    right = panel.box.right
    for k, (name, values) in enumerate(rows):
        y = _TABLE_TOP + k * _ROW
        sheet.line([(24, y), (right, y)], width=0.2)
        sheet.words((25, y + _ROW / 2 + 1), name, 7.5)
        for x, value in zip(stand, values, strict=True):
            sheet.words((float(x) + 0.9, y + _ROW / 2), value, 7, angle=90, anchor="middle")
    bottom = _TABLE_TOP + len(rows) * _ROW
    sheet.line([(24, bottom), (right, bottom)], width=0.2)
    for edge in (24.0, _LEFT, right):
        sheet.line([(edge, _TABLE_TOP), (edge, bottom)], width=0.2)
