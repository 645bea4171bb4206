"""Windows in words, and the closing table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from geotools.detection.window_search import CLOSE_FIRST
from geotools.engine.step import StepContext
from geotools.steps.window.rows import Row

__all__ = ["closed_first", "closing_table", "proposed_words", "tell"]

_NAMED = 6


def closed_first(advised: Row | None) -> Row:
    """What opens the window of a zone that has dead spots; advised : what remedy recommends for it."""
    way = "step remedy says how" if advised is None else str(advised["option"]).replace("_", " ")
    clear = advised is not None and advised["clear"] is True
    cost = float(advised["cost"]) if advised is not None and clear and pd.notna(advised["cost"]) else None
    return {"opens_by": f"{CLOSE_FIRST} ({way})", "opens_cost": cost}


def proposed_words(advised: Row | None) -> str | None:
    """Which advice for a zone stands in the proposed state; None where there is none."""
    if advised is None:
        return None
    serves = "its window" if advised.get("serves") == "window" else "its dead spots"
    return f"{str(advised['option']).replace('_', ' ')} for {serves}"


def tell(ctx: StepContext, windows: Sequence[Row], set_off: Sequence[Row], mapped: bool) -> None:
    """Say which windows are empty, what opens them, and which features set off which zones."""
    states = [row["state"] for row in windows]
    ctx.say(
        f"operating windows: {states.count('open')} open, {states.count('narrow')} narrow (by the best estimate "
        f"alone), {states.count('empty')} empty"
    )
    for row in [row for row in windows if row["state"] == "empty"][:_NAMED]:
        why = (
            f"the weakest crossing ({row['must_threat']}) meets {row['must']:.2f}, "
            f"{row['must_not_mover'] or 'nothing'} gives {row['must_not']:.2f}"
        )
        ctx.warn(f"{row['zone_id']}: empty window: {why}; opened by: {row['opens_by'] or 'not searched'}")
    low = [row["zone_id"] for row in windows if row["state"] != "empty" and not row["threshold_inside"]]
    if low:
        ctx.warn(f"the site's threshold lies outside the window of {', '.join(low)}; see set_to")
    for row in [row for row in set_off if row["sets_off"] == "yes"][:_NAMED]:
        ctx.say(
            f"{row['mover']} on {row['feature']} sets off {row['zone_id']} between {row['from_m']:.0f} and "
            f"{row['to_m']:.0f} m: {row['modulation']:.2f}"
            if row["from_m"] is not None
            else f"{row['mover']} on {row['feature']} sets off {row['zone_id']} at {row['chainage_m']:.0f} m"
        )
    own = [row for row in windows if row["opens_cost"] is not None and not str(row["opens_by"]).startswith(CLOSE_FIRST)]
    free = [row["zone_id"] for row in own if row["proposed"] is None]
    if free:
        shown = ",".join(free[:_NAMED])
        ctx.say(
            f"what opens the window of {', '.join(free[:_NAMED])} is not in the proposed state: to take it into that, "
            f"the bill and the setting out, run `geotools remedy` with --windows {shown}"
        )
    if not mapped:
        ctx.say("no roads, paths or trees are given (input.movers): what lives on them alone is left out")


def closing_table(windows: Sequence[Row], currency: str) -> dict[str, Any]:
    """The table shown when a run ends: one line a zone."""
    rows = [
        [
            row["zone_id"],
            row["state"],
            f"{row['must_not']:.2f} {row['must_not_mover'] or ''}".strip(),
            f"{row['must']:.2f} {row['must_threat']}",
            f"{row['width_db']:+.1f}",
            "-" if row["set_to"] is None else f"{row['set_to']:.2f}",
            "-" if row["opens_cost"] is None else f"{row['opens_cost']:,.0f}",
        ]
        for row in windows
    ]
    columns = ["zone", "window", "must not alarm", "must alarm", "width dB", "set to", f"opened for [{currency}]"]
    return {"title": "Operating window of every zone, by the best estimate", "columns": columns, "rows": rows}
