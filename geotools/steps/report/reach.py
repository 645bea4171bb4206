"""The map of what alarms though nobody intrudes: how far movers are answered, and which zones have no window."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import geopandas as gpd
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from geotools.plan.schema import OPERATING_WINDOWS, SET_OFF
from geotools.plan.schema.core import LayerSchema
from geotools.plan.schema.style import BLACK, ORANGE, YELLOW
from geotools.steps.report.blocks import Block
from geotools.steps.report.charts import draw
from geotools.steps.report.frame import FONT_PT

__all__ = ["reach_blocks", "reach_map"]

Frames = Mapping[str, pd.DataFrame]
_DASH = {"solid": "-", "dash": (0, (4, 2)), "dot": ":", "dash dot": "-."}
#: Points of a drawing's line for a millimetre of a layer's, thicker than on a plan sheet so that it reads at this size.
_PT = 2.4
#: Height of the map as a share of its width, at most.
_TALLEST = 0.6


def reach_blocks(frames: Frames) -> list[Block]:
    """The map with its caption; nothing where no layer of reach is there."""
    reach, windows = frames.get("nuisance_reach"), frames.get("operating_windows")
    if reach is None or windows is None or not isinstance(windows, gpd.GeoDataFrame) or not len(reach):
        return []
    widest = _widest(reach)
    alt = f"Map of {len(windows)} beam lines by the state of their window, and of the reach of: {widest}."
    caption = (
        f"Yellow: ground on which the {widest}, the farthest of the movers that must not alarm, reaches the site's "
        "threshold, whether or not it is ever there."
    )
    features = frames.get("set_off")
    if features is not None and (features["sets_off"] != "no").any():
        caption += " Lines from your own features run to the beam line that answers."
    return [draw(partial(reach_map, frames), alt, caption)]


def _widest(reach: pd.DataFrame) -> str:
    """The mover that must not alarm and is answered farthest on the outer side."""
    counted = reach[reach["must_not_alarm"].fillna(False).astype(bool)]
    counted = counted if len(counted) else reach
    return str(counted.loc[counted["outside_m"].idxmax(), "mover"])


def _lines(ax: Axes, frame: gpd.GeoDataFrame, schema: LayerSchema) -> list[Line2D]:
    """A layer's lines in its own style, and entries of the legend for what is there."""
    style = schema.style
    entries: list[Line2D] = []
    if style is None or not len(frame):
        return entries
    for one in style.categories:
        mine = frame[frame[str(style.field)].astype(str) == one.value]
        if not len(mine):
            continue
        look = one.symbol
        for line in mine.geometry:
            entry = Line2D(*line.xy, color=look.colour, lw=look.width * _PT, ls=_DASH[look.dash], label=one.label)
            ax.add_line(entry)
        entries.append(entry)
    return entries


def reach_map(frames: Frames, width: float) -> Figure:
    """Beam lines by the state of their window, reach of the farthest mover, features that set off; inches wide."""
    reach, windows = frames["nuisance_reach"], frames["operating_windows"]
    mover = _widest(reach)
    mine = reach[reach["mover"] == mover]
    left, bottom, right, top = mine.total_bounds
    margin = 0.04 * max(right - left, top - bottom)
    share = min((top - bottom + 2 * margin) / (right - left + 2 * margin), _TALLEST)
    figure = Figure(figsize=(width, width * share + 0.6))
    ax = figure.add_axes((0.01, 0.6 / (width * share + 0.6), 0.98, width * share / (width * share + 0.6)))
    for area in mine.geometry:
        for part in getattr(area, "geoms", [area]):
            ax.fill(*part.exterior.xy, facecolor=YELLOW, edgecolor=ORANGE, alpha=0.45, lw=0.5)
    entries: list[Line2D | Patch] = [Patch(facecolor=YELLOW, edgecolor=ORANGE, alpha=0.45, label=f"Reach of: {mover}")]
    entries += _lines(ax, windows, OPERATING_WINDOWS)
    features = frames.get("set_off")
    if features is not None and len(features):
        entries += _lines(ax, features[features["sets_off"] != "no"], SET_OFF)
    fence = frames.get("fence")
    if isinstance(fence, gpd.GeoDataFrame) and len(fence):
        for line in fence.geometry:
            entry = Line2D(*line.xy, color=BLACK, lw=0.8, label="Fence")
            ax.add_line(entry)
        entries.append(entry)
    for row in windows.itertuples():
        middle = row.geometry.interpolate(0.5, normalized=True)
        ax.annotate(
            row.zone_id,
            (middle.x, middle.y),
            ha="center",
            va="center",
            fontsize=FONT_PT,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
        )
    ax.set_xlim(left - margin, right + margin)
    ax.set_ylim(bottom - margin, top + margin)
    ax.set_aspect("equal")
    ax.set_axis_off()
    figure.legend(handles=entries, loc="lower center", ncols=3, fontsize=FONT_PT, frameon=False)
    return figure
