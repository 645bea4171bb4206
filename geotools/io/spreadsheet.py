"""Spreadsheets (Office Open XML, .xlsx) whose formulas show their values everywhere, without a clock in the file."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["Formula", "put", "workbook_bytes"]

#: A fixed day: equal content gives equal bytes.
_DAY = datetime(2000, 1, 1)
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
    book.properties.created = _DAY
    book.save(made)
    names = {f"xl/worksheets/sheet{number}.xml": name for number, name in enumerate(book.sheetnames, 1)}
    out = io.BytesIO()
    with zipfile.ZipFile(made) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename in names:
                held = values.get(names[entry.filename], {})
                content = _with_values(content.decode("utf-8"), held).encode("utf-8")
            elif entry.filename == "docProps/core.xml":
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>2000-01-01T00:00:00Z", content)
            target.writestr(zipfile.ZipInfo(entry.filename, _DAY.timetuple()[:6]), content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _with_values(xml: str, held: Mapping[str, float]) -> str:
    return _FORMULA_CELL.sub(lambda found: f"{found[1]}<v>{held[found[2]]!r}</v>", xml)
