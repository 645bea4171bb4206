"""A piece of a zone's long section at true scale, with somebody to scale who crosses it."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Ellipse, Rectangle

from geotools.plan.schema.style import BLACK, BLUE, ORANGE, VERMILION

EARTH = "#c9bda7"


@dataclass(frozen=True)
class Piece:
    """A piece of a section: chainage, ground, detection floor, (n,) in metres; beams: level to (start, end, length)."""

    chainage: np.ndarray
    ground: np.ndarray
    floor: np.ndarray
    beams: dict[str, tuple[float, float, float]]

    def beam_at(self, level: str, chainage: float) -> float:
        """Height of a beam line above the datum."""
        start, end, length = self.beams[level]
        return start + (end - start) * chainage / length


def piece(profiles: gpd.GeoDataFrame, beams: gpd.GeoDataFrame, zone: str) -> Piece:
    """The section of a zone as the layers `profiles` and `beams` have it."""
    mine = profiles[profiles["zone_id"] == zone].sort_values("chainage_m")
    lines = {}
    for row in beams[beams["zone_id"] == zone].itertuples():
        (_, _, start), (_, _, end) = row.geometry.coords[0], row.geometry.coords[-1]
        lines[row.level] = (start, end, row.length_m)
    ground = mine["ground_m"].to_numpy(float)
    return Piece(mine["chainage_m"].to_numpy(float), ground, ground + mine["crawl_gap_m"].to_numpy(float), lines)


def person(axes: Axes, x: float, ground: float, height: float, width: float, colour: str) -> None:
    """Somebody on hands and knees, or lying flat, as seen along the crossing, of the target's height and width."""
    look = {"facecolor": colour, "edgecolor": "white", "linewidth": 0.6, "zorder": 8}
    for side in (-1, 1) if height > 0.45 else ():
        axes.add_patch(Rectangle((x + side * 0.36 * width - 0.08 * width, ground), 0.16 * width, 0.62 * height, **look))
    middle, thick = (0.62, 0.4) if height > 0.45 else (0.33, 0.66)
    axes.add_patch(Ellipse((x, ground + middle * height), 0.94 * width, thick * height, **look))
    head = 0.19 * height
    axes.add_patch(Circle((x, ground + height - head), head, **look))


def standing(axes: Axes, x: float, ground: float, height: float, width: float, colour: str) -> None:
    """Somebody on foot as seen along the crossing."""
    look = {"facecolor": colour, "edgecolor": "white", "linewidth": 0.6, "zorder": 8}
    for side in (-1, 1):
        axes.add_patch(Rectangle((x + side * 0.16 * width - 0.11 * width, ground), 0.22 * width, 0.48 * height, **look))
    axes.add_patch(Ellipse((x, ground + 0.62 * height), 0.8 * width, 0.42 * height, **look))
    axes.add_patch(Circle((x, ground + 0.92 * height), 0.08 * height, **look))


def draw_piece(axes: Axes, shown: Piece, low: float, high: float, before: Piece | None = None) -> None:
    """Ground, beams and what passes beneath them between two chainages, both axes in the same scale.

    before : the piece as it was, its ground drawn as a dashed line.
    """
    at = np.linspace(low, high, 400)
    ground, floor = (np.interp(at, shown.chainage, values) for values in (shown.ground, shown.floor))
    axes.fill_between(at, ground, floor, facecolor="#f6d9c4", edgecolor="none", zorder=2)
    axes.plot(at, floor, color=VERMILION, lw=1.2, ls="--", zorder=4)
    axes.fill_between(at, ground.min() - 1.0, ground, facecolor=EARTH, edgecolor="none", zorder=3)
    axes.plot(at, ground, color=BLACK, lw=1.4, zorder=4)
    if before is not None:
        axes.plot(at, np.interp(at, before.chainage, before.ground), color=BLACK, lw=1.0, ls=":", zorder=5)
    for level, colour in (("main", BLUE), ("low", ORANGE)):
        if level in shown.beams:
            axes.plot(at, [shown.beam_at(level, x) for x in at], color=colour, lw=2.2, zorder=6)
    axes.set_aspect("equal")
    axes.set_xlim(low, high)
    axes.set_axis_off()
