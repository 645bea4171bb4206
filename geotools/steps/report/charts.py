"""The report's drawings of each zone, and any drawing as the pictures of a report; arrays in, figures out."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image

from geotools.plan.schema.style import BLACK, BLUE, GREEN, GREY, NAMES_AS_WRITTEN, ORANGE, PALE, VERMILION
from geotools.steps.report.blocks import Picture, Table
from geotools.steps.report.frame import FONT_PT, HATCH, THREAT_LINE, Legend, marks, scales
from geotools.steps.report.wording import words

__all__ = ["Dead", "LongSections", "ZoneSection", "draw", "long_section", "profile_table"]

Floats = NDArray[np.float64]
# inches: a desk window, a phone held upright, a sheet of paper between its margins
WIDE, NARROW, PAPER = 9.2, 3.7, 7.2
PAPER_DPI = 150
_FONT: dict[Any, Any] = {
    **NAMES_AS_WRITTEN,
    "font.family": "DejaVu Sans",
    "font.size": FONT_PT,
    "axes.linewidth": 0.6,
    "svg.fonttype": "path",
    "hatch.linewidth": 0.6,
}
#: Share of the panel's height that the band of a threat's dead spots takes.
_BAND = 0.07
_LEVEL_LINE = {"low": (ORANGE, ":", 1.6), "main": (BLUE, "-", 1.4), "top": (GREEN, "--", 1.4)}


@dataclass(frozen=True)
class Dead:
    """A dead spot of one threat between two chainages, metres."""

    threat: str
    from_m: float
    to_m: float


@dataclass(frozen=True)
class ZoneSection:
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


class LongSections:
    """Drawings of zones: ground, beams and dead spots above, the crawl gap under the beams below.

    One figure serves every width of every zone, since making axes takes as long as drawing on them. A figure that was
    handed out is good until the next one is requested.
    """

    _LEFT, _RIGHT, _TOP, _BETWEEN, _FOOT = 0.74, 0.12, 0.1, 0.22, 0.5
    _HEIGHTS = (1.95, 1.3)

    def __init__(self) -> None:
        self._figure = Figure()
        self._held: ZoneSection | None = None
        self._scales: list[Artist] = []

    def at(self, section: ZoneSection, width: float) -> Figure:
        """The drawing of a zone, ``width`` in inches."""
        for artist in self._scales:
            artist.remove()
        self._scales = []
        if section is not self._held:
            self._hold(section)
        self._lay_out(width)
        return self._figure

    def _hold(self, section: ZoneSection) -> None:
        """Draw what all widths have in common."""
        panels = self._figure.axes
        if len(panels) != (count := 2 if section.floors else 1):
            self._figure.clear()
            panels = [self._figure.add_axes((0, 0, 1, 1), frameon=False) for _ in range(count)]
        span = float(section.chainage[-1])
        for ax in panels:
            for artist in (*ax.lines, *ax.patches, *ax.collections, *ax.texts):
                artist.remove()
            ax.set_axis_off()
            ax.set_xlim(-0.015 * span, 1.015 * span)
        _ground_panel(panels[0], section)
        if section.floors:
            _floor_panel(panels[1], section)
        self._held = section

    def _lay_out(self, width: float) -> None:
        """Scales, legend and every place for one width."""
        figure, panels, narrow = self._figure, self._figure.axes, width < 5
        heights = self._HEIGHTS[: len(panels)]
        legend = Legend(panels, width)
        wide, bottom = width - self._LEFT - self._RIGHT, self._FOOT + legend.height
        height = self._TOP + sum(heights) + self._BETWEEN * (len(panels) - 1) + bottom
        figure.set_size_inches(width, height)
        added = legend.add_to(figure)
        top = height - self._TOP
        names = ["height (m)", "gap (m)" if narrow else "crawl gap (m)"]
        for ax, tall, name, parts in zip(panels, heights, names, (5, 4), strict=False):
            ax.set_position((self._LEFT / width, (top - tall) / height, wide / width, tall / height))
            x, y = marks(*ax.get_xlim(), 5 if narrow else 10), marks(*ax.get_ylim(), parts)
            added += scales(ax, (wide, tall), x, y, x_words=ax is panels[-1])
            middle = (top - tall / 2) / height
            added.append(figure.text(0.1 / width, middle, name, rotation=90, ha="center", va="center"))
            top -= tall + self._BETWEEN
        foot = (self._LEFT + wide / 2) / width, (bottom - 0.36) / height
        added.append(figure.text(*foot, "chainage from the transmitter post (m)", ha="center", va="center"))
        self._scales = added


def long_section(section: ZoneSection, width: float) -> Figure:
    """The drawing of one zone alone."""
    return LongSections().at(section, width)


def _ground_panel(ax: Axes, s: ZoneSection) -> None:
    levels = [z for _, a, b in s.beams for z in (a, b)]
    bottom = float(min(np.nanmin(s.ground), np.nanmin(s.ground) if s.design is None else np.nanmin(s.design)))
    top = float(max([np.nanmax(s.ground), *levels]))
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
        colour = THREAT_LINE[i % 6][0]
        for d in (d for d in s.dead if d.threat == threat):
            # a tint where it lies, and its hatching in a band at the top: the ground beneath stays plain to see
            ax.axvspan(d.from_m, d.to_m, facecolor=colour, alpha=0.12, linewidth=0)
            ax.axvspan(
                d.from_m,
                d.to_m,
                ymin=1.0 - _BAND * (i + 1),
                ymax=1.0 - _BAND * i,
                facecolor="white",
                edgecolor=colour,
                hatch=HATCH[i % 6],
                linewidth=0,
                label=None if shown else f"dead for {words(threat)}",
            )
            shown = True
    ax.set_ylim(bottom - pad, top + pad)


def _floor_panel(ax: Axes, s: ZoneSection) -> None:
    top = 1.25 * max([0.5, *s.target_height.values()])
    for i, (name, floor) in enumerate(s.floors.items()):
        colour, dash = THREAT_LINE[i % 6]
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


def draw(at: Callable[[float], Figure], alt: str, caption: str) -> Picture:
    """The drawing ``at`` three widths, its cuts; equal input gives equal bytes."""
    with mpl.rc_context({**_FONT, "svg.hashsalt": "report"}):
        return Picture(alt, caption, _svg(at(WIDE)), _svg(at(NARROW)), _png(at(PAPER)))


def _svg(figure: Figure) -> bytes:
    stream = io.BytesIO()
    figure.savefig(stream, format="svg", metadata={"Date": None})
    return stream.getvalue()


def _png(figure: Figure) -> bytes:
    """Without the layer of transparency: a drawing on white has none, and documents would carry it along."""
    figure.set_dpi(PAPER_DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    stream = io.BytesIO()
    # pressing harder costs more time than the few kilobytes are worth
    drawn = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    drawn.save(stream, "png", compress_level=2, dpi=(PAPER_DPI, PAPER_DPI))
    return stream.getvalue()


def profile_table(section: ZoneSection, names: Sequence[str]) -> Table:
    """The drawing's numbers for who cannot see it, at a dozen round chainages: a row for the ground and one a floor."""
    length = float(section.chainage[-1])
    step = next(s for s in (5.0, 10.0, 20.0, 25.0, 50.0, 100.0, 1000.0) if length / s <= 11)
    at = np.arange(0.0, length + 1e-6, step)
    drawn = [np.interp(at, section.chainage, section.ground)]
    drawn += [np.interp(at, section.chainage, f) for f in section.floors.values()]
    rows = [[n, *(f"{v:.2f}" if np.isfinite(v) else "–" for v in d)] for n, d in zip(names, drawn, strict=True)]
    columns = ["chainage, m", *(f"{s:.0f}" for s in at)]
    return Table.of(f"Long section of {section.zone} in figures", columns, rows, aside=True)
