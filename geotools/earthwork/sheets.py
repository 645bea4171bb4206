"""Drawing sheets: a long section for each zone and its cross-sections, A3 landscape, as SVG pages and one PDF."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from fpdf import FPDF

from geotools.earthwork.paper import HEIGHT_MM, WIDTH_MM, Panel, Paper, nice_step
from geotools.earthwork.volumes import section_areas
from geotools.earthwork.works import MEASURE_M, Works
from geotools.errors import file_part

__all__ = ["write_sheets"]

_PER_SHEET = 6
_EXISTING: dict[str, Any] = {"colour": "#404040", "width": 0.3, "dash": (2.0, 1.2)}
_DESIGN: dict[str, Any] = {"colour": "#009e73", "width": 0.6}
_SIGHT: dict[str, Any] = {"colour": "#0072b2", "width": 0.25, "dash": (0.4, 0.8)}
_BEAM: dict[str, Any] = {"colour": "#000000", "width": 0.2}
_CUT, _FILL = "#f0c46a", "#a9d7f2"
_CAUTIONS = (
    "Locate buried services first. Drainage, slopes and erosion are for a licensed civil engineer; local codes govern.",
    "A model is no acceptance: walk-test every zone. Handle as sensitive.",
)


def write_sheets(folder: Path, site: str, works: Sequence[Works], datum: str) -> list[str]:
    """Write `sheets/ZONE-long.svg`, `sheets/ZONE-cross-N.svg` and `sheets/earthworks.pdf`; hand back their names.

    datum : words for the vertical datum, for the title block.
    """
    (folder / "sheets").mkdir(exist_ok=True)
    pdf = FPDF(orientation="landscape", unit="mm", format="A3")
    pdf.set_auto_page_break(False)
    # one fixed date: the same works give the same file
    pdf.set_creation_date(dt.datetime(2000, 1, 1, tzinfo=dt.UTC))
    pdf.set_title(f"{site}: earthworks")
    names: list[str] = []
    total = sum(1 + -(-len(_worked(w)) // _PER_SHEET) for w in works)
    for work in works:
        for name, title, paper in _pages(work):
            _title_block(paper, site, title, datum, f"Sheet {len(names) + 1} of {total}")
            paper.add_to(pdf)
            (folder / "sheets" / f"{name}.svg").write_text(paper.svg(), encoding="utf-8")
            names.append(f"sheets/{name}.svg")
    pdf.output(str(folder / "sheets" / "earthworks.pdf"))
    return [*names, "sheets/earthworks.pdf"]


def _pages(work: Works) -> Iterator[tuple[str, str, Paper]]:
    named = file_part(work.zone_id)
    yield f"{named}-long", f"Long section, zone {work.zone_id}", _long_section(work)
    worked = _worked(work)
    starts = range(0, len(worked), _PER_SHEET)
    for number, first in enumerate(starts, start=1):
        title = f"Cross-sections, zone {work.zone_id}, sheet {number} of {len(starts)}"
        yield f"{named}-cross-{number}", title, _cross_sections(work, worked[first : first + _PER_SHEET])


def _worked(work: Works) -> range:
    """Numbers of the sections to draw: from one before the first that is worked to one after the last."""
    near = np.abs(work.fine_design - work.fine_existing) > 1e-3
    moved = np.abs(work.design - work.existing).max(axis=1) > 1e-3
    reach = work.fine[near]
    if len(reach):
        moved |= (work.chainage >= reach.min()) & (work.chainage <= reach.max())
    hit = np.flatnonzero(moved)
    if not len(hit):
        return range(0)
    return range(max(int(hit[0]) - 1, 0), min(int(hit[-1]) + 2, len(work.chainage)))


def _title_block(paper: Paper, site: str, title: str, datum: str, sheet: str) -> None:
    y = HEIGHT_MM - 25
    paper.line([(15, y), (WIDTH_MM - 15, y)], width=0.4)
    paper.words(15, y + 8, site, size=12, bold=True)
    paper.words(15, y + 15, title, size=10.5)
    for k, line in enumerate(_CAUTIONS):
        paper.words(165, y + 8 + 4 * k, line, size=7.5)
    paper.words(WIDTH_MM - 15, y + 8, sheet, size=9.5, anchor="end")
    paper.words(WIDTH_MM - 15, y + 15, f"Metres. Vertical datum: {datum}", size=8.5, anchor="end")


def _legend(paper: Paper, y: float, beam: bool) -> None:
    x = 40.0
    for colour, word in ((_CUT, "cut"), (_FILL, "fill")):
        paper.area([(x, y - 2.5), (x + 8, y - 2.5), (x + 8, y), (x, y)], colour)
        paper.words(x + 10, y, word)
        x += 24
    lines = [("existing ground", _EXISTING), ("design surface", _DESIGN)]
    if beam:
        lines += [
            ("straight line between the heads, at foot level", _SIGHT),
            ("beams, with heights above ground", _BEAM),
        ]
    for word, look in lines:
        paper.line([(x, y - 1), (x + 10, y - 1)], **look)
        paper.words(x + 12, y, word)
        x += 18 + 1.55 * len(word)


def _range(*levels: np.ndarray) -> tuple[float, float]:
    """Lowest and highest level to show, never so near that a centimetre fills the sheet."""
    low = min(float(np.nanmin(level)) for level in levels)
    high = max(float(np.nanmax(level)) for level in levels)
    room, middle = max(high - low, 0.5), (high + low) / 2
    return middle - 0.6 * room, middle + 0.6 * room


def _marks(low: float, high: float, most: int) -> np.ndarray:
    step = nice_step(high - low, most)
    return np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step


def _fills(panel: Panel, x: np.ndarray, existing: np.ndarray, design: np.ndarray) -> None:
    panel.between(x, design, existing, _CUT)
    panel.between(x, existing, design, _FILL)


def _long_section(work: Works) -> Paper:
    paper = Paper()
    length = work.line.length
    beams = {name: (work.fine_design[0] + tx, work.fine_design[-1] + rx) for name, (tx, rx) in work.beams.items()}
    low, high = _range(work.fine_existing, work.fine_design, work.sight, *(np.array(ends) for ends in beams.values()))
    panel = Panel(paper, 40, 28, 350, 140, 0.0, length, low, high)
    panel.frame(work.chainage, _marks(low, high, 9))
    _fills(panel, work.fine, work.fine_existing, work.fine_design)
    panel.curve(work.fine, work.sight, **_SIGHT)
    panel.curve(work.fine, work.fine_design, **_DESIGN)
    panel.curve(work.fine, work.fine_existing, **_EXISTING)
    for name, ends in beams.items():
        panel.curve(np.array([0.0, length]), np.array(ends), **_BEAM)
        tx, rx = work.beams[name]
        (_, y0), (x1, y1) = panel.at(np.array([0.0, length]), np.array(ends))
        paper.words(41, y0 - 1, f"{name} {tx:.2f}", size=7)
        paper.words(x1 - 1, y1 - 1, f"{name} {rx:.2f}", size=7, anchor="end")
    _legend(paper, 20, beam=True)
    enlarged = (panel.height / (high - low)) / (panel.width / length)
    paper.words(390, 26, f"heights {enlarged:.0f} times enlarged", size=7.5, anchor="end")
    paper.words(12, 98, "level [m]", size=8, angle=90, anchor="middle")
    _bands(paper, work, panel)
    lines = [f"{method}: cut {cut:.1f} m3, fill {fill:.1f} m3" for method, (cut, fill) in work.volumes.items()]
    paper.words(40, 253, f"Volumes by method, measured every {MEASURE_M:g} m:  " + ";  ".join(lines), size=8.5)
    bearing = f"the line bears {work.line.azimuth_deg:.2f} degrees from grid north"
    paper.words(40, 259, f"Station 0 is the transmitter post; {bearing}.", size=8.5)
    return paper


def _bands(paper: Paper, work: Works, panel: Panel) -> None:
    """The table of stations and levels under a long section."""
    existing = np.interp(work.chainage, work.fine, work.fine_existing)
    design = np.interp(work.chainage, work.fine, work.fine_design)
    change = np.where(np.abs(design - existing) < 0.005, 0.0, design - existing)
    rows = (
        ("station [m]", work.chainage, "{:.1f}"),
        ("existing [m]", existing, "{:.2f}"),
        ("design [m]", design, "{:.2f}"),
        ("cut - / fill + [m]", change, "{:+.2f}"),
    )
    top, tall = 174.0, 17.0
    x = panel.at(work.chainage, panel.y0)[:, 0]
    # the last station may stand too near to the one before: its words go to the left of it
    for k, (name, values, form) in enumerate(rows):
        y = top + k * tall
        paper.line([(10, y), (390, y)], width=0.2)
        paper.words(11, y + tall / 2 + 1, name, size=8)
        for i, value in enumerate(values):
            text = "0.00" if k == 3 and value == 0.0 else form.format(value)
            shift = 3.2 if i == 0 else -0.8 if i == len(values) - 1 else 1.0
            paper.words(float(x[i]) + shift, y + tall - 2, text, size=7.5, angle=90)
    bottom = top + len(rows) * tall
    paper.line([(10, bottom), (390, bottom)], width=0.2)
    for edge in (10.0, 40.0, 390.0):
        paper.line([(edge, top), (edge, bottom)], width=0.2)


def _cross_sections(work: Works, part: range) -> Paper:
    paper = Paper()
    right = -work.offset  # drawn as seen along the line: left on the left
    order = np.argsort(right)
    across = right[order]
    cut, fill = section_areas(work.offset, work.existing, work.design)
    whole = np.arange(np.ceil(across[0]), np.floor(across[-1]) + 1)
    for place, i in enumerate(part):
        column, row = place % 2, place // 2
        left, top = 40 + 190 * column, 30 + 80 * row
        ground, design = work.existing[i][order], work.design[i][order]
        low, high = _range(ground, design)
        panel = Panel(paper, left, top, 160, 46, float(across[0]), float(across[-1]), low, high)
        panel.frame(whole, _marks(low, high, 6))
        _fills(panel, across, ground, design)
        panel.curve(across, design, **_DESIGN)
        panel.curve(across, ground, **_EXISTING)
        panel.curve(np.zeros(2), np.array([low, high]), width=0.2, dash=(4.0, 1.5))
        areas = f"cut {cut[i]:.2f} m2, fill {fill[i]:.2f} m2"
        paper.words(left, top - 2, f"station {work.chainage[i]:.1f}     {areas}", size=9, bold=True)
        for k, name in enumerate(("offset", "existing", "design")):
            paper.words(left - 3, top + 51 + 3.6 * k, name, size=7, anchor="end")
        for o in whole:
            x = float(panel.at(o, low)[0])
            side = f"{abs(o):.0f}{' L' if o < 0 else ' R' if o > 0 else ''}"
            words = (side, f"{np.interp(o, across, ground):.2f}", f"{np.interp(o, across, design):.2f}")
            for k, word in enumerate(words):
                paper.words(x, top + 51 + 3.6 * k, word, size=7, anchor="middle")
    _legend(paper, 20, beam=False)
    paper.words(390, 20, "seen from transmitter to receiver; heights enlarged, see the axes", size=7.5, anchor="end")
    return paper
