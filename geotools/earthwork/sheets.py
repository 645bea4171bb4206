"""The set of earthwork drawings for the engineer: A3 landscape, one PDF, true to scale when printed at that size."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from geotools.earthwork.sheet_overview import scales_in_words as overview_words
from geotools.earthwork.sheet_overview import site_plan, table_parts, write_table
from geotools.earthwork.sheet_profile import scales_in_words as profile_words
from geotools.earthwork.sheet_profile import zone_sheet
from geotools.earthwork.sheet_sections import (
    CrossSection,
    SectionScales,
    cross_sections,
    section_scales,
    section_sheet,
    sheets_of,
)
from geotools.earthwork.sheet_set import SheetSet, key_plan
from geotools.earthwork.works import Works
from geotools.io.paper import Document, Sheet

__all__ = ["SHEETS", "write_sheets"]

#: The document, beside the plan.
SHEETS = "sheets/earthworks.pdf"


@dataclass(frozen=True)
class _Planned:
    """A sheet before it is drawn: title, scales, the zones that it shows, and what draws it."""

    title: str
    scales: str
    zones: Sequence[str]
    draw: Callable[[Sheet], None]


def write_sheets(folder: Path, drawings: SheetSet) -> str:
    """Write the drawings of all zones with works and hand back the file's name in the folder.

    Parameters
    ----------
    folder : Path
        Where the folder ``sheets`` is made.
    drawings : SheetSet
        Works, title block, key plan and quantities; with at least one zone of works.
    """
    (folder / "sheets").mkdir(exist_ok=True)
    block = drawings.block
    document = Document(f"{block.project}: earthworks", size="A3", landscape=True, watermark=block.recipient)
    planned = list(_planned(drawings))
    for number, page in enumerate(planned, start=1):
        sheet = Sheet(document)
        _, key = block.draw(sheet, page.title, page.scales, f"{number} of {len(planned)}")
        key_plan(sheet, key, drawings, page.zones)
        page.draw(sheet)
    (folder / SHEETS).write_bytes(bytes(document.output()))
    return SHEETS


def _planned(drawings: SheetSet) -> Iterator[_Planned]:
    columns = list(table_parts(drawings.works))
    everything = [work.zone_id for work in drawings.works]

    def first(sheet: Sheet) -> None:
        site_plan(sheet, drawings)
        write_table(sheet, (267, 21), columns[0], drawings, len(columns) == 1)

    yield _Planned("Earthworks: site plan and quantities", overview_words(drawings), everything, first)
    for start in range(1, len(columns), 2):
        shown = columns[start : start + 2]

        def more(sheet: Sheet, start: int = start, shown: Sequence = shown) -> None:
            for k, part in enumerate(shown):
                write_table(sheet, (28 + 195 * k, 21), part, drawings, start + k == len(columns) - 1)

        yield _Planned("Earthworks: quantities", "none", everything, more)
    for work in drawings.works:
        title = f"Zone {work.zone_id}: plan and long section"
        yield _Planned(title, profile_words(work), [work.zone_id], partial(_one_zone, work, drawings))
    sections = cross_sections(drawings.works)
    if not sections:
        return
    scales = section_scales(sections)
    for part in sheets_of(sections):
        zones = list(dict.fromkeys(section.work.zone_id for section in part))
        title = f"Cross-sections: {', '.join(zones)}"
        yield _Planned(title, scales.in_words(), zones, partial(_some_sections, part, scales))


def _one_zone(work: Works, drawings: SheetSet, sheet: Sheet) -> None:
    zone_sheet(sheet, work, drawings)


def _some_sections(part: Sequence[CrossSection], scales: SectionScales, sheet: Sheet) -> None:
    section_sheet(sheet, part, scales)
