"""Pictures of a batch: all sites on one map, and where they lie too far apart for that, each to its own scale."""

from __future__ import annotations

import base64
import io
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pyogrio

from geotools.cli.batch.site_labels import label_sites
from geotools.errors import counted
from geotools.plan.schema import FENCE, VERDICTS
from geotools.plan.schema.style import NAMES_AS_WRITTEN, VERDICT_COLOURS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["VERDICT_ORDER", "maps_of"]

Box = tuple[float, float, float, float]

#: Verdicts as they are drawn, the worst last and so on top.
VERDICT_ORDER = ("detected", "unproven", "undetected", "no_beam")
#: A site smaller than this share of the map is marked by a dot.
_DOT = 0.02
#: Plans in a row, and in all; an office of more sites has the layers of batch.gpkg.
_ROW, _MOST = 4, 40


def maps_of(combined: Path) -> str:
    """All sites as pictures for the page; empty where none has a fence.

    ``combined`` : GeoPackage of all sites.
    """
    import matplotlib as mpl

    with mpl.rc_context(NAMES_AS_WRITTEN):
        return _maps(combined)


def _maps(combined: Path) -> str:
    layers = set(pyogrio.list_layers(combined)[:, 0])
    if FENCE.name not in layers:
        return ""
    fences = gpd.read_file(combined, layer=FENCE.name)
    said = gpd.read_file(combined, layer=VERDICTS.name) if VERDICTS.name in layers else None
    if said is not None:
        said = said[(said["threat"] == "all") & said.geometry.notna()]
    sites: dict[str, Box] = {}
    for site, rows in fences.groupby("site"):
        west, south, east, north = map(float, rows.total_bounds)
        sites[str(site)] = west, south, east, north
    x0, y0, x1, y1 = fences.total_bounds
    dots = [name for name, (a, b, c, d) in sites.items() if max(c - a, d - b) < _DOT * max(x1 - x0, y1 - y0)]
    names = ", ".join(sites)
    several = f"{counted(len(sites), 'site')}: {names}"
    text = f"<h2>Map of all sites</h2>{_picture(_overview(fences, said, sites, dots), f'Map of {several}')}"
    if dots:
        shown = list(sites)[:_MOST]
        more = f" The first {_MOST} of {len(sites)} are shown." if len(sites) > _MOST else ""
        alt = f"Plans of {counted(len(shown), 'site')}: {', '.join(shown)}"
        text += f"<h2>Each site to its own scale</h2><p>North up.{more}</p>"
        text += _picture(_plans(fences, said, {name: sites[name] for name in shown}), alt)
    return text


def _picture(figure: Figure, alt: str) -> str:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=130, metadata={"Software": None})
    data = base64.b64encode(stream.getvalue()).decode("ascii")
    return f'<img alt="{escape(alt, quote=True)}" src="data:image/png;base64,{data}">'


def _draw(ax: Axes, fences: gpd.GeoDataFrame, said: gpd.GeoDataFrame | None) -> None:
    """Fence lines, and what may be said of them over that."""
    for shape in fences.geometry:
        ax.plot(*shape.xy, color="#777777", lw=0.8)
    if said is None:
        return
    for verdict in VERDICT_ORDER:
        for shape in said.geometry[said["verdict"] == verdict]:
            ax.plot(*shape.xy, color=VERDICT_COLOURS[verdict], lw=2.5, solid_capstyle="butt")


def _worst(said: gpd.GeoDataFrame | None, site: str) -> str:
    """Colour of the worst that is said of a site; none where nothing is."""
    mine = set() if said is None else set(said.loc[said["site"] == site, "verdict"])
    return next((VERDICT_COLOURS[verdict] for verdict in reversed(VERDICT_ORDER) if verdict in mine), "none")


def _keys(figure: Figure) -> None:
    # drawing takes long to load, and whoever lists the commands does not draw
    from matplotlib.lines import Line2D

    keys = [Line2D([], [], color=VERDICT_COLOURS[v], lw=2.5, label=v.replace("_", " ")) for v in VERDICT_ORDER]
    figure.legend(handles=keys, loc="outside lower center", ncols=4, frameon=False)


def _projected(fences: gpd.GeoDataFrame) -> bool:
    """Whether both axes of a map count alike."""
    return fences.crs is None or bool(fences.crs.is_projected)


def _upright(fences: gpd.GeoDataFrame, north: float) -> Any:
    """Aspect of a map: degrees of longitude are shorter the farther north or south."""
    return "equal" if _projected(fences) else 1.0 / max(float(np.cos(np.radians(north))), 0.05)


def _overview(
    fences: gpd.GeoDataFrame, said: gpd.GeoDataFrame | None, sites: dict[str, Box], dots: list[str]
) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10, 6), layout="constrained")
    ax = figure.subplots()
    _draw(ax, fences, said)
    for name in dots:
        a, b, c, d = sites[name]
        ax.plot((a + c) / 2, (b + d) / 2, "o", ms=7, mfc=_worst(said, name), mec="#111111")
    projected = _projected(fences)
    ax.set_aspect("equal" if projected else "auto")
    system = "" if fences.crs is None else fences.crs.name
    if projected:
        ax.set_xlabel(f"{system}, map unit".removeprefix(", "))
    else:
        ax.set_xlabel(f"longitude, degrees ({system})")
        ax.set_ylabel("latitude, degrees")
    ax.ticklabel_format(useOffset=False, style="plain")
    ax.margins(0.06)
    _keys(figure)
    label_sites(ax, sites)
    return figure


def _plans(fences: gpd.GeoDataFrame, said: gpd.GeoDataFrame | None, sites: dict[str, Box]) -> Figure:
    from matplotlib.figure import Figure

    down = -(-len(sites) // _ROW)
    figure = Figure(figsize=(10, 2.6 * down + 0.5), layout="constrained")
    frames = np.ravel(figure.subplots(down, _ROW, squeeze=False))
    for ax in frames:
        ax.set_axis_off()
    for ax, (name, (_, south, _, north)) in zip(frames, sites.items(), strict=False):
        _draw(ax, fences[fences["site"] == name], None if said is None else said[said["site"] == name])
        ax.set_aspect(_upright(fences, (south + north) / 2))
        ax.margins(0.08)
        ax.set_title(name if len(name) <= 28 else f"{name[:27]}…", fontsize=9)
    _keys(figure)
    return figure
