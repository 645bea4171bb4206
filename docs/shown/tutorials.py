"""Pictures of the tutorials, each from the files that the tutorial's commands wrote."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

import geotools
from docs.shown.maps import bare, layer, shaded, zone_names
from docs.shown.section import draw_piece, person, piece
from geotools.plan.schema.style import BLACK, BLUE, GREEN, VERMILION


def kept_file(name: str) -> Callable[[Path], bytes]:
    """A picture that a step wrote."""
    return lambda folder: (folder / name).read_bytes()


def zone_of(plan: Path, threat: str) -> str:
    """The zone with the first dead spot for a threat."""
    spots = layer(plan, "dead_spots")
    return str(spots[spots["threat"] == threat]["zone_id"].iloc[0])


def true_section(plan: str, threat: str) -> Callable[[Path], Figure]:
    """The place a threat crosses undetected, both axes in the same scale, with somebody in it."""

    def draw(folder: Path) -> Figure:
        spots = layer(folder / plan, "dead_spots")
        spot = spots[spots["threat"] == threat].sort_values("crawl_gap_m").iloc[-1]
        middle = (spot["from_m"] + spot["to_m"]) / 2
        shown = piece(layer(folder / plan, "profiles"), layer(folder / plan, "beams"), spot["zone_id"])
        figure = Figure(figsize=(8.0, 2.6))
        axes = figure.add_axes((0, 0, 1, 1))
        draw_piece(axes, shown, middle - 3.7, middle + 3.7)
        ground = float(np.interp(middle, shown.chainage, shown.ground))
        threats = geotools.open_site(folder / "site.toml").all_targets
        person(axes, middle, ground, threats[threat].height_m, threats[threat].width_m, VERMILION)
        axes.set_ylim(ground - 0.25, shown.beam_at("main", middle) + 0.35)
        return figure

    return draw


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
    (x0, y0), (x1, y1) = (
        np.asarray(p[:2]) for p in (beam.geometry.iloc[0].coords[0], beam.geometry.iloc[0].coords[-1])
    )
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


def water(folder: Path) -> Figure:
    """Flow paths across the beams before and after, with the ways kept open."""
    plan = folder / "north"
    figure = Figure(figsize=(7.2, 5.2), layout="constrained")
    axes = figure.subplots()
    shaded(axes, folder / "north" / "input" / "terrain.tif")
    fence = layer(plan, "fence")
    fence.plot(ax=axes, color=BLACK, lw=1.2, ls="-.")
    layer(plan, "zones").boundary.plot(ax=axes, color=BLUE, lw=0.5)
    flow = layer(plan, "flow_crossings")
    middles = flow.set_geometry(flow.geometry.centroid)
    look = {"now": {"s": 90, "marker": "o", "facecolors": "none", "edgecolors": BLUE, "linewidths": 1.6}}
    look["after"] = {"s": 22, "marker": "o", "color": BLUE}
    for state, drawn in look.items():
        mine = middles[middles["state"] == state]
        axes.scatter(mine.geometry.x, mine.geometry.y, zorder=6, label=f"water crosses, {state}", **drawn)
    ways = layer(plan, "water_crossings")
    ways.plot(ax=axes, color=GREEN, lw=3, zorder=5, label="way kept open")
    zone_names(axes, plan)
    axes.legend(loc="center", fontsize=7.5)
    bare(axes, fence)
    return figure


def trench(folder: Path) -> Figure:
    """The trench of the planner's page over zones and dead spots."""
    figure = Figure(figsize=(7.2, 5.2), layout="constrained")
    axes = figure.subplots()
    shaded(axes, folder / "north" / "input" / "terrain.tif")
    zones, line = layer(folder / "north", "zones"), gpd.read_file(folder / "trench.gpkg")
    crossed = zones.intersects(line.geometry.iloc[0])
    zones[~crossed].plot(ax=axes, facecolor="none", edgecolor=BLUE, lw=0.8)
    zones[crossed].plot(ax=axes, facecolor="#f0e44255", edgecolor=BLUE, lw=1.4)
    layer(folder / "north", "dead_spots").plot(ax=axes, facecolor="none", edgecolor=VERMILION, hatch="xxxx", lw=0.8)
    line.plot(ax=axes, color=GREEN, lw=2.5)
    handles = [
        Line2D([], [], color=GREEN, lw=2.5, label="cable trench"),
        Patch(facecolor="#f0e44255", edgecolor=BLUE, label="zone it crosses"),
        Patch(facecolor="none", edgecolor=VERMILION, hatch="xxx", label="dead spot"),
    ]
    axes.legend(handles=handles, loc="center right", fontsize=7.5)
    zone_names(axes, folder / "north")
    bare(axes, layer(folder / "north", "fence"), margin=25)
    return figure


def best_heights(folder: Path) -> Figure:
    """Dead length of each searched beam as it stands and at the best pair of heights."""
    found = layer(folder / "own", "head_heights")
    figure = Figure(figsize=(7.2, 0.6 + 0.42 * len(found)), layout="constrained")
    axes = figure.subplots()
    at = np.arange(len(found))
    axes.barh(at - 0.2, found["dead_now_m"], 0.38, color=VERMILION, label="as laid out")
    axes.barh(at + 0.2, found["dead_best_m"], 0.38, color=BLUE, label="at the best heights")
    axes.set_yticks(at, found["beam_id"], fontsize=8)
    axes.invert_yaxis()
    axes.set_xlabel("dead length, m")
    axes.legend(fontsize=8)
    return figure


PICTURES: dict[str, Callable[[Path], Figure | bytes]] = {
    "surveyor-section.png": section_of("north", "crawl"),
    "surveyor-walk.png": walk,
    "surveyor-results.png": kept_file("north/walk_test.png"),
    "surveyor-built.png": change_map("north", "north/input/terrain.tif"),
    "engineer-works.png": change_map("north", "north/input/terrain.tif"),
    "engineer-section.png": section_of("north", "crawl"),
    "engineer-water.png": water,
    "planner-trench.png": trench,
    "designer-layout.png": kept_file("first/plan.png"),
    "designer-heights.png": best_heights,
    "designer-section.png": true_section("own", "prone"),
}
