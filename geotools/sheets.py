"""Stack sheets: every post from the side, with heads, heights, bands, polarisation, channel and aim."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import FigureCanvasPdf, PdfPages
from matplotlib.figure import Figure

from geotools.posts import PlannedHead, PlannedZone
from geotools.schema.style import BLACK, BLUE, GREEN, GREY, ORANGE, PALE

__all__ = ["stack_sheets"]

_LEVEL_COLOUR = {"low": ORANGE, "usual": BLUE, "top": GREEN}
_POSTS_A_PAGE = (3, 4)


def _head_text(head: PlannedHead) -> str:
    kind = "TX" if head.transmitter else "RX"
    turned = "horizontal" if head.polarisation == "horizontal" else "vertical"
    channel = "" if head.channel is None else f"  ch {head.channel}"
    return f"{kind} {head.level}  {head.height_m:.2f} m\n{head.head_type}, {turned}{channel}"


def _post_panel(axes: Axes, corner: tuple[float, float], zone: PlannedZone, at_start: bool, fence_m: float) -> None:
    """One post; ``corner`` is where its ground line begins, in the page's metres."""
    x, y = corner
    heads = zone.on_post(at_start)
    line = zone.line if at_start else zone.line.reversed()
    top = max(fence_m, *(head.height_m for head in heads)) + 0.3
    axes.fill([x, x + 3.2, x + 3.2, x], [y - 0.2, y - 0.2, y, y], facecolor=PALE, edgecolor="none")
    axes.plot([x, x + 3.2], [y, y], color=GREY, linewidth=1.2)
    axes.plot([x, x + 3.2], [y + fence_m] * 2, color=GREY, linewidth=0.8, linestyle=(0, (6, 4)))
    axes.text(
        x + 3.2, y + fence_m + 0.03, f"fence top {fence_m:.2f} m", fontsize=5, color=GREY, ha="right", va="bottom"
    )
    for half_metres in range(int(top / 0.5) + 1):
        axes.plot([x - 0.05, x], [y + half_metres / 2] * 2, color=BLACK, linewidth=0.5)
        if half_metres % 2 == 0:
            axes.text(x - 0.08, y + half_metres / 2, f"{half_metres / 2:g}", fontsize=5, ha="right", va="center")
    axes.plot([x, x], [y, y + top], color=BLACK, linewidth=0.5)
    middle = x + 0.8
    axes.plot([middle] * 2, [y, y + heads[-1].height_m + 0.15], color=BLACK, linewidth=2.5, solid_capstyle="butt")
    for head in heads:
        wide, tall = (0.16, 0.26) if head.polarisation == "vertical" else (0.26, 0.16)
        axes.fill(
            middle + np.array([-1, 1, 1, -1]) * wide / 2,
            y + head.height_m + np.array([-1, -1, 1, 1]) * tall / 2,
            facecolor=_LEVEL_COLOUR.get(head.level, BLUE),
            edgecolor=BLACK,
            linewidth=0.8,
            zorder=4,
        )
        # on white, for the line of the fence's top may run behind it
        box = {"facecolor": "white", "edgecolor": "none", "pad": 1.0}
        axes.text(
            middle + 0.28, y + head.height_m, _head_text(head), fontsize=5.5, va="center", linespacing=1.15, bbox=box
        )
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


def stack_sheets(path: Path, zones: Sequence[PlannedZone], title: str, fence_height_m: float) -> None:
    """Every post from the side, twelve a page, heights above its own ground in metres.

    Parameters
    ----------
    path : document to write. zones : with their heads. title : name of the site.
    fence_height_m : drawn beside the heads.
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
            axes.set_xlim(-0.4, columns * wide - 0.6)
            axes.set_ylim(-0.7, rows * tall - 0.4)
            axes.set_aspect("equal", anchor="NW")
            page, pages = first // a_page + 1, max(1, -(-len(posts) // a_page))
            figure.suptitle(f"{title}: stacks, page {page} of {pages}", x=0.03, ha="left", fontsize=10)
            for k, (zone, at_start) in enumerate(posts[first : first + a_page]):
                row, column = divmod(k, columns)
                _post_panel(axes, (column * wide, (rows - 1 - row) * tall), zone, at_start, fence_height_m)
            book.savefig(figure)
