"""The bill as a spreadsheet: every price stands once, and amounts and sums follow when it is changed there."""

from __future__ import annotations

from collections.abc import Sequence

from geotools.io.calculating_sheet import Formula, put, workbook_bytes
from geotools.io.spreadsheet import print_recipient
from geotools.steps.bill.kernel import BillLine, UnitPrice, sums

__all__ = ["bill_workbook"]

_BILL, _SUMS, _PRICES = "Bill", "By zone", "Prices"
_MONEY, _QUANTITY = "#,##0.00", "#,##0.0##"
_HEADS = {
    _BILL: ("Line", "Section", "Zone", "Item", "Quantity", "Unit", "Unit price", "Amount", "Price from", "Note"),
    _PRICES: ("Setting", "Price", "Where from"),
}
_WIDE = {
    _BILL: (8, 17, 12, 46, 11, 8, 12, 14, 26, 44),
    _SUMS: (12, 17, 17, 17, 17, 17, 17, 17),
    _PRICES: (32, 14, 16),
}


class _Book:
    """A workbook that is being filled, with the values of its formulas."""

    def __init__(self) -> None:
        # loads slowly, and every command would wait for it
        from openpyxl import Workbook

        self.book = Workbook()
        self.book.remove(self.book.active)
        self.values: dict[str, dict[str, float]] = {}

    def sheet(self, name: str, heads: Sequence[str]) -> None:
        """A further sheet with its headings."""
        from openpyxl.styles import Font
        from openpyxl.utils import get_column_letter

        made = self.book.create_sheet(name)
        self.values[name] = {}
        for number, (head, wide) in enumerate(zip(heads, _WIDE[name], strict=False), 1):
            letter = get_column_letter(number)
            put(made, f"{letter}1", head)
            made[f"{letter}1"].font = Font(bold=True)
            made.column_dimensions[letter].width = wide
        made.freeze_panes = "A2"

    def put(self, sheet: str, cell: str, value: object, number_format: str = "") -> None:
        """One cell."""
        put(self.book[sheet], cell, value, number_format)
        if isinstance(value, Formula):
            self.values[sheet][cell] = value.value


def bill_workbook(
    numbered: Sequence[tuple[str, BillLine]], currency: str, recipient: str = "", counted: str = ""
) -> bytes:
    """The bill, its sums by zone and section, and its prices, as .xlsx.

    Parameters
    ----------
    numbered : sequence of (str, BillLine)
        Lines with their names.
    currency : str
        Of all money.
    recipient : str
        Whom it is for; stands above every printed page.
    counted : str
        What is counted, for the line under the total; none where it is empty.
    """
    book = _Book()
    lines = [line for _, line in numbered]
    sections = list(dict.fromkeys(line.section for line in lines))
    book.sheet(_BILL, [f"{head}, {currency}" if head in ("Unit price", "Amount") else head for head in _HEADS[_BILL]])
    book.sheet(_SUMS, ["Zone", *sections, f"All, {currency}"])
    book.sheet(_PRICES, [f"{head}, {currency}" if head == "Price" else head for head in _HEADS[_PRICES]])
    places = _prices(book, lines)
    for row, (name, line) in enumerate(numbered, 2):
        texts = ((name, "A"), (line.section, "B"), (line.zone_id or "site", "C"), (line.item, "D"), (line.unit, "F"))
        for text, column in texts:
            book.put(_BILL, f"{column}{row}", text)
        book.put(_BILL, f"E{row}", line.quantity, _QUANTITY)
        book.put(_BILL, f"G{row}", Formula(f"{_PRICES}!{places[line.price]}", line.price.value), _MONEY)
        book.put(_BILL, f"H{row}", Formula(f"E{row}*G{row}", line.amount), _MONEY)
        origin = "site file" if line.price.stated else "placeholder"
        book.put(_BILL, f"I{row}", f"{origin}: {line.price.setting}")
        book.put(_BILL, f"J{row}", line.note)
    last = len(numbered) + 1
    book.put(_BILL, f"D{last + 1}", "Total")
    if numbered:
        total = Formula(f"SUM(H2:H{last})", sum(line.amount for line in lines))
        book.put(_BILL, f"H{last + 1}", total, _MONEY)
        _sums(book, lines, sections, last)
    if counted:
        book.put(_BILL, f"D{last + 3}", counted)
    print_recipient(book.book, recipient)
    return workbook_bytes(book.book, book.values)


def _prices(book: _Book, lines: Sequence[BillLine]) -> dict[UnitPrice, str]:
    """Where each price stands on its sheet."""
    places: dict[UnitPrice, str] = {}
    for row, price in enumerate(dict.fromkeys(line.price for line in lines), 2):
        book.put(_PRICES, f"A{row}", price.setting)
        book.put(_PRICES, f"B{row}", price.value, _MONEY)
        book.put(_PRICES, f"C{row}", "site file" if price.stated else "placeholder")
        places[price] = f"$B${row}"
    return places


def _sums(book: _Book, lines: Sequence[BillLine], sections: Sequence[str], last: int) -> None:
    from openpyxl.utils import get_column_letter

    by = sums(lines)
    # the site as a whole, whose name is empty, comes last
    zones = sorted({line.zone_id for line in lines}, key=lambda zone: (not zone, zone))
    end = get_column_letter(len(sections) + 2)
    before = get_column_letter(len(sections) + 1)
    for row, zone in enumerate(zones, 2):
        book.put(_SUMS, f"A{row}", zone or "site")
        for number, section in enumerate(sections, 2):
            letter = get_column_letter(number)
            text = f"SUMIFS({_BILL}!$H$2:$H${last},{_BILL}!$C$2:$C${last},$A{row},{_BILL}!$B$2:$B${last},{letter}$1)"
            book.put(_SUMS, f"{letter}{row}", Formula(text, by.get((zone, section), 0.0)), _MONEY)
        own = sum(amount for (where, _), amount in by.items() if where == zone)
        book.put(_SUMS, f"{end}{row}", Formula(f"SUM(B{row}:{before}{row})", own), _MONEY)
    foot = len(zones) + 2
    book.put(_SUMS, f"A{foot}", "Total")
    for number in range(2, len(sections) + 3):
        letter = get_column_letter(number)
        value = sum(a for (_, s), a in by.items() if number == len(sections) + 2 or s == sections[number - 2])
        book.put(_SUMS, f"{letter}{foot}", Formula(f"SUM({letter}2:{letter}{foot - 1})", value), _MONEY)
