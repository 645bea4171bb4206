"""Pictures of the concept pages, from the demonstration's own plan."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import rasterio
from matplotlib.figure import Figure

import geotools
from docs.shown.maps import bare, layer, shaded, verdict_map, worst_verdicts
from docs.shown.section import EARTH, piece
from docs.shown.tutorials import section_of, zone_of
from geotools.plan.schema.style import BLACK, BLUE, VERMILION
from geotools.steps.report.reach import reach_map
from geotools.steps.report.windows import window_chart

DEMO = "geotools_demo"
TERRAIN = "geotools_demo/input/terrain.tif"


def modulation(folder: Path) -> Figure:
    """Largest modulation of a straight crossing along the zone with the ditch, above its ground."""
    job = folder / DEMO
    zone = zone_of(job, "crawl")
    beams = layer(job, "beams")
    site = geotools.open_site(job / "input" / "site.toml")
    shown = piece(layer(job, "profiles"), beams, zone)
    line = np.asarray(beams[beams["zone_id"] == zone].geometry.iloc[0].coords)[:, :2]
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    offsets = np.arange(-1.75, 1.8, 0.25)[:, None, None] * np.array([-along[1], along[0]])
    places = line[0] + shown.chainage[None, :, None] * along + offsets
    figure = Figure(figsize=(8, 4), layout="constrained")
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
    with rasterio.open(job / "corridor.tif") as raster:
        for threat, colour in (("crawl", BLUE), ("prone", VERMILION)):
            band = [str(name).endswith(f": {threat}") for name in raster.descriptions].index(True) + 1
            values = np.array([v[0] for v in raster.sample(places.reshape(-1, 2), band)]).reshape(places.shape[:2])
            values = np.where(values == raster.nodata, np.nan, values)
            upper.plot(shown.chainage, np.nanmax(values, axis=0), color=colour, label=threat)
    upper.axhline(site.detection.threshold, color=BLACK, ls="--", label=f"threshold, {site.detection.threshold:g}")
    upper.set_ylim(0, None)
    upper.set_ylabel("modulation")
    upper.legend(fontsize=8)
    lower.fill_between(shown.chainage, shown.ground.min() - 0.2, shown.ground, facecolor=EARTH)
    lower.plot(shown.chainage, shown.ground, color=BLACK)
    for start, end, length in shown.beams.values():
        lower.plot([0, length], [start, end], color=BLUE, lw=1)
    lower.set_ylabel("height, m")
    lower.set_xlabel("chainage from the transmitter post, m")
    lower.set_xlim(0, shown.chainage[-1])
    lower.ticklabel_format(useOffset=False)
    return figure


def resurvey(folder: Path) -> Figure:
    """The points to level, beside the verdicts."""
    job = folder / DEMO
    figure = Figure(figsize=(7.2, 4.8), layout="constrained")
    axes = figure.subplots()
    shaded(axes, folder / TERRAIN)
    worst_verdicts(axes, job)
    points = layer(job, "resurvey")
    points.plot(ax=axes, color="white", edgecolor=BLACK, markersize=16, zorder=10)
    axes.scatter([], [], s=16, color="white", edgecolor=BLACK, label=f"point to level ({len(points)} in all)")
    axes.legend(loc="center", fontsize=8)
    bare(axes, layer(job, "fence"))
    return figure


def windows(folder: Path) -> Figure:
    """Operating window of every zone, as the report draws it."""
    return window_chart(layer(folder / DEMO, "operating_windows"), 7.2)


def reach(folder: Path) -> Figure:
    """Windows and the reach of the farthest mover on the map, as the report draws it."""
    names = ("operating_windows", "nuisance_reach", "set_off", "fence")
    return reach_map({name: layer(folder / DEMO, name) for name in names}, 7.2)


PICTURES: dict[str, Callable[[Path], Figure | bytes]] = {
    "concept-modulation.png": modulation,
    "concept-section.png": section_of(DEMO, "crawl"),
    "concept-verdicts.png": verdict_map(DEMO, TERRAIN),
    "concept-resurvey.png": resurvey,
    "concept-windows.png": windows,
    "concept-reach.png": reach,
}
