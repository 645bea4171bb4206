"""Picture of a layout: the site from above."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke

from geotools.plan.model import Zone
from geotools.plan.schema.style import BLACK, BLUE, GREY, NAMES_AS_WRITTEN, PALE, PURPLE, SKY, VERMILION
from geotools.site.gates import Gate
from geotools.steps.layout.usable import Course

__all__ = ["plan_picture"]

_MOST_LABELS = 60
#: Of a picture, shorter side to longer at least.
_LEAST_ASPECT = 0.25


def _round_length(length: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is not above a length."""
    power = 10.0 ** np.floor(np.log10(length))
    return float(max(step * power for step in (1, 2, 5) if step * power <= length * 1.0001))


def _furniture(axes: Axes) -> None:
    """North arrow and scale bar."""
    left, right = axes.get_xlim()
    bottom, top = axes.get_ylim()
    bar = _round_length((right - left) / 5)
    x, y = left + 0.03 * (right - left), bottom + 0.03 * (top - bottom)
    axes.plot([x, x + bar], [y, y], color=BLACK, linewidth=2.5, solid_capstyle="butt", zorder=9)
    axes.text(x + bar / 2, y + 0.008 * (top - bottom), f"{bar:g} m", ha="center", va="bottom", fontsize=8, zorder=9)
    axes.annotate(
        "N",
        xy=(0.03, 0.985),
        xytext=(0.03, 0.915),
        xycoords="axes fraction",
        ha="center",
        va="center",
        fontsize=9,
        arrowprops={"arrowstyle": "-|>", "color": BLACK},
    )


def _area(axes: Axes, shape: shapely.Geometry, **look: Any) -> None:
    for part in shapely.get_parts(shape):
        rings = [part.exterior, *part.interiors]
        # one path with holes: even-odd filling would need a compound path, two fills in turn do as well
        axes.fill(*np.asarray(rings[0].coords)[:, :2].T, **look)
        for hole in rings[1:]:
            axes.fill(*np.asarray(hole.coords)[:, :2].T, facecolor="white", edgecolor=look.get("edgecolor"), zorder=1)


def _sides(left: float, bottom: float, right: float, top: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """The other side and the side itself, for east and for north."""
    return (top - bottom, right - left), (right - left, top - bottom)


def _areas_shown(courses: Sequence[Course]) -> list[Patch]:
    """Legend of the areas beside the clear ground that the picture has, and only of those."""
    shown = []
    if any(
        part.geom_type == "Polygon" for one in courses for shape in one.obstacles for part in shapely.get_parts(shape)
    ):
        shown.append(Patch(facecolor=GREY, edgecolor=BLACK, label="no beams, no posts"))
    if any(not course.no_posts.is_empty for course in courses):
        shown.append(Patch(facecolor=GREY, edgecolor=GREY, alpha=0.35, label="no posts"))
    return shown


def _gates(axes: Axes, gates: Sequence[Gate]) -> list[Line2D | Patch]:
    """Draw openings as gaps between two jambs, and the ground that leaves sweep; their part of the legend."""
    for gate in gates:
        for part in shapely.get_parts(gate.opening):
            xy = shapely.get_coordinates(part)
            axes.plot(xy[:, 0], xy[:, 1], color=BLACK, linewidth=5.0, solid_capstyle="projecting", zorder=2.5)
            axes.plot(xy[:, 0], xy[:, 1], color="white", linewidth=3.5, solid_capstyle="butt", zorder=2.6)
        swept = [part.exterior.coords for part in shapely.get_parts(gate.swept) if not part.is_empty]
        for ring in swept:
            axes.plot(*np.asarray(ring)[:, :2].T, color=BLACK, linewidth=0.6, linestyle=":", zorder=2.4)
    shown: list[Line2D | Patch] = []
    if gates:
        shown.append(Patch(facecolor="white", edgecolor=BLACK, label="gate"))
    if any(not gate.swept.is_empty for gate in gates):
        shown.append(Line2D([], [], color=BLACK, linewidth=0.6, linestyle=":", label="swept by its leaf"))
    return shown


@mpl.rc_context(NAMES_AS_WRITTEN)
def plan_picture(
    path: Path,
    courses: Sequence[Course],
    zones: Sequence[Zone],
    conflicts: Sequence[Mapping[str, Any]],
    title: str,
    gates: Sequence[Gate] = (),
) -> None:
    """The site from above.

    Parameters
    ----------
    path : picture to write. courses : fences and clear ground. zones : with their heads.
    conflicts : rows of the broken rules, with ``geometry``. title : name of the site.
    gates : its gates.
    """
    bounds = np.array([course.fence.union(course.line).bounds for course in courses])
    left, bottom = bounds[:, :2].min(axis=0)
    right, top = bounds[:, 2:].max(axis=0)
    pad = 0.05 * max(right - left, top - bottom)
    # a long strip shows some ground to either side, in place of an empty sheet about it
    pad_x, pad_y = (
        max(pad, (_LEAST_ASPECT * (far + 2 * pad) - near) / 2) for far, near in _sides(left, bottom, right, top)
    )
    width, height = right - left + 2 * pad_x, top - bottom + 2 * pad_y
    scale = 13.0 / max(width, height)
    sheet = max(width * scale, 6.0), max(height * scale, 3.0) + 1.2
    figure = Figure(figsize=sheet, dpi=110)
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.9 / sheet[0], 0.6 / sheet[1], 1.0 - 1.2 / sheet[0], 1.0 - 1.15 / sheet[1]))
    # limits are set below; looking for them at every mark takes time that grows with the square of the marks' number
    axes.autoscale(enable=False)
    for course in courses:
        _area(axes, course.ground, facecolor=PALE, edgecolor=GREY, linewidth=0.4, alpha=0.6, zorder=0)
        _area(axes, course.no_posts, facecolor=GREY, edgecolor=GREY, linewidth=0.6, alpha=0.35, zorder=1)
        for shape in course.obstacles:
            for part in shapely.get_parts(shape):
                if part.geom_type == "Polygon":
                    _area(axes, part, facecolor=GREY, edgecolor=BLACK, linewidth=0.6, zorder=2)
                else:
                    xy = shapely.get_coordinates(part)
                    axes.plot(xy[:, 0], xy[:, 1], color=BLACK, linewidth=1.0, linestyle="-.", zorder=2)
    of_gates = _gates(axes, gates)
    for k, zone in enumerate(zones):
        start, end = zone.post(True), zone.post(False)
        axes.plot([start[0], end[0]], [start[1], end[1]], color=(BLUE, SKY)[k % 2], linewidth=1.6, zorder=3)
        for at, sends in ((start, zone.forward), (end, not zone.forward)):
            look: dict[str, Any] = (
                {"marker": "^", "color": VERMILION, "s": 30} if sends else {"marker": "s", "color": SKY, "s": 20}
            )
            axes.scatter(*at, edgecolors=BLACK, linewidths=0.5, zorder=5, **look)
    halo = [withStroke(linewidth=2.5, foreground="white")]
    step = max(1, int(np.ceil(len(zones) / _MOST_LABELS)))
    for zone in zones[::step]:
        line = zone.along_fence
        # to the side of the beam that the labels of a ring share, clear of the line itself
        x, y = line.to_map(line.length / 2, 0.012 * max(width, height))
        axes.text(float(x), float(y), zone.zone_id, fontsize=7, ha="center", va="center", zorder=6, path_effects=halo)
    for row in conflicts:
        axes.scatter(
            row["geometry"].x,
            row["geometry"].y,
            marker="D",
            s=26,
            color=PURPLE,
            edgecolors=BLACK,
            linewidths=0.6,
            zorder=7,
        )
    axes.set_xlim(left - pad_x, right + pad_x)
    axes.set_ylim(bottom - pad_y, top + pad_y)
    axes.set_aspect("equal")
    axes.ticklabel_format(useOffset=False, style="plain")
    axes.tick_params(labelsize=7)
    axes.set_xlabel("easting, m", fontsize=8)
    axes.set_ylabel("northing, m", fontsize=8)
    _furniture(axes)
    handles: list[Any] = [
        Line2D([], [], color=BLACK, linewidth=1.0, linestyle="-.", label="fence, keep-out"),
        Patch(facecolor=PALE, edgecolor=GREY, label="clear ground"),
        *_areas_shown(courses),
        *of_gates,
        Line2D([], [], color=BLUE, linewidth=1.6, label="zone"),
        Line2D([], [], color=VERMILION, marker="^", linestyle="", markeredgecolor=BLACK, label="transmitter post"),
        Line2D([], [], color=SKY, marker="s", linestyle="", markeredgecolor=BLACK, label="receiver post"),
    ]
    if conflicts:
        handles.append(Line2D([], [], color=PURPLE, marker="D", linestyle="", markeredgecolor=BLACK, label="conflict"))
    figure.legend(
        handles=handles,
        loc="upper right",
        ncols=len(handles),
        fontsize=7.5,
        frameon=False,
        bbox_to_anchor=(1.0, 1.0 - 0.25 / sheet[1]),
    )
    figure.suptitle(f"{title}: layout, {len(zones)} zones", x=0.01, y=1.0 - 0.1 / sheet[1], ha="left", fontsize=11)
    figure.savefig(path, metadata={"Software": None})
