"""Workbooks (.xlsx, ECMA-376): text never as a formula, the same bytes for the same table, read with limits."""

from __future__ import annotations

import io
import re
import shutil
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from geotools.errors import InputError
from geotools.io.tables import MAX_COLUMNS, MAX_FORM_ROWS

if TYPE_CHECKING:
    from openpyxl import Workbook

__all__ = ["SheetTable", "print_recipient", "read_xlsx", "without_clock", "write_xlsx"]

#: What a form of ours never reaches: size of the file, and of all its parts unpacked, bytes.
_MAX_FILE, _MAX_UNPACKED = 50_000_000, 400_000_000
_WIDEST = 40
#: The part that says when the workbook was made; pieces in which other parts are copied, bytes.
_PROPERTIES, _CHUNK = "docProps/core.xml", 1 << 20


@dataclass(frozen=True)
class SheetTable:
    """One sheet of a workbook.

    Attributes
    ----------
    name : str
        Of the sheet, at most 31 characters.
    columns : sequence of str
        Its first line.
    rows : sequence of mapping
        Values by column.
    choices : mapping of str to sequence of str
        Columns to be filled in from a list.
    open : sequence of str
        Columns to be filled in, marked by their colour.
    """

    name: str
    columns: Sequence[str]
    rows: Sequence[Mapping[str, object]]
    choices: Mapping[str, Sequence[str]] = field(default_factory=dict)
    open: Sequence[str] = ()


def _plain(value: object) -> object:
    """A value as a workbook holds it: number, day, text or nothing."""
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return None if not np.isfinite(value) else float(value)
    if isinstance(value, pd.Timestamp):
        return value.date()
    return value


def print_recipient(book: Workbook, recipient: str) -> None:
    """Have every printed page of a workbook name whom it is for, above the sheet; nothing where nobody is named."""
    for sheet in book.worksheets if recipient else ():
        # an ampersand begins a code there
        sheet.oddHeader.center.text = "For " + recipient.replace("&", "&&")


def write_xlsx(path: Path, tables: Sequence[SheetTable], recipient: str = "") -> None:
    """Write a workbook; equal tables give equal bytes, whatever the clock says.

    Parameters
    ----------
    path : Path
        File to write.
    tables : sequence of SheetTable
        One sheet each. Text stays text, also where it begins as a formula does.
    recipient : str
        Whom it is for; stands above every printed page.
    """
    # the library takes long to load, and whoever lists the steps writes no workbook
    from openpyxl import Workbook

    # rows leave as they are written: cells kept until the end would take some hundred bytes each
    book = Workbook(write_only=True)
    for table in tables:
        _write_sheet(book, table)
    print_recipient(book, recipient)
    held = io.BytesIO()
    book.save(held)
    path.write_bytes(without_clock(held.getvalue()))


def _write_sheet(book: Workbook, table: SheetTable) -> None:
    """Add a table to a workbook that is written row by row: what stands before the rows has to be known first."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    sheet = book.create_sheet(table.name)
    letters = [get_column_letter(column) for column in range(1, len(table.columns) + 1)]
    for letter, name in zip(letters, table.columns, strict=True):
        longest = max((len(str(record.get(name) or "")) for record in table.rows), default=0)
        sheet.column_dimensions[letter].width = min(max(longest, len(name)) + 2, _WIDEST)
        if name in table.choices and table.rows:
            listed = DataValidation("list", formula1=f'"{",".join(table.choices[name])}"', allow_blank=True)
            sheet.data_validations.append(listed)
            listed.add(f"{letter}2:{letter}{len(table.rows) + 1}")
    sheet.freeze_panes = "B2"
    # a sheet written row by row does not know its size, which readers like to be told
    sheet.calculate_dimension = lambda: f"A1:{letters[-1]}{len(table.rows) + 1}"
    for cells in _cells(sheet, table):
        sheet.append(cells)


def _cells(sheet: Any, table: SheetTable) -> Iterator[Iterator[object]]:
    """What stands in each line, head first: bare values, and cells where a value alone does not say all."""
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font, PatternFill

    heading, to_fill = Font(bold=True), PatternFill("solid", fgColor="FFF2CC")

    def filled() -> Any:
        cell = WriteOnlyCell(sheet)
        cell.fill = to_fill
        return cell

    def head() -> Iterator[object]:
        for name in table.columns:
            cell = filled() if name in table.open else WriteOnlyCell(sheet)
            cell.font = heading
            yield put(cell, name)

    def line(record: Mapping[str, object]) -> Iterator[object]:
        for name in table.columns:
            value = _plain(record.get(name))
            if name in table.open:
                # the library gives the cell of a day a style of its own, which must not stay
                yield put(filled() if isinstance(value, date) else again, value)
            else:
                yield put(WriteOnlyCell(sheet), value) if isinstance(value, str) else value

    def put(cell: Any, value: object) -> Any:
        cell.value = value
        if isinstance(value, str):
            cell.data_type = "s"  # the library takes text that begins with = for a formula
        return cell

    # a cell is written before the next is requested, so that one to be filled in serves for all
    again = filled()
    yield head()
    for record in table.rows:
        yield line(record)


def without_clock(data: bytes, edited: Callable[[str, bytes], bytes] | None = None) -> bytes:
    """A workbook with fixed days in its parts and properties: equal content gives equal bytes.

    edited : gives what stands in place of a part, by its name and content; every part as it is if not given.
    """
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as given, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for part in given.infolist():
            entry = zipfile.ZipInfo(part.filename, (1980, 1, 1, 0, 0, 0))
            entry.compress_type, entry.file_size = zipfile.ZIP_DEFLATED, part.file_size
            if edited is None and part.filename != _PROPERTIES:
                # a sheet of a long line unpacks to hundreds of megabytes
                with given.open(part) as source, made.open(entry, "w") as target:
                    shutil.copyfileobj(source, target, _CHUNK)
                continue
            content = given.read(part) if edited is None else edited(part.filename, given.read(part))
            if part.filename == _PROPERTIES:
                content = re.sub(rb">\d{4}-\d\d-\d\dT[^<]*<", b">2000-01-01T00:00:00Z<", content)
            made.writestr(entry, content)
    return out.getvalue()


def _refuse_bomb(path: Path) -> None:
    try:
        with zipfile.ZipFile(path) as held:
            size = sum(part.file_size for part in held.infolist())
    except (zipfile.BadZipFile, OSError) as bad:
        raise _unreadable(path, bad) from None
    if path.stat().st_size > _MAX_FILE or size > _MAX_UNPACKED:
        raise InputError(
            "the workbook is larger than any form",
            where=path,
            found=f"{path.stat().st_size} bytes, {size} unpacked",
            expected=f"at most {_MAX_FILE} bytes, {_MAX_UNPACKED} unpacked",
        )


def _unreadable(path: Path, found: object) -> InputError:
    return InputError(
        "the workbook cannot be read",
        where=path,
        found=found,
        expected="a workbook in the format .xlsx",
        mend="save it anew as .xlsx, or as CSV in UTF-8",
    )


def _text(value: Any) -> str:
    """A cell as the same text that a CSV of the table would hold."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value).strip()


def read_xlsx(path: Path, required: Sequence[str]) -> list[dict[str, str]]:
    """Rows of the first sheet whose first line holds the required columns, every cell as text, days as year-month-day.

    Formulas count with the value they had when the workbook was saved. InputError where the file is no workbook, is
    larger than any form, or no sheet holds those columns.
    """
    from openpyxl import load_workbook

    _refuse_bomb(path)
    try:
        book = load_workbook(path, read_only=True, data_only=True)
        heads: dict[str, list[str]] = {}
        for sheet in book.worksheets:
            lines = sheet.iter_rows(values_only=True, max_col=MAX_COLUMNS)
            names = [_text(cell) for cell in next(lines, ())]
            heads[sheet.title] = names
            if all(name in names for name in required):
                rows = []
                for cells in lines:
                    texts = [_text(cell) for cell in cells]
                    if any(texts):
                        rows.append({n: t for n, t in zip(names, texts, strict=False) if n})
                    if len(rows) > MAX_FORM_ROWS:
                        raise InputError("Table has too many rows", where=path, expected=f"at most {MAX_FORM_ROWS}")
                return rows
    except InputError:
        raise
    except Exception as bad:  # the library raises whatever its parsers do on a damaged file
        raise _unreadable(path, f"{type(bad).__name__}: {bad}"[:300]) from None
    raise InputError(
        "no sheet of the workbook holds the form",
        where=path,
        found="; ".join(f"{name}: {', '.join(filter(None, cells))}"[:120] for name, cells in heads.items()),
        expected=", ".join(required),
        mend="keep the form's first line",
    )
