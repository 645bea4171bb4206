"""Lines of what the remedy recommends, taken apart into the quantities that its price was made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from geotools.errors import StepError
from geotools.plan.grouped import rows_by
from geotools.steps.bill.kernel import BillLine, PriceBook, UnitPrice

__all__ = ["RemedyRows", "remedy_lines"]

Row = Mapping[str, Any]
#: Prices and quantities pass through the file as they are: what differs by more was not made by one run.
_SAME = 0.01
#: Price of a metre, and of both ends together in units of the setting, by kind of way for water.
_WAYS = {
    "stone fill": (("prices.stone_fill_m", "m"),),
    "grated drain": (("prices.grated_drain_m", "m"),),
    "covered pipe": (("prices.pipe_m", "m"), ("prices.pipe_end", "ends")),
}


@dataclass(frozen=True)
class RemedyRows:
    """What the plan holds of a remedy, as rows of its layers.

    Attributes
    ----------
    options, proposed_heads, water_crossings, heads : sequence of mapping
        Rows of the layers of those names; of ``options`` those recommended.
    """

    options: Sequence[Row] = field(default_factory=tuple)
    proposed_heads: Sequence[Row] = field(default_factory=tuple)
    water_crossings: Sequence[Row] = field(default_factory=tuple)
    heads: Sequence[Row] = field(default_factory=tuple)


def remedy_lines(rows: RemedyRows, book: PriceBook) -> list[BillLine]:
    """Every recommended option as lines whose amounts add up to the option's cost.

    Raises
    ------
    StepError
        The layers do not belong together, or prices have changed since: the amounts are not the cost.
    """
    lines: list[BillLine] = []
    # sorted by zone once: a border has thousands of zones, and as many rows again
    heads_then, heads_now = rows_by(rows.proposed_heads, "stands_for"), rows_by(rows.heads, "zone_id")
    crossings = rows_by([{**one, "place": k} for k, one in enumerate(rows.water_crossings)], "zone_id")
    for option in rows.options:
        if option["option"] == "none":
            continue
        zone = str(option["zone_id"])
        then, now = heads_then.get(zone, []), heads_now.get(zone, [])
        # a zone that is split has its ways for water in its parts
        parts = {str(head["zone_id"]) for head in then} | {zone}
        ways = sorted((way for part in parts for way in crossings.get(part, [])), key=lambda way: int(way["place"]))
        mine = [*_earth(option, zone, book), *_water(ways, zone, book), *_heads(then, now, option, zone, book)]
        rest = float(option["cost"]) - sum(line.amount for line in mine)
        if abs(rest) > _SAME:
            mine.append(_rest(option, zone, rest))
        lines += [line for line in mine if line.quantity]
    return lines


def _line(zone: str, item: str, quantity: float, unit: str, price: UnitPrice, note: str = "") -> BillLine:
    return BillLine("remedy", zone, item, quantity, unit, price, note)


def _number(value: Any) -> float:
    return 0.0 if pd.isna(value) else float(value)


def _earth(option: Row, zone: str, book: PriceBook) -> list[BillLine]:
    cut, fill, area = (_number(option[name]) for name in ("cut_m3", "fill_m3", "area_m2"))
    lines = [
        _line(zone, "cut", cut, "m3", book["prices.cut_m3"]),
        _line(zone, "fill", fill, "m3", book["prices.fill_m3"]),
        _line(zone, "trim and cover worked ground", area, "m2", book["prices.surface_m2"]),
    ]
    if book["prices.strip_m2"].value > 0:
        lines.append(_line(zone, "strip topsoil and put it back", area, "m2", book["prices.strip_m2"]))
    if book["prices.haul_m3"].value > 0 and option["option"] != "split_and_grade":
        lines.append(_line(zone, "haul of the surplus", abs(fill - cut), "m3", book["prices.haul_m3"]))
    return lines


def _water(ways: Sequence[Row], zone: str, book: PriceBook) -> list[BillLine]:
    lines = []
    for crossing in ways:
        for setting, unit in _WAYS[str(crossing["kind"])]:
            price = book[setting]
            item, note = f"way for water, {crossing['kind']}", str(crossing["crossing_id"])
            if unit == "ends":
                lines.append(_line(zone, f"{item}, inlet and outlet", 2, "piece", price, note))
            else:
                lines.append(_line(zone, item, float(crossing["length_m"]), "m", price, note))
    return lines


def _heads(then: Sequence[Row], now: Sequence[Row], option: Row, zone: str, book: PriceBook) -> list[BillLine]:
    """Heads set, heads added, posts more or moved; ``then``, ``now`` : rows of the zone's proposed heads and heads."""
    name = str(option["option"])
    moved = sum(h["change"] == "moved" for h in then)
    set_anew = moved + sum(h["change"] == "set" for h in then)
    replaced = sum(h["change"] == "replaced" for h in then)
    parts = len({h["zone_id"] for h in then})
    posts = 2 if name == "move_line" else 2 * (parts - 1) if name.startswith("split") else 0
    return [
        _line(zone, "set a head to another height and align it", set_anew, "piece", book["prices.set_head"]),
        _line(zone, "head of another type", replaced, "piece", book["prices.head"]),
        _line(zone, "further head", max(len(then) - len(now), 0), "piece", book["prices.head"]),
        _line(
            zone, "post set elsewhere" if name == "move_line" else "further post", posts, "piece", book["prices.post"]
        ),
    ]


def _rest(option: Row, zone: str, rest: float) -> BillLine:
    """What the layers do not take apart: heads set, and surplus hauled, in a zone that is split and graded."""
    if option["option"] != "split_and_grade" or rest < 0:
        raise StepError(
            "the quantities of a recommended option do not make its price",
            where=f"layer options, zone {zone}, option {option['option']}",
            found=f"{rest:+.2f} left of {option['cost']:.2f}",
            mend="a layer was edited, or prices changed since: run `geotools remedy` again",
        )
    note = "heads set within the parts, surplus hauled from each"
    price = UnitPrice(rest, "prices.set_head and prices.haul_m3", False)
    return _line(zone, "setting and hauling in the parts of a split zone", 1, "sum", price, note)
