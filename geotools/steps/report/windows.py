"""The sheet of operating windows: what alarms though nobody intrudes, as a picture first, then as a table."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from geotools.plan.schema.style import BLACK, BLUE, GREY, ORANGE, PALE, SKY, VERMILION
from geotools.steps.report.blocks import Block, Fact, Heading, Notes, Table
from geotools.steps.report.charts import draw
from geotools.steps.report.frame import FONT_PT
from geotools.steps.report.reach import reach_blocks
from geotools.steps.report.weather import standoff_blocks
from geotools.steps.report.wording import field_table, number

__all__ = ["WINDOW_LAYERS", "window_chart", "window_facts", "window_words", "windows_sheet"]

Frames = Mapping[str, pd.DataFrame]
#: Layers that this sheet shows.
WINDOW_LAYERS = frozenset(
    {
        "operating_windows",
        "window_options",
        "window_surfaces",
        "window_weather",
        "set_off",
        "nuisance_reach",
        "standoffs",
    }
)
#: Modulations at the chart's ends: what is weaker is drawn at the edge.
_LEAST, _MOST = 0.005, 1.3
_NAMED = 4
_CAUTIONS = (
    "A model: set the threshold by the walk test, and look at a week of logged alarms before relying on it.",
    "Sizes of movers are placeholders until the site file has its own.",
)

_NO_WEATHER = "Dry days on cut grass alone: `geotools weather` finds rain, water, snow and grass that close a window."


def window_facts(windows: pd.DataFrame | None, currency: str) -> list[Fact]:
    """The first page's figure: how many windows are open, which are empty, and what opens those."""
    if windows is None or windows.empty:
        return []
    count = windows["state"].value_counts()
    empty = windows[windows["state"] == "empty"]
    said = ", ".join(f"{count[state]} {state}" for state in ("open", "narrow", "empty") if count.get(state, 0))
    outside = _threshold_outside(windows)
    state = "bad" if len(empty) else "open" if count.get("narrow", 0) or len(outside) else "good"
    good = "a threshold keeps what must not alarm apart from what must, by the model"
    return [Fact("Operating windows of the zones", said, good if state == "good" else "by the best estimate", state)]


def for_windows(chosen: pd.DataFrame) -> pd.Series:
    """Which recommended options widen a window, and close no dead spot; chosen : of the layer options."""
    return chosen["serves"] == "window" if "serves" in chosen else pd.Series(False, chosen.index)


def opened_facts(chosen: pd.DataFrame, currency: str) -> list[Fact]:
    """The first page's figure of windows that the user has had widened in the proposed state; none where there is none.

    chosen : recommended rows of the layer options.
    """
    mine = chosen[for_windows(chosen)]
    if mine.empty:
        return []
    cost = number(mine["cost"].sum(), 0, currency)
    return [Fact("Operating windows widened in the proposed state", f"{len(mine)} of the zones changed", f"for {cost}")]


def window_words(windows: pd.DataFrame | None, currency: str) -> str:
    """What the first page says of windows that are empty or leave the threshold out; empty where there are none."""
    if windows is None or windows.empty:
        return ""
    empty = windows[windows["state"] == "empty"]
    notes = [_opened(str(by), rows, currency) for by, rows in empty.groupby(empty["opens_by"].fillna(""), sort=False)]
    outside = _threshold_outside(windows)
    if len(outside):
        zones = ", ".join(outside["zone_id"].head(_NAMED))
        notes.append(f"The site's threshold lies outside the operating window of {zones}.")
    return " ".join(notes)


def _threshold_outside(windows: pd.DataFrame) -> pd.DataFrame:
    return windows[(windows["state"] != "empty") & ~windows["threshold_inside"].fillna(False).astype(bool)]


def _opened(by: str, empty: pd.DataFrame, currency: str) -> str:
    """Zones whose empty windows are opened by the same thing, and what that costs together."""
    zones = ", ".join(empty["zone_id"].head(_NAMED)) + (" and more" if len(empty) > _NAMED else "")
    price = f", for {number(empty['opens_cost'].sum(), 0, currency)}" if empty["opens_cost"].notna().all() else ""
    said = f"No threshold keeps what must not alarm apart from what must in {zones}"
    return f"{said}; what opens the window: {by}{price}." if by else f"{said}."


def windows_sheet(frames: Frames) -> list[Block]:
    """Picture of every zone's window, tables of windows, features and changes; nothing where the step has not run."""
    windows = frames.get("operating_windows")
    if windows is None or windows.empty:
        beams = standoff_blocks(frames)
        return [Heading("What alarms though nobody intrudes"), *beams] if beams else []
    states = windows["state"].value_counts()
    alt = (
        f"Operating windows of {len(windows)} zones: {states.get('open', 0)} open, {states.get('narrow', 0)} narrow, "
        f"{states.get('empty', 0)} empty; each a bar from the strongest response that must not alarm to the "
        "weakest that must."
    )
    caption = (
        "A bar runs from the strongest response that must not alarm to the weakest that must; both are named. Blue: a "
        "threshold fits between them. Crossed red: empty, what must not alarm is the stronger. Thin lines: with what "
        "is not known exactly. Diamond: threshold to set."
    )
    blocks: list[Block] = [
        Heading("What alarms though nobody intrudes"),
        draw(partial(window_chart, windows), alt, caption),
        *reach_blocks(frames),
        _table(windows),
    ]
    features = frames.get("set_off")
    if features is not None and len(features):
        near = features[features["sets_off"] != "no"]
        columns = {
            "feature": ("feature", 0),
            "mover": ("mover", 0),
            "zone_id": ("zone", 0),
            "modulation": ("response", 2),
            "modulation_high": ("at most", 2),
            "chainage_m": ("strongest at, m", 0),
            "sets_off": ("sets it off", 0),
        }
        if len(near):
            blocks.append(field_table("Roads, paths and trees that set off a zone", near, columns))
    options = frames.get("window_options")
    if options is not None and len(options):
        columns = {
            "zone_id": ("zone", 0),
            "words": ("change", 0),
            "state": ("window then", 0),
            "must_not": ("must not", 2),
            "must": ("must", 2),
            "set_to": ("set to", 2),
            "cost": ("cost", 0),
            "recommended": ("advised", 0),
        }
        blocks.append(field_table("What opens a window that is not open", options, columns, aside=True))
    closing = windows[windows["closes_at_m"].notna()] if "closes_at_m" in windows else windows.head(0)
    if len(closing):
        columns = {"zone_id": ("zone", 0), "closes_at_m": ("closes under grass or snow of, m", 2)}
        blocks.append(field_table("Keep grass shorter, and clear snow, where a window closes", closing, columns))
    cautions = _CAUTIONS if "window_weather" in frames else (*_CAUTIONS, _NO_WEATHER)
    return [*blocks, *standoff_blocks(frames), Notes(cautions, "caution", "Cautions")]


def _table(windows: pd.DataFrame) -> Table:
    columns = {
        "zone_id": ("zone", 0),
        "state": ("window", 0),
        "must_not_mover": ("must not alarm", 0),
        "must_not": ("response", 2),
        "must_not_high": ("at most", 2),
        "must_threat": ("must alarm", 0),
        "must": ("response of it", 2),
        "must_low": ("with 95 %", 2),
        "width_db": ("width, dB", 1),
        "set_to": ("set to", 2),
        "must_chainage_m": ("walk at, m", 0),
    }
    return field_table("Operating window of every zone", windows, columns)


def _name_ends(ax: Axes, place: int, one: Any, ends: tuple[float, float]) -> None:
    """What gives each end of a bar, outside of it: the mover that must not alarm, the threat that must."""
    names = one.must_not_mover or "", one.must_threat or ""
    first = ends[0] <= ends[1]
    for at, name, before in ((ends[0], names[0], first), (ends[1], names[1], not first)):
        # at the picture's edge there is room on the inner side alone
        inside = before and at <= 2 * _LEAST
        side = "left" if inside or not before else "right"
        ax.annotate(
            name,
            (at, place),
            xytext=(4 if side == "left" else -4, 0),
            textcoords="offset points",
            ha=side,
            va="center",
            fontsize=FONT_PT,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
        )


def window_chart(windows: pd.DataFrame, width: float) -> Figure:
    """A bar a zone over modulation, the site's threshold as a line; ``width`` in inches."""
    count = len(windows)
    left, foot, row = 0.95, 0.62, 0.34
    height = foot + row * count + 0.12
    figure = Figure(figsize=(width, height))
    ax = figure.add_axes((left / width, foot / height, 1 - (left + 0.15) / width, row * count / height))

    def at(value: float | None) -> float:
        return float(np.clip(_LEAST if value is None or pd.isna(value) else value, _LEAST, _MOST))

    for place, one in enumerate(windows.itertuples()):
        low, high = at(one.must_not), at(one.must)
        sure = at(one.must_not_high), at(one.must_low if pd.notna(one.must_low) else one.must)
        if one.state == "empty":
            ax.barh(place, low - high, left=high, height=0.5, color=PALE, edgecolor=VERMILION, hatch="xxx", lw=1.0)
        else:
            colour = SKY if one.state == "open" else PALE
            ax.barh(place, high - low, left=low, height=0.5, color=colour, edgecolor=BLUE, lw=0.8)
        ax.plot([low, sure[0]], [place - 0.32] * 2, color=ORANGE, lw=1.6)
        ax.plot([sure[1], high], [place + 0.32] * 2, color=BLACK, lw=1.6)
        _name_ends(ax, place, one, (low, high))
        if pd.notna(one.set_to):
            ax.plot(one.set_to, place, marker="D", ms=5, color=BLACK, mfc="white")
    threshold = float(windows["threshold"].iloc[0])
    ax.axvline(threshold, color=GREY, lw=1.0, ls="--")
    ax.set_xscale("log")
    ax.set_xlim(_LEAST, _MOST)
    ax.set_ylim(count - 0.4, -0.6)
    ax.set_yticks(range(count), windows["zone_id"], fontsize=FONT_PT)
    ticks = [0.01, 0.05, 0.1, 0.2, 0.5, 1.0]
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks], fontsize=FONT_PT)
    ax.minorticks_off()
    ax.set_xlabel(f"modulation (dashed: the site's threshold, {threshold:g})", fontsize=FONT_PT)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    return figure
