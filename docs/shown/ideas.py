"""The ideas that the rest stands on, each as a drawing from the demonstration's own plan."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

import geotools
from docs.shown.maps import bare, layer, shaded
from docs.shown.section import EARTH, Piece, draw_piece, person, piece, standing
from geotools.plan.schema.style import BLACK, BLUE, ORANGE, SKY, VERMILION

DEMO = "geotools_demo"
SIZE = (5.2, 2.6)


def _axes() -> tuple[Figure, Axes]:
    figure = Figure(figsize=SIZE)
    return figure, figure.add_axes((0.01, 0.01, 0.98, 0.98))


def _ditch(folder: Path) -> tuple[Piece, float, str]:
    """Section, chainage and zone of the spot where somebody crawls through."""
    job = folder / DEMO
    spots = layer(job, "dead_spots")
    spot = spots[spots["threat"] == "crawl"].iloc[0]
    shown = piece(layer(job, "profiles"), layer(job, "beams"), spot["zone_id"])
    return shown, (spot["from_m"] + spot["to_m"]) / 2, spot["zone_id"]


def zone(folder: Path) -> Figure:
    """The zone on the map: a strip between two posts."""
    job = folder / DEMO
    name = _ditch(folder)[2]
    figure, axes = _axes()
    shaded(axes, job / "input" / "terrain.tif")
    zones, beams, heads = (layer(job, n) for n in ("zones", "beams", "heads"))
    mine = zones[zones["zone_id"] == name]
    zones[zones["zone_id"] != name].boundary.plot(ax=axes, color=BLUE, lw=0.6)
    mine.plot(ax=axes, facecolor=SKY + "88", edgecolor=BLUE, lw=1.5)
    beams[beams["zone_id"] == name].plot(ax=axes, color=BLUE, lw=1.2)
    layer(job, "fence").plot(ax=axes, color=BLACK, lw=1.4, ls="-.")
    for role, marker, words in (("transmitter", "^", "transmitter post"), ("receiver", "s", "receiver post")):
        post = heads[(heads["zone_id"] == name) & (heads["role"] == role)].iloc[:1]
        post.plot(ax=axes, color="white", edgecolor=BLACK, marker=marker, markersize=50, zorder=9)
        at = post.geometry.iloc[0]
        axes.annotate(words, (at.x, at.y), (at.x + 18, at.y), va="center", fontsize=9,
                      arrowprops={"arrowstyle": "-"}, zorder=10)  # fmt: skip
    axes.text(
        mine.centroid.x.iloc[0] + 10, mine.centroid.y.iloc[0], "zone", fontsize=12, fontweight="bold", va="center"
    )
    bare(axes, mine, margin=18)
    axes.set_xlim(mine.total_bounds[0] - 70, mine.total_bounds[0] + 150)
    return figure


def head(folder: Path) -> Figure:
    """A post with its heads beside somebody on foot, to scale."""
    heads = layer(folder / DEMO, "heads")
    mine = heads[(heads["zone_id"] == _ditch(folder)[2]) & (heads["role"] == "transmitter")]
    walk = geotools.open_site(folder / DEMO / "input" / "site.toml").all_targets["walk"]
    figure, axes = _axes()
    axes.add_patch(Rectangle((-2, -0.3), 8, 0.3, facecolor=EARTH))
    axes.add_patch(Rectangle((-0.05, 0), 0.1, mine["height_m"].max() + 0.25, facecolor="#777777"))
    for row in mine.itertuples():
        axes.add_patch(
            Rectangle((0.05, row.height_m - 0.1), 0.12, 0.2, facecolor=BLUE if row.level == "main" else ORANGE)
        )
        for side in (-1, 1):
            axes.plot([0.17, 2.6], [row.height_m, row.height_m + side * 0.13], color=BLACK, lw=0.6, ls=":")
        words = f"{row.level} head, {row.height_m:g} m above the ground, {row.head_type}"
        axes.text(0.3, row.height_m + 0.13, words, fontsize=9)
    standing(axes, -0.8, 0, walk.height_m, walk.width_m, "#999999")
    axes.text(0.3, mine["height_m"].max() + 0.55, "head", fontsize=12, fontweight="bold")
    axes.text(0, -0.22, "post", fontsize=9, ha="center")
    axes.set_xlim(-1.45, 2.95)
    axes.set_ylim(-0.3, 1.9)
    axes.set_aspect("equal")
    axes.set_axis_off()
    return figure


def beam(folder: Path) -> Figure:
    """The whole zone from the side: the beams from post to post above the ground, heights exaggerated."""
    shown = _ditch(folder)[0]
    figure, axes = _axes()
    axes.fill_between(shown.chainage, shown.ground.min() - 0.4, shown.ground, facecolor=EARTH)
    axes.plot(shown.chainage, shown.ground, color=BLACK, lw=1.4)
    for level, colour in (("main", BLUE), ("low", ORANGE)):
        start, end, length = shown.beams[level]
        axes.plot([0, length], [start, end], color=colour, lw=2.4, marker="s", ms=6)
        axes.text(
            length / 2, (start + end) / 2 + 0.06, f"{level} beam", color=colour, rotation=11, fontsize=10, ha="right"
        )
    axes.text(2, shown.beams["main"][1] + 0.05, "beam", fontsize=12, fontweight="bold")
    axes.text(2, shown.beams["main"][1] - 0.22, "heights 20 times", fontsize=8)
    axes.set_aspect(20)
    axes.set_xlim(-1, shown.chainage[-1] + 1)
    axes.set_ylim(shown.ground.min() - 0.35, shown.beams["main"][1] + 0.25)
    axes.set_axis_off()
    return figure


def threat(folder: Path) -> Figure:
    """Three threats to scale beneath the heights of the two beams."""
    site = geotools.open_site(folder / DEMO / "input" / "site.toml")
    heads = layer(folder / DEMO, "heads")
    figure, axes = _axes()
    axes.add_patch(Rectangle((-2, -0.3), 8, 0.3, facecolor=EARTH))
    for level, colour in (("main", BLUE), ("low", ORANGE)):
        height = float(heads[heads["level"] == level]["height_m"].iloc[0])
        axes.axhline(height, color=colour, lw=2)
        axes.text(-0.55, height + 0.04, f"{level} beam", color=colour, fontsize=9)
    for x, name in ((0.6, "walk"), (1.7, "crawl"), (2.8, "prone")):
        body = site.all_targets[name]
        (standing if name == "walk" else person)(axes, x, 0, body.height_m, body.width_m, VERMILION)
        axes.text(x, -0.2, f"{name}, {body.height_m:g} m", ha="center", fontsize=9)
    axes.text(2.2, 1.45, "threat", fontsize=12, fontweight="bold")
    axes.set_xlim(-0.7, 3.5)
    axes.set_ylim(-0.3, 1.8)
    axes.set_aspect("equal")
    axes.set_axis_off()
    return figure


def dead_spot(folder: Path) -> Figure:
    """The place where somebody stays beneath what is detected."""
    shown, middle, _ = _ditch(folder)
    figure, axes = _axes()
    draw_piece(axes, shown, middle - 2.3, middle + 2.3)
    ground = float(np.interp(middle, shown.chainage, shown.ground))
    person(axes, middle, ground, 0.7, 0.5, VERMILION)
    floor = float(np.interp(middle - 1.9, shown.chainage, shown.floor))
    axes.annotate("detection floor", (middle - 1.9, floor), (middle - 2.2, floor - 0.6), fontsize=9, color=VERMILION,
                  arrowprops={"arrowstyle": "-", "color": VERMILION}, zorder=15)  # fmt: skip
    axes.annotate("", (middle - 0.62, ground), (middle - 0.62, floor), arrowprops={"arrowstyle": "<->"}, zorder=15)
    axes.text(middle - 0.68, ground + 0.42, "crawl gap", fontsize=9, ha="right", zorder=15)
    axes.text(middle - 2.2, shown.beam_at("main", middle) + 0.1, "dead spot", fontsize=12, fontweight="bold")
    axes.set_ylim(ground - 0.2, shown.beam_at("main", middle) + 0.3)
    return figure


PICTURES: dict[str, Callable[[Path], Figure | bytes]] = {
    "idea-zone.png": zone,
    "idea-head.png": head,
    "idea-beam.png": beam,
    "idea-threat.png": threat,
    "idea-dead-spot.png": dead_spot,
}
