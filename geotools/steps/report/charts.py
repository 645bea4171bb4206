"""The report's drawings: a long section of each zone and a map; arrays in, figures out."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from geotools.schema.style import BLACK, BLUE, GREEN, GREY, ORANGE, PALE, PURPLE, SKY, VERMILION
from geotools.steps.report.blocks import Picture, Table
from geotools.steps.report.wording import words

__all__ = ["Dead", "MapArt", "Section", "draw", "long_section", "plan_map", "profile_table"]

Floats = NDArray[np.float64]
# inches: a desk window, a phone held upright, a sheet of paper between its margins
WIDE, NARROW, PAPER = 9.2, 3.7, 7.2
PAPER_DPI = 150
_FONT: dict[Any, Any] = {
    "text.parse_math": False,  # a name may hold a dollar sign
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "axes.linewidth": 0.6,
    "svg.fonttype": "path",
    "hatch.linewidth": 0.6,
}
_LEVEL_LINE = {"low": (ORANGE, ":", 1.6), "usual": (BLUE, "-", 1.4), "top": (GREEN, "--", 1.4)}
_THREAT_LINE = ((VERMILION, "-"), (BLUE, "--"), (BLACK, ":"), (PURPLE, "-."), (GREEN, (0, (5, 1))), (GREY, (0, (1, 1))))
_HATCH = ("////", "\\\\\\\\", "xxxx", "....", "||||", "----")


@dataclass(frozen=True)
class Dead:
    """A dead spot of one threat between two chainages, metres."""

    threat: str
    from_m: float
    to_m: float


@dataclass(frozen=True)
class Section:
    """A zone along its line. Heights in metres of the site's datum.

    chainage, ground, design : (n,); design None where no grading is planned.
    beams : level name with the height of the axis at both ends.
    floors : threat with the height above ground (n,) from which it is detected, worst over the strip; NaN = none.
    target_height : metres of each threat's target. threats : all of the site, so that each keeps its colour and hatch.
    """

    zone: str
    chainage: Floats
    ground: Floats
    design: Floats | None = None
    beams: Sequence[tuple[str, float, float]] = ()
    floors: dict[str, Floats] = field(default_factory=dict)
    target_height: dict[str, float] = field(default_factory=dict)
    dead: Sequence[Dead] = ()
    threats: Sequence[str] = ()


def long_section(section: Section, width: float) -> Figure:
    """Ground, beams and dead spots above; the crawl gap under the beams below."""
    narrow = width < 5
    panels = 2 if section.floors else 1
    figure = Figure(figsize=(width, 4))
    axes = figure.subplots(panels, 1, sharex=True, height_ratios=[3, 2][:panels], squeeze=False)[:, 0]
    _ground_panel(axes[0], section)
    if panels == 2:
        _floor_panel(axes[1], section, narrow)
    span = float(section.chainage[-1])
    axes[-1].set_xlabel("chainage from the transmitter post (m)")
    axes[-1].set_xlim(-0.015 * span, 1.015 * span)
    axes[-1].xaxis.set_major_locator(MaxNLocator(5 if narrow else 10))
    columns = max(int(width / 2.3), 1)
    handles = _legend_handles(axes)
    figure.legend(
        handles.values(),
        handles.keys(),
        loc="lower left",
        bbox_to_anchor=(0.01, 0.0),
        ncols=columns,
        frameon=False,
        handlelength=2.6,
    )
    _fix_layout(figure, width, panels, -(-len(handles) // columns))
    return figure


def _legend_handles(axes: Iterable[Axes]) -> dict[str, Any]:
    """One entry for each label, in the order of drawing."""
    return {label: handle for ax in axes for handle, label in zip(*ax.get_legend_handles_labels(), strict=True)}


def _fix_layout(figure: Figure, width: float, panels: int, legend_rows: int) -> None:
    """Margins in inches that hold every label: far quicker than having them sought anew for every drawing."""
    left, right, top, between = 0.72, 0.12, 0.1, 0.12
    bottom = 0.5 + 0.19 * legend_rows
    height = 2.0 + (between + 1.35 if panels == 2 else 0.0) + bottom + top
    figure.set_size_inches(width, height)
    figure.subplots_adjust(left / width, bottom / height, 1 - right / width, 1 - top / height, hspace=between)


def _ground_panel(ax: Axes, s: Section) -> None:
    levels = [z for _, a, b in s.beams for z in (a, b)]
    bottom = float(min(s.ground.min(), s.ground.min() if s.design is None else np.nanmin(s.design)))
    top = float(max([s.ground.max(), *levels]))
    pad = 0.12 * max(top - bottom, 0.5)
    ax.fill_between(s.chainage, s.ground, bottom - pad, color=PALE, linewidth=0)
    ax.plot(s.chainage, s.ground, color=BLACK, lw=1.2, label="ground")
    if s.design is not None:
        ax.plot(s.chainage, s.design, color=VERMILION, lw=1.3, ls=(0, (4, 1.5)), label="design surface")
    for level, z0, z1 in s.beams:
        colour, dash, lw = _LEVEL_LINE.get(level, (GREY, "-", 1.2))
        ends = [s.chainage[0], s.chainage[-1]]
        ax.plot(ends, [z0, z1], color=colour, ls=dash, lw=lw, label=f"{level} beam")
        ax.plot(ends, [z0, z1], color=colour, ls="", marker="s", ms=4, mec=BLACK, mew=0.5)
    for i, threat in enumerate(s.threats):
        shown = False
        for d in (d for d in s.dead if d.threat == threat):
            ax.axvspan(
                d.from_m,
                d.to_m,
                facecolor="none",
                edgecolor=_THREAT_LINE[i % 6][0],
                hatch=_HATCH[i % 6],
                linewidth=0,
                label=None if shown else f"dead for {words(threat)}",
            )
            shown = True
    ax.set_ylim(bottom - pad, top + pad)
    ax.set_ylabel("height (m)")
    ax.yaxis.set_major_locator(MaxNLocator(5))
    _calm(ax)


def _floor_panel(ax: Axes, s: Section, narrow: bool) -> None:
    top = 1.25 * max([0.5, *s.target_height.values()])
    for i, (name, floor) in enumerate(s.floors.items()):
        colour, dash = _THREAT_LINE[i % 6]
        ax.fill_between(s.chainage, np.clip(floor, 0, 10), color=PALE, linewidth=0)
        ax.plot(s.chainage, np.clip(floor, 0, 10), color=colour, ls=dash, lw=1.4, label=words(name))
    for i, (threat, height) in enumerate(s.target_height.items()):
        ax.axhline(height, color=BLACK, ls=(0, (4 + 3 * i, 3)), lw=0.8)
        ax.annotate(
            f"{words(threat)} {height:.2f} m",
            (1.0, height),
            xycoords=("axes fraction", "data"),
            xytext=(-3, 2),
            textcoords="offset points",
            ha="right",
            fontsize=7.5,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.6},
        )
    ax.set_ylim(0, top)
    ax.set_ylabel("gap (m)" if narrow else "crawl gap (m)")
    ax.yaxis.set_major_locator(MaxNLocator(4))
    _calm(ax)


def _calm(ax: Axes) -> None:
    ax.grid(color=PALE, lw=0.5)
    ax.set_axisbelow(True)
    ax.spines[["top", "right"]].set_visible(False)


@dataclass(frozen=True)
class MapArt:
    """What the map shows, in map metres: lines and areas as (n, 2) arrays of vertices."""

    fences: Sequence[Floats]
    zones: Sequence[tuple[str, Floats]]
    dead: Sequence[tuple[str, Floats]]
    transmitters: Floats
    receivers: Floats
    threats: Sequence[str] = ()


def plan_map(art: MapArt, width: float) -> Figure:
    """Fence, zones with their names, heads and dead spots, north up, with a scale bar."""
    narrow = width < 5
    points = np.vstack([*art.fences, *[z for _, z in art.zones]])
    low, high = points.min(axis=0), points.max(axis=0)
    extent = np.maximum(high - low, 1.0)
    middle = (low + high) / 2
    half = extent / 2 * 1.05 + 0.03 * extent.max()
    # room for the scale bar beneath everything else
    half[1] += 0.035 * extent.max()
    middle[1] -= 0.035 * extent.max()
    ratio = float(np.clip(half[1] / half[0], 0.45, 1.5))
    columns = max(int(width / 1.75), 1)
    height = width * ratio + 0.19 * -(-(4 + len({t for t, _ in art.dead})) // columns) + 0.15
    figure = Figure(figsize=(width, height), layout="constrained")
    ax = figure.subplots()
    for i, threat in enumerate(art.threats):
        rings = [r for t, r in art.dead if t == threat]
        colour = _THREAT_LINE[i % 6][0]
        for k, ring in enumerate(rings):
            # a tint beneath and hatching above: spots of several threats on one place all stay visible
            ax.fill(*ring.T, facecolor=colour, alpha=0.25, edgecolor="none", zorder=3 + i)
            ax.fill(
                *ring.T,
                facecolor="none",
                edgecolor=colour,
                hatch=_HATCH[i % 6],
                lw=1.0,
                zorder=4 + i,
                label=None if k else f"dead for {words(threat)}",
            )
    for i, (name, ring) in enumerate(art.zones):
        ax.fill(*ring.T, facecolor=SKY, alpha=0.18, edgecolor="none", label=None if i else "zone")
        ax.plot(*ring.T, color=BLUE, lw=0.5)
        x, y = ring[:-1].mean(axis=0)
        ax.annotate(
            name,
            (x, y),
            xytext=(7 if x >= middle[0] else -7, 7 if y >= middle[1] else -7),
            textcoords="offset points",
            ha="left" if x >= middle[0] else "right",
            va="bottom" if y >= middle[1] else "top",
            fontsize=7 if narrow else 8,
            zorder=9,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.8},
        )
    for i, line in enumerate(art.fences):
        ax.plot(*line.T, color=BLACK, lw=1.0, ls="-.", label=None if i else "fence line")
    ax.plot(
        *art.transmitters.T, ls="", marker="^", ms=6, mfc=VERMILION, mec=BLACK, mew=0.6, label="transmitter", zorder=8
    )
    ax.plot(*art.receivers.T, ls="", marker="s", ms=4.5, mfc=SKY, mec=BLACK, mew=0.6, label="receiver", zorder=8)
    half = np.array([max(half[0], half[1] / ratio), max(half[1], half[0] * ratio)])
    ax.set_xlim(middle[0] - half[0], middle[0] + half[0])
    ax.set_ylim(middle[1] - half[1], middle[1] + half[1])
    ax.set_aspect("equal")
    ax.set_axis_off()
    _scale_bar(ax, 2 * half[0])
    ax.annotate(
        "N",
        (0.985, 0.97),
        xycoords="axes fraction",
        xytext=(0, -26),
        textcoords="offset points",
        ha="center",
        arrowprops={"arrowstyle": "-|>", "color": BLACK, "lw": 1.2},
    )
    figure.legend(loc="outside lower left", ncols=columns, frameon=False)
    return figure


def _scale_bar(ax: Axes, span: float) -> None:
    wanted = span / 4
    power = 10 ** np.floor(np.log10(wanted))
    length = max(f * power for f in (1, 2, 5) if f * power <= wanted)
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    x, y = x0 + 0.02 * (x1 - x0), y0 + 0.025 * (y1 - y0)
    ax.plot([x, x + length], [y, y], color=BLACK, lw=2.5, solid_capstyle="butt", zorder=10)
    ax.annotate(f"{length:g} m", (x + length, y), xytext=(5, -3), textcoords="offset points", fontsize=8, zorder=10)


def draw(make: Callable[[float], Figure], alt: str, caption: str) -> Picture:
    """The same drawing in its three cuts; equal input gives equal bytes."""
    with mpl.rc_context({**_FONT, "svg.hashsalt": "report"}):
        cuts = []
        for width, kind in ((WIDE, "svg"), (NARROW, "svg"), (PAPER, "png")):
            stream = io.BytesIO()
            extra: dict[str, Any] = {"metadata": {"Date": None}}
            if kind == "png":
                # pressing harder costs more time than the few kilobytes are worth
                extra = {"metadata": {"Software": None}, "dpi": PAPER_DPI, "pil_kwargs": {"compress_level": 2}}
            make(width).savefig(stream, format=kind, **extra)
            cuts.append(stream.getvalue())
    return Picture(alt, caption, *cuts)


def profile_table(section: Section, names: Sequence[str]) -> Table:
    """The drawing's numbers for who cannot see it, at a dozen round chainages: a row for the ground and one a floor."""
    length = float(section.chainage[-1])
    step = next(s for s in (5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 1000.0) if length / s <= 11)
    at = np.arange(0.0, length + 1e-6, step)
    drawn = [np.interp(at, section.chainage, section.ground)]
    drawn += [np.interp(at, section.chainage, f) for f in section.floors.values()]
    rows = [[n, *(f"{v:.2f}" if np.isfinite(v) else "–" for v in d)] for n, d in zip(names, drawn, strict=True)]
    columns = ["chainage, m", *(f"{s:.0f}" for s in at)]
    return Table.of(f"Long section of {section.zone} in figures", columns, rows, aside=True)
