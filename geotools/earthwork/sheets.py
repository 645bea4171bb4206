"""Drawing sheets: a long section for each zone and its cross-sections, A3 landscape, as SVG pages and one PDF."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from geotools.earthwork.volumes import section_areas
from geotools.earthwork.works import Works

__all__ = ["write_sheets"]

_A3 = (16.54, 11.69)  # inches
_PER_SHEET = 6
_EXISTING: dict[str, Any] = {"color": "#404040", "linewidth": 1.0, "linestyle": (0, (5, 3)), "zorder": 4}
_DESIGN: dict[str, Any] = {"color": "#009e73", "linewidth": 1.8}
_SIGHT: dict[str, Any] = {"color": "#0072b2", "linewidth": 0.8, "linestyle": (0, (1, 2))}
_CUT, _FILL = "#e69f00", "#56b4e9"
_CAUTION = (
    "Locate buried services first. Drainage, slopes and erosion are for a licensed civil engineer; local codes rule.\n"
    "A model is no acceptance: walk-test every zone. Handle as sensitive."
)
_STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 8,
    "svg.hashsalt": "geotools",
    "svg.fonttype": "none",
    "pdf.fonttype": 42,
}


def write_sheets(folder: Path, site: str, works: Sequence[Works], datum: str) -> list[str]:
    """Write `sheets/ZONE-long.svg`, `sheets/ZONE-cross-N.svg` and `sheets/earthworks.pdf`; hand back their names.

    datum : words for the vertical datum, for the title block.
    """
    sheets = folder / "sheets"
    sheets.mkdir(exist_ok=True)
    names = []
    total = sum(1 + -(-len(_worked(w)) // _PER_SHEET) for w in works)
    with mpl.rc_context(_STYLE), PdfPages(sheets / "earthworks.pdf", metadata={"CreationDate": None}) as pdf:
        number = 0
        for work in works:
            for name, title, figure in _pages(work):
                number += 1
                _title_block(figure, site, title, datum, number, total)
                figure.savefig(sheets / f"{name}.svg", metadata={"Date": None})
                pdf.savefig(figure)
                names.append(f"sheets/{name}.svg")
    return [*names, "sheets/earthworks.pdf"]


def _pages(work: Works) -> Iterator[tuple[str, str, Figure]]:
    yield f"{work.zone_id}-long", f"Long section, zone {work.zone_id}", _long_section(work)
    worked = _worked(work)
    starts = range(0, len(worked), _PER_SHEET)
    for number, first in enumerate(starts, start=1):
        part = worked[first : first + _PER_SHEET]
        title = f"Cross-sections, zone {work.zone_id}, sheet {number} of {len(starts)}"
        yield f"{work.zone_id}-cross-{number}", title, _cross_sections(work, part)


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


def _title_block(figure: Figure, site: str, title: str, datum: str, number: int, total: int) -> None:
    figure.add_artist(mpl.lines.Line2D([0.04, 0.96], [0.085, 0.085], color="black", linewidth=0.8))
    figure.text(0.04, 0.065, site, fontsize=11, weight="bold", va="center")
    figure.text(0.04, 0.040, title, fontsize=10, va="center")
    figure.text(0.40, 0.052, _CAUTION, fontsize=7, va="center")
    figure.text(0.96, 0.065, f"Sheet {number} of {total}", fontsize=9, ha="right", va="center")
    figure.text(0.96, 0.040, f"Metres. Vertical datum: {datum}", fontsize=8, ha="right", va="center")


def _fills(ax: Axes, x: np.ndarray, existing: np.ndarray, design: np.ndarray) -> None:
    cut, fill = design < existing - 1e-4, design > existing + 1e-4
    kinds = ((cut, _CUT, "///", "cut"), (fill, _FILL, "\\\\\\", "fill"))
    for where, colour, hatch, label in kinds:
        ax.fill_between(
            x, existing, design, where=where, interpolate=True, color=colour, alpha=0.55, hatch=hatch, lw=0, label=label
        )


def _limits(ax: Axes, *levels: np.ndarray) -> None:
    """Vertical axis over the drawn levels, never so tight that a centimetre fills the sheet."""
    low = min(float(np.nanmin(level)) for level in levels)
    high = max(float(np.nanmax(level)) for level in levels)
    room = max(high - low, 0.5)
    middle = (high + low) / 2
    ax.set_ylim(middle - 0.62 * room, middle + 0.62 * room)
    ax.ticklabel_format(axis="y", useOffset=False, style="plain")
    ax.yaxis.set_major_formatter(mpl.ticker.FormatStrFormatter("%.2f"))


def _long_section(work: Works) -> Figure:
    figure = Figure(figsize=_A3)
    ax = figure.add_axes((0.09, 0.42, 0.87, 0.48))
    _fills(ax, work.fine, work.fine_existing, work.fine_design)
    ax.plot(work.fine, work.fine_existing, label="existing ground under the beam", **_EXISTING)
    ax.plot(work.fine, work.fine_design, label="design surface under the beam", **_DESIGN)
    ax.plot(work.fine, work.sight, label="straight line between the heads, at foot level", **_SIGHT)
    top = [work.fine_existing, work.fine_design, work.sight]
    for level, (tx, rx) in work.beams.items():
        ends = work.fine_design[0] + tx, work.fine_design[-1] + rx
        ax.plot([0, work.line.length], ends, color="black", linewidth=0.7)
        ax.annotate(f" {level} {rx:.2f}", (work.line.length, ends[1]), va="center", fontsize=7, annotation_clip=False)
        ax.annotate(f"{level} {tx:.2f} ", (0, ends[0]), va="center", ha="right", fontsize=7, annotation_clip=False)
        top.append(np.array(ends))
    _limits(ax, *top)
    low, high = ax.get_ylim()
    scale = (0.87 * _A3[0] / work.line.length) / (0.48 * _A3[1] / (high - low))
    ax.set_xlim(0, work.line.length)
    ax.set_ylabel("level [m]", labelpad=22)
    ax.grid(True, linewidth=0.3, color="#b0b0b0")
    ax.tick_params(labelbottom=False)
    ax.tick_params(axis="y", pad=38)
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, 1.10), ncols=5, frameon=False)
    ax.set_title(f"heights {1 / scale:.0f} times enlarged", loc="left", fontsize=8)
    bands = figure.add_axes((0.09, 0.19, 0.87, 0.21), sharex=ax)
    bands.set_ylim(0, 4)
    bands.set_yticks([3.5, 2.5, 1.5, 0.5], ["station [m]", "existing [m]", "design [m]", "cut - / fill + [m]"])
    bands.tick_params(labelbottom=False, bottom=False, left=False)
    existing = np.interp(work.chainage, work.fine, work.fine_existing)
    design = np.interp(work.chainage, work.fine, work.fine_design)
    rows = (work.chainage, existing, design, design - existing)
    for y, values, form in zip((3.5, 2.5, 1.5, 0.5), rows, ("{:.1f}", "{:.2f}", "{:.2f}", "{:+.2f}"), strict=True):
        for s, value in zip(work.chainage, values, strict=True):
            side = "left" if s == 0 else "right" if s == work.chainage[-1] else "center"
            text = "0.00" if y == 0.5 and abs(value) < 0.005 else form.format(value)
            shift = {"left": 4, "right": -4, "center": 0}[side]
            bands.annotate(
                text,
                (s, y),
                (shift, 0),
                textcoords="offset points",
                ha=side,
                va="center",
                rotation=90,
                fontsize=7.5,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
            )
    for y in (1, 2, 3):
        bands.axhline(y, color="black", linewidth=0.5)
    for s in work.chainage:
        bands.axvline(s, color="#b0b0b0", linewidth=0.3, zorder=0)
    lines = [f"{method}: cut {cut:.1f} m3, fill {fill:.1f} m3" for method, (cut, fill) in work.volumes.items()]
    figure.text(0.09, 0.135, "Volumes by method   " + "     ".join(lines), fontsize=8.5)
    figure.text(
        0.09,
        0.112,
        f"Station 0 is the transmitter post; line bears {work.line.azimuth_deg:.2f} degrees from grid north.",
    )
    return figure


def _cross_sections(work: Works, part: range) -> Figure:
    figure = Figure(figsize=_A3)
    axes = figure.subplots(3, 2, squeeze=False)
    figure.subplots_adjust(left=0.07, right=0.96, top=0.94, bottom=0.15, hspace=0.55, wspace=0.16)
    for ax in axes.ravel()[len(part) :]:
        ax.set_visible(False)
    right = -work.offset  # a section is drawn as seen along the line: left on the left
    order = np.argsort(right)
    cut, fill = section_areas(work.offset, work.existing, work.design)
    for ax, i in zip(axes.ravel(), part, strict=False):
        ground, design = work.existing[i][order], work.design[i][order]
        _fills(ax, right[order], ground, design)
        ax.plot(right[order], ground, **_EXISTING)
        ax.plot(right[order], design, **_DESIGN)
        ax.axvline(0, color="black", linewidth=0.6, linestyle=(0, (8, 2, 1, 2)))
        _limits(ax, ground, design)
        ax.set_xlim(right.min(), right.max())
        ax.grid(True, linewidth=0.3, color="#b0b0b0")
        whole = np.arange(np.ceil(right.min()), np.floor(right.max()) + 1)
        marks = [
            f"{abs(o):.0f}{' L' if o < 0 else ' R' if o > 0 else ''}\n{np.interp(o, right[order], ground):.2f}\n"
            f"{np.interp(o, right[order], design):.2f}"
            for o in whole
        ]
        ax.set_xticks(whole, marks)
        ax.text(-0.02, -0.055, "offset\nexisting\ndesign", transform=ax.transAxes, ha="right", va="top", fontsize=7)
        ax.set_title(
            f"station {work.chainage[i]:.1f}     cut {cut[i]:.2f} m2, fill {fill[i]:.2f} m2", loc="left", fontsize=9
        )
        ax.tick_params(labelsize=7)
    handles = [
        mpl.lines.Line2D([], [], label="existing", **_EXISTING),
        mpl.lines.Line2D([], [], label="design", **_DESIGN),
        mpl.patches.Patch(facecolor=_CUT, alpha=0.55, hatch="///", label="cut"),
        mpl.patches.Patch(facecolor=_FILL, alpha=0.55, hatch="\\\\\\", label="fill"),
    ]
    figure.legend(handles=handles, loc="upper right", ncols=4, frameon=False, bbox_to_anchor=(0.96, 0.995))
    figure.text(
        0.07, 0.975, "seen along the line, from transmitter to receiver; heights enlarged, see axes", fontsize=8
    )
    return figure
