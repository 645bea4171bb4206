"""Pictures of the sites to try: the verdicts on shaded ground, and the weakest place as a section to scale."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from matplotlib.axes import Axes
from matplotlib.colors import LightSource
from matplotlib.figure import Figure
from matplotlib.transforms import Affine2D
from scipy.ndimage import map_coordinates
from shapely import LineString, force_2d
from shapely.ops import substring

import geotools
from docs.shown.maps import VERDICTS, bare, layer, legend, posts, shaded, worst_verdicts
from docs.shown.section import draw_piece, person, piece
from geotools.plan.schema.style import BLACK, BLUE, ORANGE, VERMILION

#: Half of the length that a section shows, m.
ACROSS = 4.5
#: Half of the width of a strip, m, and how many times its ground is exaggerated in the shading.
BESIDE, EXAGGERATION = 22.0, 8.0


def _weakest(folder: Path, threat: str) -> tuple[gpd.GeoDataFrame, float]:
    """The dead spot of a threat with the highest detection floor, and its middle along the beam, m."""
    spots = layer(folder, "dead_spots")
    spot = spots[spots["threat"] == threat].sort_values(["crawl_gap_m", "spot_id"]).iloc[-1]
    return spot, float(spot["from_m"] + spot["to_m"]) / 2


def _section(axes: Axes, folder: Path, threat: str) -> None:
    """The weakest place with somebody to scale in it."""
    spot, middle = _weakest(folder, threat)
    shown = piece(layer(folder, "profiles"), layer(folder, "beams"), spot["zone_id"])
    middle = float(np.clip(middle, shown.chainage[0] + ACROSS, shown.chainage[-1] - ACROSS))
    draw_piece(axes, shown, middle - ACROSS, middle + ACROSS)
    target = geotools.open_site(folder / "input" / "site.toml").all_targets[threat]
    near = np.abs(shown.chainage - middle) < ACROSS - 1.0
    crossing = shown.chainage[near][int(np.argmax((shown.floor - shown.ground)[near]))]
    ground = float(np.interp(crossing, shown.chainage, shown.ground))
    person(axes, crossing, ground, target.height_m, target.width_m, VERMILION)
    ends = np.interp([middle - ACROSS, middle + ACROSS], shown.chainage, shown.ground)
    base = float(shown.ground[np.abs(shown.chainage - middle) <= ACROSS].min())
    top = max(shown.beam_at("main", middle - ACROSS), shown.beam_at("main", middle + ACROSS), float(ends.max()))
    axes.set_ylim(base - 0.35, top + 0.5)
    for level, words, colour in (("main", "main beam", BLUE), ("low", "low beam", ORANGE)):
        if level in shown.beams:
            at = middle - ACROSS + 0.1
            axes.text(at, shown.beam_at(level, at) + 0.05, words, color=colour, fontsize=8, va="bottom", zorder=10)
    axes.plot([middle + ACROSS - 1.2, middle + ACROSS - 0.2], [base - 0.24] * 2, color=BLACK, lw=3, zorder=15,
              solid_capstyle="butt")  # fmt: skip
    axes.text(middle + ACROSS - 0.7, base - 0.2, "1 m", ha="center", va="bottom", fontsize=8, zorder=15)
    place = f"{spot['zone_id']}, {middle:.0f} m from the transmitter post"
    words = f"{place}: {threat}, undetected; dashed: what a body must rise above"
    axes.set_title(words, fontsize=8.5, loc="left")


def _keep_outs(axes: Axes, folder: Path) -> None:
    path = folder / "input" / "keep_outs.geojson"
    if path.is_file():
        gpd.read_file(path).plot(ax=axes, color="#8c8c8c", edgecolor=BLACK, lw=0.8, zorder=3)


def _zone_names(axes: Axes, folder: Path) -> None:
    """The number of each zone beside the middle of its beam, away from the fence."""
    fence = layer(folder, "fence").geometry.iloc[0]
    for row in layer(folder, "beams").drop_duplicates("zone_id").itertuples():
        middle = force_2d(row.geometry).interpolate(0.5, normalized=True)
        near = fence.interpolate(fence.project(middle))
        away = np.array([middle.x - near.x, middle.y - near.y]) / middle.distance(near)
        x, y = np.array([middle.x, middle.y]) + 9.0 * away
        axes.text(x, y, row.zone_id.split("-")[-1], ha="center", va="center", fontsize=7)


def yard(name: str, threat: str, where: str | tuple[float, float] = "center") -> Callable[[Path], Figure]:
    """A site whose map fits one picture, above the section of its weakest place for a threat."""

    def draw(work: Path) -> Figure:
        folder = work / name
        figure = Figure(figsize=(7.2, 7.4), layout="constrained")
        upper, lower = figure.subplots(2, 1, height_ratios=(3.0, 1.0))
        shaded(upper, folder / "input" / "terrain.tif")
        _keep_outs(upper, folder)
        posts(upper, folder)
        worst_verdicts(upper, folder)
        _zone_names(upper, folder)
        legend(upper, where=where, no_beam=(layer(folder, "verdicts")["verdict"] == "no_beam").any())
        bare(upper, layer(folder, "fence"))
        _section(lower, folder, threat)
        return figure

    return draw


def _strip(axes: Axes, folder: Path, part: LineString, start: float) -> None:
    """A piece of the line drawn level from left to right, with the ground beside it."""
    (x0, y0), (x1, y1) = part.coords[0], part.coords[-1]
    length, turn = float(np.hypot(x1 - x0, y1 - y0)), float(np.arctan2(y1 - y0, x1 - x0))
    level = Affine2D().translate(-x0, -y0).rotate(-turn)
    with rasterio.open(folder / "input" / "terrain.tif") as raster:
        heights, box, cell = raster.read(1), raster.bounds, raster.res[0]
    light = LightSource(315, 40).hillshade(heights, vert_exag=EXAGGERATION, dx=cell, dy=cell)
    along, across = np.meshgrid(np.arange(0.0, length, 1.0), np.arange(BESIDE, -BESIDE, -1.0))
    x, y = level.inverted().transform(np.column_stack([along.ravel(), across.ravel()])).T
    seen = map_coordinates(light, [(box.top - y) / cell - 0.5, (x - box.left) / cell - 0.5], order=1, mode="nearest")
    axes.imshow(seen.reshape(along.shape), cmap="gray", vmin=-0.5, vmax=1.05, extent=(0, length, -BESIDE, BESIDE))
    a, b, c, d, e, f = level.to_values()
    turned = [a, c, b, d, e, f]
    layer(folder, "beams").geometry.affine_transform(turned).plot(ax=axes, color=BLUE, lw=0.8, zorder=3)
    found = layer(folder, "verdicts")
    for name, _, look in VERDICTS:
        mine = found[found["verdict"] == name]
        if len(mine):
            mine.geometry.affine_transform(turned).plot(
                ax=axes, zorder=4 + [v[0] for v in VERDICTS].index(name), **look
            )
    zones = layer(folder, "zones")
    for row in zones.assign(geometry=zones.geometry.affine_transform(turned)).itertuples():
        at = row.geometry.centroid
        if 0 < at.x < length:
            axes.text(at.x, -BESIDE + 2, row.zone_id.split("-")[-1], ha="center", va="bottom", fontsize=6.5)
    heads = layer(folder, "heads")
    placed = heads.geometry.affine_transform(turned)
    for role, marker in (("transmitter", "^"), ("receiver", "s")):
        mine = placed[heads["role"] == role]
        axes.scatter(mine.x, mine.y, marker=marker, s=14, color="white", edgecolor=BLACK, linewidths=0.6, zorder=9)
    axes.set_xlim(0, length)
    axes.set_ylim(-BESIDE, BESIDE)
    axes.set_aspect("equal")
    axes.set_yticks([])
    ticks = np.arange(100.0 * np.ceil(start / 100.0), start + length, 100.0)
    axes.set_xticks(ticks - start, [f"{tick:.0f}" for tick in ticks], fontsize=6.5)
    axes.set(xlabel="", ylabel="")
    axes.tick_params(length=2, pad=1)
    pointer = np.radians(90.0) - turn
    tip = (length - 12 + 13 * np.cos(pointer), 4 + 13 * np.sin(pointer))
    axes.annotate("", tip, (length - 12, 4), arrowprops={"arrowstyle": "-|>", "color": BLACK})


def strip_map(name: str, threat: str, strips: int) -> Callable[[Path], Figure]:
    """A long line in strips below each other, above the section of its weakest place for a threat."""

    def draw(work: Path) -> Figure:
        folder = work / name
        line = layer(folder, "fence").geometry.iloc[0]
        figure = Figure(figsize=(9.0, 1.05 * strips + 2.9), layout="constrained")
        rows = figure.subplots(strips + 2, 1, height_ratios=(*(1.0 for _ in range(strips)), 0.45, 2.2))
        share = line.length / strips
        for number, axes in enumerate(rows[:strips]):
            _strip(axes, folder, substring(line, number * share, (number + 1) * share), number * share)
        rows[0].set_title("metres along the line; arrows point north", fontsize=8.5, loc="left")
        rows[strips].set_axis_off()
        legend(rows[strips], wide=True)
        _section(rows[-1], folder, threat)
        return figure

    return draw


PICTURES: dict[str, Callable[[Path], Figure | bytes]] = {
    "gallery-double-fence.png": yard("double-fence", "prone"),
    "gallery-l-yard.png": yard("l-yard", "crawl", where=(0.64, 0.68)),
    "gallery-hilly.png": yard("hilly", "crawl"),
    "gallery-border.png": strip_map("border", "crawl", 6),
}
