"""Long sections as pictures with their words; loads what drawing needs and no more, for the process that draws them."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from geotools.steps.report.blocks import Picture
from geotools.steps.report.charts import LongSections, ZoneSection, draw
from geotools.steps.report.wording import words

__all__ = ["section_pictures"]


def section_pictures(sections: Sequence[ZoneSection]) -> list[Picture]:
    """Long sections one after the other on one sheet."""
    sheet = LongSections()
    return [draw(partial(sheet.at, section), *_section_words(section)) for section in sections]


def _section_words(section: ZoneSection) -> tuple[str, str]:
    """What a zone's drawing shows in words, and what stands beneath it."""
    low, high = float(section.ground.min()), float(section.ground.max())
    dead = [f"{words(d.threat)} from {d.from_m:.0f} to {d.to_m:.0f} m" for d in section.dead]
    alt = (
        f"Long section of zone {section.zone}, {section.chainage[-1]:.0f} m long: ground between {low:.2f} and "
        f"{high:.2f} m, {len(section.beams)} beams above it; dead spots: {'; '.join(dead) or 'none'}."
    )
    caption = (
        f"Long section of {section.zone}. Heights are exaggerated; the ground is that of the terrain model. The "
        "crawl gap is the space between ground and detection floor: what fits beneath it crosses undetected."
    )
    return alt, caption
