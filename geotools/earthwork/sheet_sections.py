"""Sheets of cross-sections: every zone's in order, all of a set at one pair of scales."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from geotools.earthwork.sheet_set import CUT, DESIGN, EXISTING, FILL, draw_legend, round_levels
from geotools.earthwork.volumes import section_areas
from geotools.earthwork.works import Works
from geotools.io.paper import Box, Panel, Sheet
from geotools.io.scales import nice_step, scale_for, scale_text

__all__ = ["CrossSection", "SectionScales", "cross_sections", "section_scales", "section_sheet", "sheets_of"]

#: Sections to a sheet in two columns; room of one, mm, with its title and its table of levels.
_MOST, _COLUMNS = 6, 2
_FIRST, _ROOM_TALL, _ROOM_WIDE = 23.0, 72.0, 192.0
_LABELS, _TITLE, _FIGURES = 26.0, 6.0, 17.0


@dataclass(frozen=True)
class CrossSection:
    """One section of one zone, by its number among the zone's stations."""

    work: Works
    number: int

    @property
    def levels(self) -> tuple[float, float]:
        """Lowest and highest level of ground and design."""
        both = np.r_[self.work.existing[self.number], self.work.design[self.number]]
        return float(np.nanmin(both)), float(np.nanmax(both))


@dataclass(frozen=True)
class SectionScales:
    """Scales of lengths and of heights, the numbers after ``1:``."""

    across: float
    upright: float

    def in_words(self) -> str:
        """For the title block."""
        return f"horizontal {scale_text(self.across)}, vertical {scale_text(self.upright)} at A3"


def cross_sections(works: Sequence[Works]) -> list[CrossSection]:
    """The sections to draw: from one before the first that is worked to one after the last, in each zone."""
    found = []
    for work in works:
        moved = np.abs(np.nan_to_num(work.design - work.existing)).max(axis=1) > 1e-3
        moved |= np.isin(work.chainage, work.deepest)
        hit = np.flatnonzero(moved)
        if len(hit):
            last = min(int(hit[-1]) + 2, len(work.chainage))
            found += [CrossSection(work, k) for k in range(max(int(hit[0]) - 1, 0), last)]
    return found


def sheets_of(sections: Sequence[CrossSection]) -> list[Sequence[CrossSection]]:
    """Sections sheet by sheet, spread so that no sheet is left nearly empty."""
    count = -(-len(sections) // _MOST)
    cuts = [round(k * len(sections) / count) for k in range(count + 1)] if count else [0]
    return [sections[a:b] for a, b in pairwise(cuts)]


def section_scales(sections: Sequence[CrossSection]) -> SectionScales:
    """One pair of scales at which every section has room."""
    wide = max(float(np.ptp(s.work.offset)) for s in sections)
    tall = max(max(high - low, 0.4) for low, high in (s.levels for s in sections))
    panel = _ROOM_TALL - _TITLE - _FIGURES
    return SectionScales(scale_for(wide, _ROOM_WIDE - _LABELS - 4), scale_for(1.1 * tall, panel))


def section_sheet(sheet: Sheet, part: Sequence[CrossSection], scales: SectionScales) -> None:
    """Draw the sections of one sheet, down the columns."""
    draw_legend(sheet, (24 + _LABELS, 18), {"existing ground": EXISTING, "design surface": DESIGN})
    sheet.words((404, 18), "looking from transmitter to receiver; L left, R right", 7, anchor="end")
    rows = -(-len(part) // _COLUMNS)
    for place, section in enumerate(part):
        column, row = divmod(place, rows)
        corner = 23.0 + column * _ROOM_WIDE, _FIRST + row * _ROOM_TALL * 3 / max(rows, 3)
        _draw(sheet, corner, section, scales)


def _draw(sheet: Sheet, corner: tuple[float, float], section: CrossSection, scales: SectionScales) -> None:
    work, i = section.work, section.number
    right = -work.offset  # drawn as seen along the line: left on the left
    order = np.argsort(right)
    across = right[order]
    ground, design = work.existing[i][order], work.design[i][order]
    wide = float(np.ptp(across)) * 1000.0 / scales.across
    box = Box(corner[0] + _LABELS, corner[1] + _TITLE, wide, _ROOM_TALL - _TITLE - _FIGURES)
    low, high = section.levels
    room = box.height * scales.upright / 1000.0
    step = nice_step(room, 6)
    base = round(((low + high - room) / 2) / step) * step
    base = min(max(base, high - room), low)
    panel = Panel.to_scale(sheet, box, (float(across[0]), base), scales.across, scales.upright)
    whole = np.arange(np.ceil(across[0]), np.floor(across[-1]) + 1)
    panel.grid(whole, round_levels(*panel.y, step))
    panel.between(across, design, ground, CUT)
    panel.between(across, ground, design, FILL)
    panel.curve(across, design, **DESIGN)
    panel.curve(across, ground, **EXISTING)
    panel.curve(np.zeros(2), np.array(panel.y), width=0.2, dash=(4.0, 1.5))
    cut, fill = (float(area[0]) for area in section_areas(work.offset, work.existing[[i]], work.design[[i]]))
    deep = "; deepest here" if np.isin(work.chainage[i], work.deepest) else ""
    title = f"{work.zone_id}, chainage {work.chainage[i]:.1f}; cut {cut:.2f} m2, fill {fill:.2f} m2{deep}"
    sheet.words((box.left, box.top - 1.8), title, 8, bold=True, room=_ROOM_WIDE - _LABELS - 2)
    for k, name in enumerate(("offset [m]", "existing [m]", "design [m]")):
        sheet.words((box.left - 7, box.bottom + 4.2 + 3.7 * k), name, 6.5, anchor="end")
    for o in whole:
        x = float(panel.at(o, panel.y[0])[0])
        side = f"{abs(o):.0f}{' L' if o < 0 else ' R' if o > 0 else ''}"
        words = (side, f"{np.interp(o, across, ground):.2f}", f"{np.interp(o, across, design):.2f}")
        for k, word in enumerate(words):
            sheet.words((x, box.bottom + 4.2 + 3.7 * k), word, 6.5, anchor="middle")
