"""Spreadsheets (Office Open XML, .xlsx) whose formulas show their values everywhere, without a clock in the file."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from geotools.io.spreadsheet import without_clock

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["Formula", "put", "workbook_bytes"]

_FORMULA_CELL = re.compile(r'(<c r="([A-Z]+[0-9]+)"[^>]*><f>[^<]*</f>)<v\s*(?:/>|></v>)')


@dataclass(frozen=True)
class Formula:
    """A formula with its value: programs that do not calculate show the value."""

    text: str
    value: float


def put(sheet: Worksheet, cell: str, value: object, number_format: str = "") -> None:
    """One cell: text is never taken for a formula, a `Formula` always."""
    held = sheet[cell]
    if isinstance(value, Formula):
        held.value = f"={value.text}"
    elif isinstance(value, str):
        held.value = value
        # whatever it begins with: somebody's name for a zone must not run
        held.data_type = "s"
    else:
        held.value = value
    if number_format:
        held.number_format = number_format


def workbook_bytes(book: Workbook, values: Mapping[str, Mapping[str, float]]) -> bytes:
    """The workbook as a file.

    Parameters
    ----------
    book : Workbook
        Filled in.
    values : mapping of str to mapping of str to float
        By sheet and cell, the values of the formulas there.
    """
    made = io.BytesIO()
    book.save(made)
    names = {f"xl/worksheets/sheet{number}.xml": name for number, name in enumerate(book.sheetnames, 1)}

    def with_values(part: str, content: bytes) -> bytes:
        if part not in names:
            return content
        return _with_values(content.decode("utf-8"), values.get(names[part], {})).encode("utf-8")

    return without_clock(made.getvalue(), with_values)


def _with_values(xml: str, held: Mapping[str, float]) -> str:
    return _FORMULA_CELL.sub(lambda found: f"{found[1]}<v>{held[found[2]]!r}</v>", xml)
