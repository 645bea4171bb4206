"""The bill of quantities on paper: sums by section and by zone, and every price with where it comes from."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from geotools.plan.schema import BILL_SECTIONS
from geotools.steps.report.blocks import Block, Fact, Heading, Table, Text
from geotools.steps.report.wording import number

__all__ = ["bill_fact", "bill_sheet"]

Frames = Mapping[str, pd.DataFrame]


def bill_fact(bill: pd.DataFrame | None, currency: str) -> list[Fact]:
    """The whole sum, and how much of it rests on prices that nobody stated."""
    if bill is None or bill.empty:
        return []
    unsure = bill.loc[bill["price_origin"] == "placeholder", "amount"].sum()
    note = f"{number(unsure, 0)} of it at placeholder prices" if unsure else "every price from the site file"
    return [Fact("Bill of quantities", number(bill["amount"].sum(), 0, currency), note, "open" if unsure else "")]


def bill_sheet(frames: Frames, currency: str) -> list[Block]:
    """Sums by zone and section, quantities of the whole site, and where the prices come from."""
    bill = frames.get("bill")
    if bill is None or bill.empty:
        return []
    shown = [s for s in BILL_SECTIONS if (bill["section"] == s).any()]
    zones: list[str | None] = sorted(bill["zone_id"].dropna().unique())
    if bill["zone_id"].isna().any():
        zones.append(None)
    rows = [_sums(bill[_of_zone(bill, zone)], zone or "site", shown) for zone in zones]
    rows.append(_sums(bill, "all", shown))
    prices = bill.drop_duplicates(["item", "unit", "unit_price", "price_setting"])
    items = [
        [
            str(line["section"]),
            str(line["item"]),
            number(_quantity(bill, line), 1),
            str(line["unit"]),
            number(line["unit_price"], 2),
            f"{line['price_origin']}: {line['price_setting']}",
        ]
        for line in prices.to_dict("records")
    ]
    heads = ["zone", *shown, f"all, {currency}"]
    price = f"unit price, {currency}"
    return [
        Heading("Bill of quantities", flows=True),
        Text(
            "Every line is in bill.csv and bill.xlsx. The section remedy is what the first page recommends, "
            "the section maintenance covers the years of the maintenance plan. An estimate from a model, no offer."
        ),
        Table.of(f"Sums by zone and section, {currency}", heads, rows),
        Table.of(
            "Quantities of the whole site",
            ["section", "item", "quantity", "unit", price, "price from"],
            items,
            aside=True,
        ),
    ]


def _of_zone(bill: pd.DataFrame, zone: str | None) -> pd.Series:
    return bill["zone_id"].isna() if zone is None else bill["zone_id"] == zone


def _sums(lines: pd.DataFrame, name: str, sections: list[str]) -> list[str]:
    by = lines.groupby("section")["amount"].sum()
    return [name, *(number(by.get(s, 0.0), 0) for s in sections), number(lines["amount"].sum(), 0)]


def _quantity(bill: pd.DataFrame, line: Mapping[str, object]) -> float:
    same = (bill["item"] == line["item"]) & (bill["unit"] == line["unit"])
    same &= (bill["unit_price"] == line["unit_price"]) & (bill["price_setting"] == line["price_setting"])
    return float(bill.loc[same, "quantity"].sum())
