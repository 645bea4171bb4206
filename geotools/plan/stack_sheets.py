"""Stack sheets: every post from the side, with heads, heights, bands, polarisation, channel and aim."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd

from geotools.io.crs import map_place
from geotools.io.paper import Document, Sheet
from geotools.io.scales import scale_for, scale_text
from geotools.plan import cautions
from geotools.plan.model import Head, Zone
from geotools.plan.schema.style import BLUE, GREEN, GREY, ORANGE, PALE

__all__ = ["StackPaper", "fence_tops", "stack_sheets"]

_LEVEL_COLOUR = {"low": ORANGE, "main": BLUE, "top": GREEN}
_ROWS, _COLUMNS = 2, 4
#: Millimetres: edge of the sheet, room of its title, of a post's own title and of the words below its ground line.
_EDGE, _TITLE, _NAME, _BELOW = 12.0, 14.0, 7.0, 12.0
#: To the ground line from the panel's left edge, from there to the post, from the post to the words beside it, mm.
_FIGURES, _POST, _WORDS = 11.0, 12.0, 4.0
#: Case of a head as it is drawn, m: along its long side and across.
_LONG_M, _SHORT_M = 0.26, 0.16
_SMALL, _PLAIN = 6.0, 7.0
#: Heights that differ by less are the same, m.
_SAME_M = 0.0005


@dataclass(frozen=True)
class _Post:
    """Where a post is drawn: ``left`` edge and ``ground`` line of its panel, mm, and the number after ``1:``.

    map_unit_m : of the plan's map, m.
    """

    sheet: Sheet
    left: float
    ground: float
    wide: float
    scale: float
    map_unit_m: float

    def up(self, height_m: float) -> float:
        """Place on the sheet of a height above the ground."""
        return self.ground - height_m * 1000.0 / self.scale

    def level_line(self, height_m: float, colour: str, start: float, end: float, dashed: bool = False) -> None:
        """A level line between two places counted from the ground line's left end, mm."""
        x, y = self.left + _FIGURES, self.up(height_m)
        self.sheet.line([(x + start, y), (x + end, y)], colour=colour, width=0.25, dash=(1.5, 1.0) if dashed else None)


def _head_text(head: Head, laid_out_m: float | None) -> tuple[str, str]:
    kind = "TX" if head.transmitter else "RX"
    turned = "horizontal" if head.polarisation == "horizontal" else "vertical"
    channel = "" if head.channel is None else f"  ch {head.channel}"
    other = laid_out_m is not None and abs(laid_out_m - head.height_m) > _SAME_M
    beside = f" (laid out {laid_out_m:.2f})" if other else ""
    return f"{kind} {head.level}  {head.height_m:.2f} m{beside}", f"{head.head_type.name}, {turned}{channel}"


def _ruler(post: _Post, top_m: float, fence_m: float | None) -> None:
    """Heights above the ground beside the post, and the fence's top where it is known."""
    sheet, x = post.sheet, post.left + _FIGURES
    long = post.wide - _FIGURES
    sheet.line([(x, post.ground), (x, post.up(top_m))], width=0.15)
    for half_metres in range(int(top_m / 0.5) + 1):
        y = post.up(half_metres / 2)
        sheet.line([(x - 1.0, y), (x, y)], width=0.15)
        if half_metres % 2 == 0 and (fence_m is None or abs(half_metres / 2 - fence_m) * 1000 / post.scale > 6.0):
            sheet.words((x - 1.6, y + 0.8), f"{half_metres / 2:g} m", _SMALL, anchor="end")
    if fence_m is None:
        return
    # the line of the fence's top leaves room for the words beside a head at that height
    post.level_line(fence_m, GREY, 0.0, _POST + 1.5, dashed=True)
    post.level_line(fence_m, GREY, long - 4.0, long)
    sheet.words((x - 1.6, post.up(fence_m) - 0.6), "fence top", _SMALL, anchor="end", room=_FIGURES - 2)
    sheet.words((x - 1.6, post.up(fence_m) + 2.2), f"{fence_m:.2f} m", _SMALL, anchor="end")


def _draw_post(
    post: _Post, zone: Zone, at_start: bool, fence_m: float | None, top_m: float, laid_out_m: Mapping[str, float]
) -> None:
    """One post with its heads, and what an installer has to know of it."""
    sheet, heads = post.sheet, zone.on_post(at_start)
    # along the fence: the beam line itself runs from the transmitter, which stands at the far end of every second zone
    line = zone.along_fence if at_start else zone.along_fence.reversed()
    x, long = post.left + _FIGURES, post.wide - _FIGURES
    middle = x + _POST
    sheet.area([(x, post.ground), (x + long, post.ground), (x + long, post.ground + 2), (x, post.ground + 2)], PALE)
    post.level_line(0.0, GREY, 0.0, long)
    _ruler(post, top_m, fence_m)
    sheet.line([(middle, post.ground), (middle, post.up(heads[-1].height_m + 0.15))], width=0.9)
    for head in heads:
        upright = head.polarisation == "vertical"
        wide, tall = (_SHORT_M, _LONG_M) if upright else (_LONG_M, _SHORT_M)
        w, t = wide * 500.0 / post.scale, tall * 500.0 / post.scale
        y = post.up(head.height_m)
        colour = _LEVEL_COLOUR.get(head.level, BLUE)
        sheet.area([(middle - w, y - t), (middle + w, y - t), (middle + w, y + t), (middle - w, y + t)], colour)
        sheet.box(middle - w, y - t, 2 * w, 2 * t, 0.2)
        room = x + long - middle - _WORDS
        for text, down in zip(_head_text(head, laid_out_m.get(head.head_id)), (-0.4, 2.3), strict=True):
            sheet.words((middle + _WORDS, y + down), text, _SMALL, room=room)
    role = "transmitters" if heads[0].transmitter else "receivers"
    sheet.words((x, post.up(top_m) - 2.0), f"{zone.post_id(at_start)}: {role}", 8, bold=True, room=long)
    below = (
        f"{map_place(line.x0, line.y0, post.map_unit_m)}, ground {heads[0].ground_m:.2f} m",
        f"aim {line.azimuth_deg:.1f}° grid at {zone.post_id(not at_start)}, {line.length:.1f} m",
    )
    for k, text in enumerate(below):
        sheet.words((x, post.ground + 5.0 + 3.2 * k), text, _PLAIN, room=long)


def fence_tops(fences: gpd.GeoDataFrame) -> dict[str, float]:
    """Heights of the fence lines by name, m, from the layer fence; those that are not known are left out."""
    return {str(row.fence_id): float(row.height_m) for row in fences[fences.height_m.notna()].itertuples()}


def _fence_of(zone: Zone) -> str:
    return zone.fence_id or zone.zone_id.rpartition("-Z")[0]


@dataclass(frozen=True)
class StackPaper:
    """Whom stack sheets are for, and the map they belong to.

    recipient : name that stands across each sheet; empty for none.
    map_unit_m : how many metres one unit of the plan's map is.
    system : coordinate system of places and vertical datum of levels, in words; empty where not given.
    """

    recipient: str = ""
    map_unit_m: float = 1.0
    system: str = ""


def stack_sheets(
    path: Path,
    zones: Sequence[Zone],
    title: str,
    fence_height_m: Mapping[str, float],
    state: str = "as laid out",
    laid_out_m: Mapping[str, float] | None = None,
    paper: StackPaper | None = None,
) -> None:
    """Every post from the side, eight a page of A4, true to scale, heights above its own ground in metres.

    Parameters
    ----------
    path : document to write. zones : with their heads. title : name of the site.
    fence_height_m : by fence line, drawn beside the heads of its zones; left out where it is not known.
    state : which heights these are, for the head of each page.
    laid_out_m : heights as laid out by head; they stand beside heights that are others.
    paper : whom the sheets are for, and the unit of the map that posts are set out in.
    """
    paper = paper or StackPaper()
    posts = [(zone, at_start) for zone in zones for at_start in (True, False)]
    top_m = max([0.0, *fence_height_m.values(), *(head.height_m for zone in zones for head in zone.heads)]) + 0.3
    book = Document(f"{title}: stacks, {state}", landscape=True, watermark=paper.recipient)
    a_page = _ROWS * _COLUMNS
    pages = max(1, -(-len(posts) // a_page))
    for page in range(pages):
        sheet = Sheet(book)
        wide = (sheet.width - 2 * _EDGE) / _COLUMNS
        tall = (sheet.height - 2 * _EDGE - _TITLE) / _ROWS
        scale = scale_for(top_m, tall - _NAME - _BELOW)
        heading = f"{title}: stacks, {state}, page {page + 1} of {pages}"
        sheet.words((_EDGE, _EDGE + 4), heading, 11, bold=True, room=sheet.width - 2 * _EDGE)
        about = f"Posts from the side, {scale_text(scale)}; head sizes are symbolic."
        if paper.system:
            about += f" {paper.system}."
        sheet.words((_EDGE, _EDGE + 9.5), about, _PLAIN, room=sheet.width - 2 * _EDGE)
        for line, text in enumerate((f"{cautions.SERVICES} {cautions.SENSITIVE}", cautions.EXPOSURE)):
            sheet.words((_EDGE, sheet.height - 7.5 + 3.2 * line), text, _SMALL)
        for k, (zone, at_start) in enumerate(posts[page * a_page : (page + 1) * a_page]):
            row, column = divmod(k, _COLUMNS)
            ground = _EDGE + _TITLE + (row + 1) * tall - _BELOW
            left = _EDGE + column * wide
            _draw_post(
                _Post(sheet, left, ground, wide - 3.0, scale, paper.map_unit_m),
                zone,
                at_start,
                fence_height_m.get(_fence_of(zone)),
                top_m,
                laid_out_m or {},
            )
    book.output(path)
