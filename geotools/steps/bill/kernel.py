"""Lines of a bill, their prices with where each comes from, and their sums. No files."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from geotools.site import Site

__all__ = [
    "BillLine",
    "PriceBook",
    "UnitPrice",
    "added_fittings",
    "camera_lines",
    "installation_lines",
    "route_lines",
    "spare_lines",
    "sums",
]


@dataclass(frozen=True)
class UnitPrice:
    """Price of one unit, in the site's currency.

    Attributes
    ----------
    value : float
        The price.
    setting : str
        Setting of the site file that holds it, as ``prices.head``.
    stated : bool
        Whether the site file states it; else it is the toolkit's placeholder.
    """

    value: float
    setting: str
    stated: bool


class PriceBook:
    """The prices of a site by setting."""

    def __init__(self, site: Site) -> None:
        self._site = site

    def __getitem__(self, setting: str) -> UnitPrice:
        section, name = setting.split(".")
        held = getattr(self._site, section)
        return UnitPrice(float(getattr(held, name)), setting, name in held.model_fields_set)


@dataclass(frozen=True)
class BillLine:
    """One line.

    Attributes
    ----------
    section : str
        One of the sections of the layer bill.
    zone_id : str
        Zone it belongs to; empty for the site as a whole.
    item : str
        What it is.
    quantity : float
        How much of it.
    unit : str
        Unit of the quantity.
    price : UnitPrice
        Price of one unit.
    note : str
        What the quantity counts, where the item does not say it.
    """

    section: str
    zone_id: str
    item: str
    quantity: float
    unit: str
    price: UnitPrice
    note: str = ""

    @property
    def amount(self) -> float:
        """Quantity times unit price, in the site's currency; not rounded, so that sums agree with other reports."""
        return self.quantity * self.price.value


def installation_lines(heads: Sequence[Mapping[str, object]], book: PriceBook) -> list[BillLine]:
    """Heads by type and level, brackets, covers, posts and foundations of every zone.

    Parameters
    ----------
    heads : sequence of mapping
        With ``zone_id``, ``post_id``, ``head_type``, ``level``.
    book : PriceBook
        Prices of the site.
    """
    lines: list[BillLine] = []
    for zone in dict.fromkeys(str(head["zone_id"]) for head in heads):
        mine = [head for head in heads if str(head["zone_id"]) == zone]
        kinds = Counter((str(head["head_type"]), str(head["level"])) for head in mine)
        for (kind, level), number in sorted(kinds.items()):
            lines.append(_piece(zone, f"head {kind}, {level}", number, book["prices.head"]))
        lines += _fittings(zone, len(mine), len({head["post_id"] for head in mine}), book)
    return lines


def _piece(zone: str, item: str, number: float, price: UnitPrice, note: str = "") -> BillLine:
    return BillLine("heads and posts", zone, item, number, "piece", price, note)


def _fittings(zone: str, heads: int, posts: int, book: PriceBook) -> list[BillLine]:
    counted = (
        ("bracket", heads, "bill.bracket", "prices.head"),
        ("weather cover", heads, "bill.cover", "prices.head"),
        ("post", posts, "prices.post", ""),
        ("foundation", posts, "bill.foundation", "prices.post"),
    )
    lines = []
    for item, number, setting, within in counted:
        price = book[setting]
        lines.append(_piece(zone, item, number, price, f"in {within}" if within and price.value == 0.0 else ""))
    return lines


def added_fittings(remedy: Iterable[BillLine], book: PriceBook) -> list[BillLine]:
    """Brackets, covers and foundations of the heads and posts that a remedy adds, where they have prices of their own.

    The price of a remedy does not hold them: it was weighed with prices.head and prices.post alone.
    """
    settings = {
        "further head": (("bracket", "bill.bracket"), ("weather cover", "bill.cover")),
        "further post": (("foundation", "bill.foundation"),),
        "post set elsewhere": (("foundation", "bill.foundation"),),
    }
    return [
        _piece(line.zone_id, item, line.quantity, book[setting], "of what the remedy adds")
        for line in remedy
        for item, setting in settings.get(line.item, ())
        if book[setting].value > 0
    ]


def camera_lines(cameras: Sequence[Mapping[str, object]], book: PriceBook) -> list[BillLine]:
    """Proposed cameras of every zone; those that stand already are not bought."""
    wanted = Counter(str(c["zone_id"] or "") for c in cameras if c["source"] == "proposed")
    return [
        BillLine("cameras", zone, "camera", number, "piece", book["bill.camera"], "proposed ones alone")
        for zone, number in sorted(wanted.items())
    ]


def route_lines(routes: Sequence[Mapping[str, Any]], book: PriceBook) -> list[BillLine]:
    """Trench, cable, conduit and crossings of the branches that are laid; zones share them, so they are the site's."""
    laid = [route for route in routes if route["laid"]]
    counted = (
        ("trench", "length_m", "m", "bill.trench_m"),
        ("trench beneath a road, on top", "road_m", "m", "bill.road_m"),
        ("drain crossed", "drains", "piece", "bill.drain_crossing"),
        ("fence crossed", "fences", "piece", "bill.fence_crossing"),
        ("cable", "cable_m", "m", "bill.cable_m"),
        ("conduit", "conduit_m", "m", "bill.conduit_m"),
    )
    return [
        BillLine("cable routes", "", item, float(sum(route[name] for route in laid)), unit, book[setting])
        for item, name, unit, setting in counted
    ]


def spare_lines(head_types: Iterable[str], share: float, book: PriceBook) -> list[BillLine]:
    """Spare heads of each type: a share of those that stand, rounded up."""
    counted = Counter(head_types)
    return [
        BillLine(
            "spares",
            "",
            f"spare head {kind}",
            # a share such as 0.1 is no binary number: 0.1 of 30 is 3, not a little more
            math.ceil(round(share * number, 9)),
            "piece",
            book["prices.head"],
            f"bill.spare_share {share:g} of {number}",
        )
        for kind, number in sorted(counted.items())
        if share > 0
    ]


def sums(lines: Iterable[BillLine]) -> dict[tuple[str, str], float]:
    """Amount by zone and section, in the site's currency."""
    found: dict[tuple[str, str], float] = {}
    for line in lines:
        key = line.zone_id, line.section
        found[key] = found.get(key, 0.0) + line.amount
    return found
