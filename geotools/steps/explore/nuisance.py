"""Operating windows and nuisance reach on the page, as the plan's layers have them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geotools.plan.schema import OPERATING_WINDOWS
from geotools.steps.explore.scene import Place

__all__ = ["nuisance_data", "window_colours"]

Row = dict[str, Any]
#: Edges of a reach are drawn no nearer than this, m.
_EDGE_M = 0.2
_WINDOW = [
    "state",
    "must_not",
    "must_not_high",
    "must_not_mover",
    "must_not_at",
    "must_not_chainage_m",
    "must",
    "must_low",
    "must_threat",
    "must_chainage_m",
    "width_db",
    "threshold",
    "threshold_inside",
    "set_to",
    "closes_at_m",
    "opens_by",
    "opens_cost",
    "proposed",
]
_WEATHER = ["condition", "closes_at", "keeps_to", "unit", "days", "because", "advice"]
_OPTION = [
    "words",
    "state",
    "must_not",
    "must",
    "set_to",
    "cost",
    "recommended",
]


def figure(value: Any, digits: int = 3) -> Any:
    """A value of a layer as JSON has it: None where it is empty, figures rounded."""
    if value is None or value is pd.NA or (isinstance(value, float) and not np.isfinite(value)):
        return None
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    return round(float(value), digits) if isinstance(value, float | np.floating) else value


def picked(row: Row, names: list[str]) -> Row:
    """Some fields of a row, as JSON has them."""
    return {name: figure(row[name]) for name in names if name in row}


def window_colours() -> dict[str, str]:
    """Colour of each state of a window, as the layer is drawn in."""
    style = OPERATING_WINDOWS.style
    return {} if style is None else {one.value: one.symbol.colour for one in style.categories}


def nuisance_data(frames: dict[str, Any], place: Place) -> dict[str, Any] | None:
    """Windows by zone, reach by mover, what sets off a zone, weather; None where the step window has not run."""
    windows = frames.get("operating_windows")
    if windows is None or windows.empty:
        return None
    beams, weather = (frames.get(name) for name in ("standoffs", "window_weather"))
    reach, options, features = (frames.get(name) for name in ("nuisance_reach", "window_options", "set_off"))
    movers: dict[str, Row] = {}
    for row in () if reach is None else reach.to_dict("records"):
        mover = movers.setdefault(
            str(row["mover"]), {"must_not_alarm": figure(row["must_not_alarm"]), "zones": {}, "areas": []}
        )
        mover["zones"][row["zone_id"]] = picked(row, ["outside_m", "inside_m", "length_m", "largest"])
        mover["areas"] += [{"zone": row["zone_id"], "at": ring} for ring in place.rings(row["geometry"], _EDGE_M)]
    return {
        "windows": {row["zone_id"]: picked(row, _WINDOW) for row in windows.to_dict("records")},
        "lines": {row.zone_id: place.points(row.geometry.coords) for row in windows.itertuples()},
        "movers": movers,
        "standoffs": {} if beams is None else dict(zip(beams["zone_id"], beams["why"], strict=True)),
        "weather": [
            {"zone": row["zone_id"], **picked(row, _WEATHER)}
            for row in (() if weather is None else weather[weather["days"] > 0.0].to_dict("records"))
        ],
        "options": [
            {"zone": row["zone_id"], **picked(row, _OPTION)}
            for row in (() if options is None else options.to_dict("records"))
        ],
        "features": [
            {
                "zone": row["zone_id"],
                "at": place.points(row["geometry"].coords),
                **picked(row, ["feature", "mover", "modulation", "modulation_high", "sets_off", "chainage_m"]),
            }
            for row in (() if features is None else features.to_dict("records"))
        ],
    }
