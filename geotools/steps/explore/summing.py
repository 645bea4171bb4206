"""What the plan says of every zone in one row: where it is weak, what would be built, the price, what is unproven."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from geotools.plan.grouped import rows_by
from geotools.plan.schema.window import WINDOW_STATES
from geotools.steps.explore.lengths import ZoneLengths
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


def zone_summaries(frames: dict[str, Any], names: Sequence[str]) -> dict[str, Row]:
    """By zone: undetected and unproven length of fence (worst of all threats), what settles it, remedy and heads."""
    said, options, heads = (frames.get(name) for name in ("verdicts", "options", "proposed_heads"))
    lengths = None if said is None else ZoneLengths(said)
    changed = None if heads is None else heads[heads["change"] != "stays"]
    options_of, heads_of = _by(options, "zone_id"), _by(changed, "stands_for")
    found: dict[str, Row] = {}
    for name in names:
        row: Row = {"lengths": None, "settle": []}
        if lengths is not None:
            row["lengths"], row["settle"] = lengths.of(name)
        row["options"] = [picked(one, _OPTION) for one in options_of.get(name, ())]
        row["heads"] = [picked(one, _HEAD) for one in heads_of.get(name, ())]
        found[name] = row
    return found


def _by(frame: pd.DataFrame | None, field: str) -> dict[Any, list[Row]]:
    """Rows of a layer by a field, in their order."""
    return {} if frame is None else rows_by(frame.to_dict("records"), field)


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
