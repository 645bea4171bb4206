"""Maps over shaded ground: fence, heads, verdicts, what the terrain says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from matplotlib.axes import Axes
from matplotlib.colors import LightSource
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from geotools.plan.schema.style import BLACK, BLUE, VERDICT_COLOURS, VERMILION

#: Verdict, its words, its line.
VERDICTS = (
    ("detected", "detected, 95 % confidence", {"lw": 2.4, "color": VERDICT_COLOURS["detected"]}),
    ("unproven", "unproven", {"lw": 3.4, "color": VERDICT_COLOURS["unproven"]}),
    ("undetected", "undetected", {"lw": 5.0, "color": VERDICT_COLOURS["undetected"]}),
    ("no_beam", "no beam", {"lw": 3.4, "color": VERDICT_COLOURS["no_beam"], "ls": ":"}),
)


def layer(plan: Path, name: str) -> gpd.GeoDataFrame:
    """A layer or table of a plan's folder."""
    return gpd.read_file(plan / "plan.gpkg", layer=name)


def shaded(axes: Axes, raster: Path, exaggeration: float = 8.0) -> None:
    """The ground in shades of grey, lit from the north-west."""
    with rasterio.open(raster) as ground:
        heights, box, cell = ground.read(1, masked=True).filled(np.nan), ground.bounds, ground.res[0]
    heights = np.where(np.isnan(heights), np.nanmean(heights), heights)
    light = LightSource(315, 40).hillshade(heights, vert_exag=exaggeration, dx=cell, dy=cell)
    axes.imshow(light, cmap="gray", extent=(box.left, box.right, box.bottom, box.top), vmin=-0.5, vmax=1.05)


def bare(axes: Axes, around: gpd.GeoDataFrame, margin: float = 12.0, bar: float = 20.0) -> None:
    """No frame, north up, a scale bar."""
    left, bottom, right, top = around.total_bounds
    axes.set_xlim(left - margin, right + margin)
    axes.set_ylim(bottom - margin - 6, top + margin)
    axes.set_aspect("equal")
    axes.set_axis_off()
    x, y = left - margin / 2, bottom - margin
    axes.plot([x, x + bar], [y, y], color=BLACK, lw=3, solid_capstyle="butt")
    axes.text(x + bar / 2, y + 2, f"{bar:g} m", ha="center", va="bottom", fontsize=8)
    axes.annotate("N", (right + margin - 4, top + margin - 2), (right + margin - 4, top), ha="center", fontsize=8,
                  arrowprops={"arrowstyle": "-|>", "color": BLACK})  # fmt: skip


def worst_verdicts(axes: Axes, plan: Path, threat: str | None = None) -> None:
    """The verdict of every stretch of fence, the worst drawn last."""
    found = layer(plan, "verdicts")
    if threat is not None:
        found = found[found["threat"] == threat]
    for name, _, look in VERDICTS:
        mine = found[found["verdict"] == name]
        if len(mine):
            mine.plot(ax=axes, zorder=4 + [v[0] for v in VERDICTS].index(name), **look)


def posts(axes: Axes, plan: Path) -> None:
    """Beam lines and their posts."""
    layer(plan, "beams").plot(ax=axes, color=BLUE, lw=0.8, zorder=3)
    heads = layer(plan, "heads")
    for role, marker in (("transmitter", "^"), ("receiver", "s")):
        heads[heads["role"] == role].plot(
            ax=axes, color="white", edgecolor=BLACK, marker=marker, markersize=26, zorder=9
        )


def zone_names(axes: Axes, plan: Path, size: float = 7.0) -> None:
    """The number of each zone beside its middle, inside the fence."""
    zones = layer(plan, "zones")
    middle = np.asarray(zones.union_all().centroid.coords[0])
    for row in zones.itertuples():
        at = np.asarray(row.geometry.centroid.coords[0])
        at = at + (middle - at) / np.linalg.norm(middle - at) * 9
        axes.text(*at, row.zone_id.split("-")[-1], ha="center", va="center", fontsize=size)


def legend(
    axes: Axes,
    *,
    dead: bool = False,
    where: str | tuple[float, float] = "center",
    wide: bool = False,
    no_beam: bool = False,
) -> None:
    """What the lines mean; ``wide``: in one row, ``no_beam``: with fence that has none."""
    handles = [Line2D([], [], label=words, **look) for name, words, look in VERDICTS if no_beam or name != "no_beam"]
    handles += [
        Line2D([], [], color=BLUE, lw=0.8, label="beam"),
        Line2D([], [], color="none", marker="^", mfc="white", mec=BLACK, label="transmitter post"),
        Line2D([], [], color="none", marker="s", mfc="white", mec=BLACK, label="receiver post"),
    ]
    if dead:
        handles.append(Patch(facecolor="none", edgecolor=VERMILION, hatch="xxx", label="dead spot"))
    columns = len(handles) if wide else 1
    axes.legend(
        handles=handles, loc=where, fontsize=7.5, frameon=True, framealpha=0.85, edgecolor="none", ncols=columns
    )


def verdict_map(plan: str, terrain: str, threat: str | None = None, bar: float = 20.0) -> Callable[[Path], Figure]:
    """A drawing of the plan in one folder over the ground in one file: both relative to where the commands ran."""

    def draw(folder: Path) -> Figure:
        figure = Figure(figsize=(7.2, 5.6), layout="constrained")
        axes = figure.subplots()
        shaded(axes, folder / terrain)
        posts(axes, folder / plan)
        worst_verdicts(axes, folder / plan, threat)
        zone_names(axes, folder / plan)
        legend(axes)
        bare(axes, layer(folder / plan, "fence"), bar=bar)
        return figure

    return draw


def site_map(plan: str, terrain: str) -> Callable[[Path], Figure]:
    """Fence over shaded ground with the height of the ground: what goes into a site file."""

    def draw(folder: Path) -> Figure:
        figure = Figure(figsize=(7.2, 4.8), layout="constrained")
        axes = figure.subplots()
        with rasterio.open(folder / terrain) as ground:
            heights, box = ground.read(1, masked=True), ground.bounds
        extent = (box.left, box.right, box.bottom, box.top)
        shaded(axes, folder / terrain)
        drawn = axes.imshow(heights, extent=extent, cmap="viridis", alpha=0.45)
        figure.colorbar(drawn, ax=axes, shrink=0.7, label="height of the ground, m")
        fence = layer(folder / plan, "fence")
        fence.plot(ax=axes, color=BLACK, lw=1.8, ls="-.")
        bare(axes, fence)
        return figure

    return draw


PICTURES: dict[str, Callable[[Path], Figure | bytes]] = {
    "surveyor-site.png": site_map("north", "north/input/terrain.tif"),
    "surveyor-verdicts.png": verdict_map("north", "north/input/terrain.tif"),
    "gallery-floodplain.png": verdict_map("floodplain", "floodplain/input/floodplain_1m.tif", bar=50.0),
    "gallery-yard.png": verdict_map("yard", "yard/input/terrain.tif"),
    "engineer-proposed.png": verdict_map("proposed/out", "proposed/terrain.tif"),
    "planner-plan.png": verdict_map("north", "north/input/terrain.tif"),
    "planner-edited.png": verdict_map("north", "north/input/terrain.tif", "prone"),
    "designer-first.png": verdict_map("first", "yard/input/terrain.tif", "prone"),
    "designer-own.png": verdict_map("own", "yard/input/terrain.tif", "prone"),
}
