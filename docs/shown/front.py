"""The first picture: a dip under a beam of the demonstration, before and after, beside the map with the same spot."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import ConnectionPatch

import geotools
from docs.shown.maps import bare, layer, posts, shaded, worst_verdicts
from docs.shown.section import Piece, draw_piece, person, piece
from geotools.plan.schema.style import BLACK, BLUE, GREEN, ORANGE, VERMILION

DEMO = "geotools_demo"
ACROSS = 3.7


def before_and_after(folder: Path) -> Figure:
    """Map and two sections from the demonstration in the folder, the second from a run on its proposed state."""
    job = folder / DEMO
    spots = layer(job, "dead_spots")
    spot = spots[spots["threat"] == "crawl"].iloc[0]
    middle = (spot["from_m"] + spot["to_m"]) / 2
    site = geotools.open_site(job / "input" / "site.toml")
    proposed = geotools.apply(site, geotools.open_plan(job))
    again = geotools.gaps(proposed.site, proposed.plan)
    if (again.dead_spots["threat"] == "crawl").any():
        raise SystemExit("the proposed state leaves a dead spot for crawl: the picture would show what is not so")
    crawl = site.all_targets["crawl"]
    height, width = crawl.height_m, crawl.width_m
    now = piece(layer(job, "profiles"), layer(job, "beams"), spot["zone_id"])
    then = piece(again.profiles, proposed.plan.beams, spot["zone_id"])

    figure = Figure(figsize=(11.5, 4.3))
    left = figure.add_axes((0.005, 0.02, 0.37, 0.93))
    shaded(left, job / "input" / "terrain.tif")
    posts(left, job)
    worst_verdicts(left, job)
    bare(left, layer(job, "fence"))
    left.set_title("every metre of fence has a verdict", fontsize=10, loc="left")
    upper = figure.add_axes((0.40, 0.49, 0.595, 0.45))
    lower = figure.add_axes((0.40, -0.01, 0.595, 0.45))
    _section(upper, now, middle, height, width, undetected=True)
    _section(lower, then, middle, height, width, undetected=False, before=now)
    upper.set_title("now: who crawls through the ditch stays beneath what the beams detect", fontsize=10, loc="left")
    lower.set_title("as proposed: ditch filled, water led through; the same crawl is detected", fontsize=10, loc="left")
    place = gpd.GeoSeries([spot.geometry], crs=spots.crs).iloc[0].centroid
    left.plot(place.x, place.y, "o", ms=17, mfc="none", mec=BLACK, mew=1.6, zorder=12)
    ends = ConnectionPatch((place.x, place.y), (middle - ACROSS, now.floor.mean() + 0.3), "data", "data", axesA=left,
                           axesB=upper, color=BLACK, lw=0.9, shrinkA=9, zorder=20)  # fmt: skip
    figure.add_artist(ends)
    return figure


def _section(axes, shown: Piece, middle: float, height: float, width: float, *, undetected: bool, before=None) -> None:
    low, high = middle - ACROSS, middle + ACROSS
    draw_piece(axes, shown, low, high, before)
    ground = float(np.interp(middle, shown.chainage, shown.ground))
    person(axes, middle, ground, height, width, VERMILION if undetected else GREEN)
    base = float(np.interp(low, shown.chainage, shown.ground))
    axes.set_ylim(base - 0.72, shown.beam_at("main", high) + 0.22)
    for level, words, colour in (("main", "main beam", BLUE), ("low", "low beam", ORANGE)):
        axes.text(low + 0.08, shown.beam_at(level, low) + 0.06, words, color=colour, fontsize=8.5, va="bottom")
    axes.annotate(
        "undetected" if undetected else "detected",
        (middle + 0.16, ground + 0.55),
        (middle + 1.15, base - 0.45),
        color=VERMILION if undetected else GREEN,
        fontsize=11,
        fontweight="bold",
        arrowprops={"arrowstyle": "-", "color": VERMILION if undetected else GREEN},
        zorder=15,
    )
    floor = float(np.interp(low + 1.3, shown.chainage, shown.floor))
    thin = {"arrowstyle": "-", "color": VERMILION, "lw": 0.8}
    words = "detection floor: a body must rise above it"
    axes.annotate(
        words,
        (low + 1.3, floor),
        (low + 0.15, base - 0.45),
        fontsize=8,
        color=VERMILION,
        arrowprops=thin,
        zorder=15,
    )
    axes.plot([high - 1.2, high - 0.2], [base - 0.55] * 2, color=BLACK, lw=3, solid_capstyle="butt", zorder=15)
    axes.text(high - 0.7, base - 0.51, "1 m", ha="center", va="bottom", fontsize=8, zorder=15)
