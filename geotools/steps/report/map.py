"""The report's map: fence, zones, heads and dead spots to scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from geotools.plan.schema.style import BLACK, BLUE, SKY, VERDICT_COLOURS, VERMILION
from geotools.steps.report.frame import HATCH, LETTER_EM, THREAT_LINE, Legend
from geotools.steps.report.wording import words
from geotools.terrain.shading import Shade

__all__ = ["MapArt", "extent_of", "plan_map"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class MapArt:
    """What the map shows, in map metres: lines and areas as (n, 2) arrays of vertices.

    verdicts : what may be said of each stretch of fence for all threats together, in the colours of its layer.
    ground : its light and shade, drawn beneath everything.
    """

    fences: Sequence[Floats]
    zones: Sequence[tuple[str, Floats]]
    dead: Sequence[tuple[str, Floats]]
    transmitters: Floats
    receivers: Floats
    threats: Sequence[str] = ()
    verdicts: Sequence[tuple[str, Floats]] = ()
    ground: Shade | None = None


#: Verdict, its words, and its line: as the style of the layer verdicts has them.
_VERDICTS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    ("detected", "fence: detected, 95 % confidence", {"color": VERDICT_COLOURS["detected"], "lw": 2.2}),
    ("unproven", "fence: unproven", {"color": VERDICT_COLOURS["unproven"], "lw": 3.0, "ls": (0, (4, 1.5))}),
    ("undetected", "fence: undetected", {"color": VERDICT_COLOURS["undetected"], "lw": 4.0}),
    ("no_beam", "fence: no beam", {"color": VERDICT_COLOURS["no_beam"], "lw": 3.4, "ls": (0, (1, 1))}),
)


#: A stretch shorter than this share of the map's width is ringed: less than the mark of a head.
_SHORT_SHARE = 0.02


def plan_map(art: MapArt, width: float) -> Figure:
    """Fence, zones with their names, heads and dead spots, north up, with a scale bar."""
    points = np.vstack([*art.fences, *[z for _, z in art.zones]])
    low, high = points.min(axis=0), points.max(axis=0)
    extent = np.maximum(high - low, 1.0)
    middle = (low + high) / 2
    half = extent / 2 * 1.05 + 0.03 * extent.max()
    # room for the scale bar beneath everything else
    half[1] += 0.035 * extent.max()
    middle[1] -= 0.035 * extent.max()
    ratio = float(np.clip(half[1] / half[0], 0.45, 1.5))
    figure = Figure()
    ax = figure.add_axes((0, 0, 1, 1), frameon=False)
    ax.set_axis_off()
    if art.ground is not None:
        _shade(ax, art.ground)
    for i, threat in enumerate(art.threats):
        rings = [r for t, r in art.dead if t == threat]
        colour = THREAT_LINE[i % 6][0]
        for k, ring in enumerate(rings):
            # a tint beneath and hatching above: spots of several threats on one place all stay visible
            ax.fill(*ring.T, facecolor=colour, alpha=0.25, edgecolor="none", zorder=3 + i)
            ax.fill(
                *ring.T,
                facecolor="none",
                edgecolor=colour,
                hatch=HATCH[i % 6],
                lw=1.0,
                zorder=4 + i,
                label=None if k else f"dead for {words(threat)}",
            )
    for i, (_, ring) in enumerate(art.zones):
        ax.fill(*ring.T, facecolor=SKY, alpha=0.18, edgecolor="none", label=None if i else "zone")
        ax.plot(*ring.T, color=BLUE, lw=0.5)
    for i, line in enumerate(art.fences):
        ax.plot(*line.T, color=BLACK, lw=1.0, ls="-.", label=None if i else "fence line")
    for verdict, label, style in _VERDICTS:
        stretches = [line for name, line in art.verdicts if name == verdict]
        for k, line in enumerate(stretches):
            ax.plot(*line.T, solid_capstyle="butt", zorder=7, label=None if k else label, **style)
    ax.plot(
        *art.transmitters.T, ls="", marker="^", ms=6, mfc=VERMILION, mec=BLACK, mew=0.6, label="transmitter", zorder=8
    )
    ax.plot(*art.receivers.T, ls="", marker="s", ms=4.5, mfc=SKY, mec=BLACK, mew=0.6, label="receiver", zorder=8)
    half = np.array([max(half[0], half[1] / ratio), max(half[1], half[0] * ratio)])
    _rings(ax, art.verdicts, _SHORT_SHARE * 2 * half[0])
    ax.set_xlim(middle[0] - half[0], middle[0] + half[0])
    ax.set_ylim(middle[1] - half[1], middle[1] + half[1])
    _scale_bar(ax, 2 * half[0])
    legend = Legend([ax], width)
    # the names beside the outermost zones need more room than the map's own margin, and north stands above them
    size = 7 if width < 8 else 8
    side = max(0.1, LETTER_EM * size / 72 * max(len(name) for name, _ in art.zones) + 0.12 - 0.045 * width)
    wide, top = width - 2 * side, 0.45
    height = top + wide * ratio + legend.height + 0.12
    figure.set_size_inches(width, height)
    ax.set_position((side / width, 1 - (top + wide * ratio) / height, wide / width, wide * ratio / height))
    _names(ax, art.zones, middle, size, wide / (2 * half[0]))
    figure.text(1 - 0.12 / width, 1 - 0.42 / height, "N", ha="center")
    north = {"arrowstyle": "-|>", "color": BLACK, "lw": 1.2}
    x, head, tail = 1 - 0.12 / width, 1 - 0.04 / height, 1 - 0.28 / height
    part = "figure fraction"
    ax.annotate("", (x, head), (x, tail), xycoords=part, textcoords=part, arrowprops=north)
    legend.add_to(figure)
    return figure


def _rings(ax: Axes, verdicts: Sequence[tuple[str, Floats]], short_m: float) -> None:
    """A ring about every stretch where somebody gets through that is too short to be seen at the map's scale."""
    for verdict, line in verdicts:
        if verdict == "undetected" and np.hypot(*np.diff(line, axis=0).T).sum() < short_m:
            middle = (line[0] + line[-1]) / 2
            ring: dict[str, Any] = {"ms": 11, "mfc": "none", "mec": VERDICT_COLOURS[verdict], "mew": 1.8}
            ax.plot(*middle, ls="", marker="o", zorder=9, gid="undetected-short", **ring)


def _shade(ax: Axes, ground: Shade) -> None:
    """The ground under everything, so pale that every line stays plain to see."""
    half = (ground.x[1] - ground.x[0]) / 2
    extent = (ground.x[0] - half, ground.x[-1] + half, ground.y[0] - half, ground.y[-1] + half)
    ax.imshow(ground.light, cmap="gray", vmin=-0.6, vmax=1.0, extent=extent, origin="lower", zorder=0, aspect="auto")


def extent_of(art: MapArt) -> tuple[Floats, Floats]:
    """South-west and north-east corner of what the map shows, (2,) each, m."""
    points = np.vstack([*art.fences, *[z for _, z in art.zones]])
    low, high = points.min(axis=0), points.max(axis=0)
    around = 0.06 * float((high - low).max())
    return low - around, high + around


def _names(ax: Axes, zones: Sequence[tuple[str, Floats]], middle: Floats, size: float, inches_a_metre: float) -> None:
    """Names beside their zones, away from the middle; one that would run into another is left out."""
    taken: list[tuple[float, float, float, float]] = []
    pad, tall = 7 / 72, 1.1 * size / 72
    for name, ring in zones:
        x, y = ring[:-1].mean(axis=0)
        right, above = x >= middle[0], y >= middle[1]
        long = 0.95 * LETTER_EM * size / 72 * len(name)
        left = x * inches_a_metre + (pad if right else -pad - long)
        low = y * inches_a_metre + (pad if above else -pad - tall)
        if any(left < r and a < left + long and low < t and b < low + tall for a, r, b, t in taken):
            continue
        taken.append((left, left + long, low, low + tall))
        ax.annotate(
            name,
            (x, y),
            xytext=(7 if right else -7, 7 if above else -7),
            textcoords="offset points",
            ha="left" if right else "right",
            va="bottom" if above else "top",
            fontsize=size,
            zorder=9,
            bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.8},
        )


def _scale_bar(ax: Axes, span: float) -> None:
    wanted = span / 4
    power = 10 ** np.floor(np.log10(wanted))
    length = max(f * power for f in (1, 2, 5) if f * power <= wanted)
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    x, y = x0 + 0.02 * (x1 - x0), y0 + 0.025 * (y1 - y0)
    ax.plot([x, x + length], [y, y], color=BLACK, lw=2.5, solid_capstyle="butt", zorder=10)
    ax.annotate(f"{length:g} m", (x + length, y), xytext=(5, -3), textcoords="offset points", fontsize=8, zorder=10)
