"""What the plan says of every zone in one row: where it is weak, what would be built, the price, what is unproven."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from geotools.plan.schema.window import WINDOW_STATES
from geotools.steps.explore.nuisance import figure, picked

__all__ = ["bill_data", "lead", "zone_summaries"]

Row = dict[str, Any]
_OPTION = [
    "option",
    "recommended",
    "serves",
    "clear",
    "cost",
    "cut_m3",
    "fill_m3",
    "area_m2",
    "dead_before_m",
    "dead_after_m",
    "reason",
]
_HEAD = ["head_id", "change", "height_m", "existing_height_m"]
#: Rows of the verdicts that hold the worst of all threats.
_ALL = "all"
#: Shorter overlaps are rounding, m.
_LEAST_M = 0.001


def zone_summaries(frames: dict[str, Any], names: Sequence[str]) -> dict[str, Row]:
    """By zone: undetected and unproven length of fence (worst of all threats), what settles it, remedy and heads."""
    said, options, heads = (frames.get(name) for name in ("verdicts", "options", "proposed_heads"))
    found: dict[str, Row] = {}
    for name in names:
        row: Row = {"lengths": None, "settle": [], "options": [], "heads": []}
        if said is not None:
            row["lengths"], row["settle"] = _verdicts_of(said, name)
        if options is not None:
            mine = options[options["zone_id"] == name].to_dict("records")
            row["options"] = [picked(one, _OPTION) for one in mine]
        if heads is not None:
            mine = heads[(heads["stands_for"] == name) & (heads["change"] != "stays")].to_dict("records")
            row["heads"] = [picked(one, _HEAD) for one in mine]
        found[name] = row
    return found


def _verdicts_of(said: pd.DataFrame, name: str) -> tuple[dict[str, float], list[str]]:
    """Length of fence by verdict for which a zone answers, the worst of all threats, and what settles the unproven.

    A stretch of all threats together may run over several zones: those of one threat end where a zone does.
    """
    single = said[said["threat"] != _ALL]
    held = single[(single["zone_id"] == name) & (single["threat"] == single["threat"].iloc[0])]
    fence, start, end = (held[column].to_numpy() for column in ("fence_id", "from_m", "to_m"))
    lengths: dict[str, float] = {}
    settle = set()
    every = said[said["threat"] == _ALL]
    columns = (every[column].tolist() for column in ("fence_id", "from_m", "to_m", "verdict", "settle"))
    for fence_id, from_m, to_m, verdict, settles in zip(*columns, strict=True):
        mine = fence == fence_id
        length = float(np.maximum(np.minimum(end[mine], to_m) - np.maximum(start[mine], from_m), 0.0).sum())
        if length > _LEAST_M:
            lengths[str(verdict)] = lengths.get(str(verdict), 0.0) + length
            if verdict == "unproven" and pd.notna(settles):
                settle.add(str(settles))
    return {verdict: round(length, 1) for verdict, length in lengths.items()}, sorted(settle)


def bill_data(frames: dict[str, Any], currency: str) -> Row:
    """Amount of each part of the bill, in its order, and whether prices of it are placeholders."""
    bill = frames.get("bill")
    if bill is None or bill.empty:
        return {"currency": currency, "parts": []}
    parts: list[Row] = []
    for section, rows in bill.groupby("section", sort=False):
        guessed = rows["amount"][rows["price_origin"] == "placeholder"].sum() if len(rows) else 0.0
        parts.append(
            {"part": str(section), "amount": figure(float(rows["amount"].sum()), 2), "placeholder": bool(guessed > 0)}
        )
    zones: pd.Series = bill.groupby("zone_id")["amount"].sum()
    return {
        "currency": currency,
        "parts": parts,
        "zones": {str(name): figure(float(amount), 2) for name, amount in zones.items()},
    }


def lead(data: Row) -> list[str]:
    """The first sentences of the page: weak zones, remedy and its price, unproven fence, windows."""
    zones, summary, currency = data["zones"], data["summary"], data["bill"]["currency"]
    weak = [z["zone"] for z in zones if any(z["cases"][z["now"][0] * len(z["rx"]) + z["now"][1]]["length"].values())]
    said = [f"{len(weak) or 'None'} of {len(zones)} zones {'has' if len(weak) < 2 else 'have'} dead spots as planned."]
    taken = {z: next((o for o in summary[z]["options"] if o.get("recommended")), None) for z in summary}
    closed = [z for z in weak if (taken[z] or {}).get("clear")]
    opened = [option for option in taken.values() if option and option.get("serves") == "window"]
    closing = [option for option in taken.values() if option and option.get("serves") != "window"]
    if closing:
        price = sum(option["cost"] or 0.0 for option in closing)
        what = "closes all of them" if len(closed) == len(weak) else f"closes {len(closed)} of these {len(weak)}"
        said.append(f"The remedy {what} for {price:,.0f} {currency}, by the model.")
    elif weak:
        said.append("No remedy has been searched: run geotools remedy.")
    if opened:
        price = sum(option["cost"] or 0.0 for option in opened)
        said.append(f"Accepted for operating windows: changes in {len(opened)} zones for {price:,.0f} {currency}.")
    if any(row["lengths"] is not None for row in summary.values()):
        unproven = sum((row["lengths"] or {}).get("unproven", 0.0) for row in summary.values())
        said.append(f"Unproven as planned: {unproven:,.1f} m of fence.")
    if data["nuisance"] is not None:
        states = [row["state"] for row in data["nuisance"]["windows"].values()]
        words = ", ".join(f"{states.count(s)} {s}" for s in WINDOW_STATES if s in states)
        said.append(f"Operating windows: {words}.")
    return said
