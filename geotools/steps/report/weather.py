"""The sheet of what weather does to operating windows, and of the ground that each beam needs kept clear."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from geotools.plan.schema.style import BLACK, GREY, PALE, VERMILION
from geotools.site.weather import DAYS, MONTHS
from geotools.steps.report.blocks import Block, Heading, Notes
from geotools.steps.report.charts import draw
from geotools.steps.report.frame import FONT_PT
from geotools.steps.report.wording import field_table

__all__ = ["standoff_blocks", "weather_chart", "weather_sheet"]

Frames = Mapping[str, pd.DataFrame]
#: Kinds of weather as a reader says them, in the order of the panels.
_KINDS = {"rain": "rain", "pond": "standing water", "snow": "snow", "grass": "grass, never cut"}
_CAUTION = (
    "A model of single figures a month, placeholders until the site file has those of the nearest station: logged "
    "alarms and walk tests in bad weather decide.",
)


def weather_sheet(frames: Frames) -> list[Block]:
    """Picture of the days on which windows close, tables of limits and of windows under grass and snow."""
    rows, surfaces = frames.get("window_weather"), frames.get("window_surfaces")
    if rows is None or rows.empty:
        tables = _surface_table(surfaces)
        return [Heading("Weather and operating windows"), *tables] if tables else []
    closed = rows[rows["condition"] == "dry"]["zone_id"].nunique()
    alt = (
        f"Days of each month on which weather closes the operating window, for {rows['zone_id'].nunique()} zones; "
        f"{closed} of them are closed whatever the weather."
    )
    caption = (
        "Months from January on, the darker the more days of the month on which the window is expected to be closed; "
        "their number in a year stands beside. Crossed: closed on a dry day on cut grass, too."
    )
    columns = {
        "zone_id": ("zone", 0),
        "condition": ("weather", 0),
        "closes_at": ("closes at", 2),
        "keeps_to": ("open up to", 2),
        "unit": ("unit", 0),
        "days": ("days of a year", 0),
        "because": ("because", 0),
        "advice": ("what keeps it open", 0),
    }
    said = rows.assign(condition=[_KINDS.get(kind, "any weather") for kind in rows["condition"]])
    return [
        Heading("Weather and operating windows"),
        draw(partial(weather_chart, rows), alt, caption),
        field_table("Weather at which each window closes", said, columns),
        *_surface_table(surfaces),
        Notes(_CAUTION, "caution", "Cautions"),
    ]


def _surface_table(surfaces: pd.DataFrame | None) -> list[Block]:
    if surfaces is None or surfaces.empty:
        return []
    columns = {
        "zone_id": ("zone", 0),
        "depth_m": ("grass or snow, m", 2),
        "bound": ("its surface", 0),
        "must_not": ("must not", 2),
        "must": ("must", 2),
        "width_db": ("width, dB", 1),
        "keeps": ("open", 0),
    }
    return [field_table("Windows under grass and snow", surfaces, columns, aside=True)]


def weather_chart(rows: pd.DataFrame, width: float) -> Figure:
    """A panel for each kind of weather that closes a window, zones by months; ``width`` in inches."""
    zones = list(dict.fromkeys(rows["zone_id"]))
    kinds = [kind for kind in _KINDS if rows[rows["condition"] == kind]["days"].sum() > 0.0] or ["rain"]
    left, top, foot, row, gap = 0.95, 0.3, 0.3, 0.26, 0.42
    height = top + foot + row * len(zones)
    room = (width - left - gap * len(kinds)) / len(kinds)
    figure = Figure(figsize=(width, height))
    for place, kind in enumerate(kinds):
        at = (left + place * (room + gap)) / width, foot / height, room / width, row * len(zones) / height
        ax = figure.add_axes(at)
        _panel(ax, rows, zones, kind)
        ax.set_yticks(np.arange(len(zones)) + 0.5, zones if place == 0 else [""] * len(zones), fontsize=FONT_PT)
    return figure


def _panel(ax: Axes, rows: pd.DataFrame, zones: list[str], kind: str) -> None:
    dry = set(rows[rows["condition"] == "dry"]["zone_id"])
    mine = rows[rows["condition"] == kind].set_index("zone_id")
    for number, zone in enumerate(zones):
        if zone in dry:
            ax.add_patch(Rectangle((0, number), 12, 1, facecolor="white", edgecolor=VERMILION, hatch="xxx", lw=0.0))
        elif zone in mine.index:
            for month, (name, days) in enumerate(zip(MONTHS, DAYS, strict=True)):
                share = float(mine.loc[zone, name]) / days
                if share > 0.0:
                    alpha = 0.15 + 0.85 * min(share, 1.0)
                    ax.add_patch(Rectangle((month, number), 1, 1, facecolor=VERMILION, alpha=alpha, lw=0.0))
            total = float(mine.loc[zone, "days"])
            ax.annotate(
                f"{total:.0f}",
                (12, number + 0.5),
                xytext=(3, 0),
                textcoords="offset points",
                va="center",
                fontsize=FONT_PT,
                color=BLACK,
            )
    ax.set_xlim(0, 12)
    ax.set_ylim(len(zones), 0)
    ax.set_xticks([0.5, 3.5, 6.5, 9.5], ["J", "A", "J", "O"], fontsize=FONT_PT)
    ax.set_yticks(range(len(zones) + 1), minor=True)
    ax.grid(which="minor", axis="y", color=PALE, lw=0.6)
    ax.tick_params(length=0, which="both")
    ax.set_title(_KINDS[kind], fontsize=FONT_PT, pad=3)
    for side in ax.spines.values():
        side.set_color(GREY)


def standoff_blocks(frames: Frames) -> list[Block]:
    """Why each beam stands where it does and the ground it needs kept clear; nothing where no layer says so."""
    rows = frames.get("standoffs")
    if rows is None or rows.empty:
        return []
    columns = {
        "zone_id": ("zone", 0),
        "fence_m": ("from the fence, m", 1),
        "outside_m": ("clear outside, m", 1),
        "outside_for": ("for", 0),
        "inside_m": ("clear inside, m", 1),
        "reached_m": ("within reach, m", 0),
        "why": ("why it stands there", 0),
    }
    return [field_table("Where the beams stand, and ground to keep clear, over level ground", rows, columns)]
