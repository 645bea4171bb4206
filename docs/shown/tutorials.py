"""Pictures of the tutorials, each from the files that the tutorial's commands wrote."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import rasterio
from matplotlib.figure import Figure

from docs.shown.maps import bare, layer, shaded, zone_names
from geotools.plan.schema.style import BLACK, BLUE, GREEN, VERMILION


def kept_file(name: str) -> Callable[[Path], bytes]:
    """A picture that a step wrote."""
    return lambda folder: (folder / name).read_bytes()


def zone_of(plan: Path, threat: str) -> str:
    """The zone with the first dead spot for a threat."""
    spots = layer(plan, "dead_spots")
    return str(spots[spots["threat"] == threat]["zone_id"].iloc[0])


def section_of(plan: str, threat: str) -> Callable[[Path], bytes]:
    """The report's long section of the zone that a threat crosses undetected."""
    return lambda folder: (folder / plan / "sections" / f"{zone_of(folder / plan, threat)}.png").read_bytes()


def walk(folder: Path) -> Figure:
    """Crossings to walk in the zone with the ditch, by what the model expects of them."""
    plan = folder / "north"
    zone = zone_of(plan, "crawl")
    form = layer(plan, "walk_test")
    form = form[(form["zone_id"] == zone) & (form["threat"] == "crawl")]
    beam = layer(plan, "beams")
    beam = beam[beam["zone_id"] == zone]
    figure = Figure(figsize=(7.2, 2.6), layout="constrained")
    axes = figure.subplots()
    (x0, y0), (x1, y1) = (np.asarray(p[:2]) for p in (beam.geometry.iloc[0].coords[0], beam.geometry.iloc[0].coords[-1]))
    along = np.array([x1 - x0, y1 - y0]) / np.hypot(x1 - x0, y1 - y0)
    turned = np.array([along, [-along[1], along[0]]])
    for row in form.itertuples():
        ends = [(turned @ (np.asarray(p[:2]) - (x0, y0))) for p in row.geometry.coords]
        weak = row.reason == "worst spot"
        axes.annotate("", ends[-1], ends[0], arrowprops={"arrowstyle": "->", "color": VERMILION if weak else BLUE})
    axes.axhline(0, color=BLACK, lw=1)
    for words, colour in (("weakest places", VERMILION), ("even cover", BLUE)):
        axes.plot([], [], color=colour, label=words)
    axes.plot([], [], color=BLACK, lw=1, label="beam line")
    axes.legend(loc="upper right", fontsize=7.5, ncols=3)
    axes.set_xlim(-2, float(beam["length_m"].iloc[0]) + 2)
    axes.set_ylim(-7, 9)
    axes.set_xlabel("chainage from the transmitter post, m")
    axes.set_ylabel("offset, m")
    return figure


def change_map(plan: str, terrain: str) -> Callable[[Path], Figure]:
    """Cut and fill over shaded ground, with the zones they are in."""

    def draw(folder: Path) -> Figure:
        figure = Figure(figsize=(7.2, 5.2), layout="constrained")
        axes = figure.subplots()
        shaded(axes, folder / terrain)
        with rasterio.open(folder / plan / "cut_fill.tif") as change:
            moved, box = change.read(1, masked=True), change.bounds
        moved = np.ma.masked_where(np.abs(moved) < 0.005, moved)
        most = float(np.abs(moved).max())
        drawn = axes.imshow(moved, cmap="RdBu", vmin=-most, vmax=most, interpolation="nearest", zorder=4,
                            extent=(box.left, box.right, box.bottom, box.top))  # fmt: skip
        figure.colorbar(drawn, ax=axes, shrink=0.7, label="cut (red) and fill (blue), m")
        fence = layer(folder / plan, "fence")
        fence.plot(ax=axes, color=BLACK, lw=1.2, ls="-.")
        layer(folder / plan, "zones").boundary.plot(ax=axes, color=BLUE, lw=0.5)
        water = layer(folder / plan, "water_crossings")
        if len(water):
            water.plot(ax=axes, color=GREEN, lw=2, zorder=5)
        zone_names(axes, folder / plan)
        bare(axes, fence)
        return figure

    return draw


PICTURES: dict[str, Callable[[Path], Figure | bytes]] = {
    "surveyor-section.png": section_of("north", "crawl"),
    "surveyor-walk.png": walk,
    "surveyor-results.png": kept_file("north/walk_test.png"),
    "surveyor-built.png": change_map("north", "north/input/terrain.tif"),
}
