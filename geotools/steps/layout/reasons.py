"""Why a layout differs from the one before: what called for a head, what changed in the site file, what is locked."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from geotools.engine.step import StepContext
from geotools.plan import ids
from geotools.plan.changes import Change, HeadPrices, change_rows, head_changes, in_words
from geotools.plan.model import Zone
from geotools.site import Site, SitePrices
from geotools.site.stacks import called_rules

__all__ = ["changes_since", "price_words", "reasons"]

Row = Mapping[str, Any]
#: Causes named in one reason.
_SHOWN = 3


def _why_level(site: Site, level: str) -> str:
    """What calls for a head at a level of the stack."""
    if site.stack:
        return f"the site file's stack has a head at level {level}"
    rule = next((rule for rule in called_rules(site.threats, site.stack_rules) if rule.level == level), None)
    if rule is None:
        return f"nothing in the site file asks for level {level}"
    threats = [threat for threat in site.threats if threat in rule.threats]
    return f"{', '.join(threats)} calls for a head at level {level}" if threats else f"every post has level {level}"


def reasons(
    ctx: StepContext, before: Sequence[Row], locked: Sequence[str] = (), off_nulls: Collection[str] = ()
) -> Callable[[str, Row], str]:
    """Why, of the kind of change and the row of a head.

    Parameters
    ----------
    ctx : of the run. before : rows of heads as they were. locked : zones that a new design left alone.
    off_nulls : beams whose heads were set to leave a ground-reflection null.
    """
    levels: dict[str, set[str]] = {}
    for row in before:
        levels.setdefault(str(row["zone_id"]), set()).add(str(row["level"]))
    posts = {str(row["post_id"]) for row in before}
    causes = list(ctx.causes[:_SHOWN]) + ([f"and {len(ctx.causes) - _SHOWN} more"] if ctx.causes[_SHOWN:] else [])
    if ctx.params["redesign"]:
        causes.append("new design requested")
    if locked:
        shown = ", ".join(locked[:4]) + (f" and {len(locked) - 4} more" if len(locked) > 4 else "")
        causes.append(f"laid out around what is locked ({shown})")
    general = "; ".join(causes) or "laid out anew"

    def why(kind: str, row: Row) -> str:
        if kind == "height" and ids.beam_id(str(row["zone_id"]), str(row["level"])) in off_nulls:
            return f"set out of a ground-reflection null; {general}"
        there = levels.get(str(row["zone_id"]))
        own = kind == "added" and str(row["post_id"]) in posts and there is not None and str(row["level"]) not in there
        return f"{_why_level(ctx.site, str(row['level']))}; {general}" if own else general

    return why


def changes_since(
    ctx: StepContext,
    before: Sequence[Row],
    after: Sequence[Row],
    locked: Sequence[str] = (),
    off_nulls: Collection[str] = (),
) -> list[dict[str, Any]]:
    """Rows of the layer ``changes`` for the heads, reported to the user as well; none where there was no plan.

    Parameters are those of `reasons`, and after : rows of heads as they are.
    """
    if not before:
        return []
    prices = ctx.site.prices
    why = reasons(ctx, before, locked, off_nulls)
    found: list[Change] = head_changes(before, after, why, HeadPrices(prices.head, prices.post, prices.set_head))
    if found:
        ctx.say(in_words(found, prices.currency) + "; see layer changes")
    levels = {str(row["level"]) for row in before}
    lacking = [level.level for level in ctx.site.stack_levels() if level.level not in levels]
    if lacking and not ctx.params["extend"] and any(one.change in ("moved", "removed") for one in found):
        ctx.say(
            f"posts were laid out anew; --extend on the plan as it was adds heads at level {', '.join(lacking)} to the "
            "posts that stand, and nothing else"
        )
    return change_rows("layout", found)


def price_words(zones: Sequence[Zone], prices: SitePrices, dead_ground_m: float) -> str:
    """What the choice of zones comes to in money, part by part; what it weighs without a price stands beside it.

    Parameters
    ----------
    zones : as laid out. prices : of the site. dead_ground_m : weight of a metre that is left undetected.
    """
    heads, posts = sum(len(zone.heads) for zone in zones), 2 * len(zones)
    stood = heads * prices.head + posts * prices.post
    earth = sum(zone.earthwork_m3 or 0.0 for zone in zones)
    words = f"heads and posts {stood:,.0f} {prices.currency}"
    if earth >= 0.05:
        moved = earth * (prices.cut_m3 + prices.fill_m3) / 2
        words += (
            f", earth under the beams about {earth:.1f} m3 or {moved:,.0f} {prices.currency} (remedy prices the works)"
        )
    left = sum(zone.left_open_m or 0.0 for zone in zones)
    if left >= 0.05:
        words += f"; {left:.1f} m left undetected at the weight of {dead_ground_m:,.0f} {prices.currency} a metre"
    return words
