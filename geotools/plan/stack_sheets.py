"""Stack sheets: every post from the side, with heads, heights, bands, polarisation, channel and aim."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure

from geotools.plan.model import Head, Zone
from geotools.plan.schema.style import BLACK, BLUE, GREEN, GREY, ORANGE, PALE

__all__ = ["stack_sheets"]

_LEVEL_COLOUR = {"low": ORANGE, "usual": BLUE, "top": GREEN}
_POSTS_A_PAGE = (3, 4)


def _head_text(head: Head) -> str:
    kind = "TX" if head.transmitter else "RX"
    turned = "horizontal" if head.polarisation == "horizontal" else "vertical"
    channel = "" if head.channel is None else f"  ch {head.channel}"
    return f"{kind} {head.level}  {head.height_m:.2f} m\n{head.head_type.name}, {turned}{channel}"


class _Page:
    """What is drawn on one page, gathered so that each kind of line and of area is drawn at one go."""

    def __init__(self, axes: Axes) -> None:
        self.axes = axes
        self._lines: dict[tuple[str, float, bool], list[list[tuple[float, float]]]] = {}
        self._areas: dict[tuple[str, str], list[list[tuple[float, float]]]] = {}

    def line(
        self, x: tuple[float, float], y: tuple[float, float], colour: str, width: float, dashed: bool = False
    ) -> None:
        """A straight line."""
        self._lines.setdefault((colour, width, dashed), []).append(list(zip(x, y, strict=True)))

    def box(self, x: float, y: float, wide: float, tall: float, face: str, edge: str) -> None:
        """A rectangle about a middle."""
        w, t = wide / 2, tall / 2
        corners = [(x - w, y - t), (x + w, y - t), (x + w, y + t), (x - w, y + t)]
        self._areas.setdefault((face, edge), []).append(corners)

    def finish(self) -> None:
        """Put everything on the axes."""
        for (colour, width, dashed), segments in self._lines.items():
            style = (0, (6, 4)) if dashed else "solid"
            self.axes.add_collection(
                LineCollection(segments, colors=colour, linewidths=width, linestyles=[style]), autolim=False
            )
        for (face, edge), shapes in self._areas.items():
            drawn = PolyCollection(
                shapes, facecolors=face, edgecolors=edge, linewidths=0.8, zorder=4 if edge != "none" else 0
            )
            self.axes.add_collection(drawn, autolim=False)


def _post_panel(
    page: _Page, corner: tuple[float, float], zone: Zone, at_start: bool, *, fence_m: float, scale: bool
) -> None:
    """One post; ``corner`` : where its ground line begins, in the page's metres; ``scale`` : with figures beside it."""
    x, y = corner
    axes, heads = page.axes, zone.on_post(at_start)
    line = zone.line if at_start else zone.line.reversed()
    top = max(fence_m, *(head.height_m for head in heads)) + 0.3
    middle = x + 0.8
    page.box(x + 1.6, y - 0.1, 3.2, 0.2, PALE, "none")
    page.line((x, x + 3.2), (y, y), GREY, 1.2)
    # the line of the fence's top leaves room for the words beside a head at that height
    page.line((x, middle + 0.2), (y + fence_m, y + fence_m), GREY, 0.8, dashed=True)
    page.line((x + 2.9, x + 3.2), (y + fence_m, y + fence_m), GREY, 0.8)
    page.line((x, x), (y, y + top), BLACK, 0.5)
    for half_metres in range(int(top / 0.5) + 1):
        page.line((x - 0.05, x), (y + half_metres / 2, y + half_metres / 2), BLACK, 0.5)
        if scale and half_metres % 2 == 0:
            axes.text(x - 0.08, y + half_metres / 2, f"{half_metres / 2:g}", fontsize=5, ha="right", va="center")
    if scale:
        words = f"fence top\n{fence_m:.2f} m"
        axes.text(x - 0.08, y + fence_m, words, fontsize=4.5, color=GREY, ha="right", va="center")
    page.line((middle, middle), (y, y + heads[-1].height_m + 0.15), BLACK, 2.5)
    for head in heads:
        wide, tall = (0.16, 0.26) if head.polarisation == "vertical" else (0.26, 0.16)
        page.box(middle, y + head.height_m, wide, tall, _LEVEL_COLOUR.get(head.level, BLUE), BLACK)
        axes.text(middle + 0.28, y + head.height_m, _head_text(head), fontsize=5.5, va="center", linespacing=1.15)
    role = "transmitters" if heads[0].transmitter else "receivers"
    axes.text(x, y + top + 0.1, f"{zone.post_id(at_start)}: {role}", fontsize=8, va="bottom")
    axes.text(
        x,
        y - 0.28,
        f"x {line.x0:.2f}  y {line.y0:.2f}, ground {heads[0].ground_m:.2f} m\n"
        f"aim {line.azimuth_deg:.1f}° grid at {zone.post_id(not at_start)}, {line.length:.1f} m",
        fontsize=6,
        va="top",
        linespacing=1.25,
    )


@mpl.rc_context({"text.parse_math": False})  # a name may hold a dollar sign
def stack_sheets(
    path: Path, zones: Sequence[Zone], title: str, fence_height_m: float, state: str = "as laid out"
) -> None:
    """Every post from the side, twelve a page, heights above its own ground in metres.

    Parameters
    ----------
    path : document to write. zones : with their heads. title : name of the site.
    fence_height_m : drawn beside the heads. state : which heights these are, for the head of each page.
    """
    posts = [(zone, at_start) for zone in zones for at_start in (True, False)]
    top = max([fence_height_m, *(head.height_m for zone in zones for head in zone.heads)]) + 0.3
    rows, columns = _POSTS_A_PAGE
    a_page, wide, tall = rows * columns, 4.8, top + 1.3
    # no clock in the document: the same layout gives the same bytes
    with PdfPages(path, metadata={"CreationDate": None, "Creator": "geotools-perimeter", "Producer": None}) as book:
        for first in range(0, max(len(posts), 1), a_page):
            figure = Figure(figsize=(11.7, 8.3))
            FigureCanvasPdf(figure)
            axes = figure.add_axes((0.02, 0.02, 0.96, 0.91))
            axes.set_axis_off()
            axes.set_xlim(-0.7, columns * wide - 0.6)
            axes.set_ylim(-0.7, rows * tall - 0.4)
            axes.set_aspect("equal", anchor="NW")
            page, pages = first // a_page + 1, max(1, -(-len(posts) // a_page))
            figure.suptitle(f"{title}: stacks {state}, page {page} of {pages}", x=0.03, ha="left", fontsize=10)
            sheet = _Page(axes)
            for k, (zone, at_start) in enumerate(posts[first : first + a_page]):
                row, column = divmod(k, columns)
                corner = (column * wide, (rows - 1 - row) * tall)
                _post_panel(sheet, corner, zone, at_start, fence_m=fence_height_m, scale=column == 0)
            sheet.finish()
            book.savefig(figure)
