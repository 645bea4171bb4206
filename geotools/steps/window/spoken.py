"""Windows in words, and the closing table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from geotools.engine.step import StepContext
from geotools.steps.window.rows import Row

__all__ = ["closing_table", "tell"]

_NAMED = 6


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
    if any(row.get("opens_cost") is not None and "dead spots" not in str(row["opens_by"]) for row in windows):
        ctx.say(
            "what opens a window beyond closing dead spots is in neither remedy, proposed state nor bill: take it into "
            "the layers zones, heads and beams"
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
