"""Tables for people: CSV that a spreadsheet cannot run as formulas, and reading back what people filled in."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from geotools.errors import InputError

__all__ = ["csv_rows", "csv_text", "day_of", "read_csv", "safe_cell"]

#: What a form of ours never reaches, and what a memory of a gigabyte holds.
MAX_FORM_ROWS = 300_000
MAX_COLUMNS = 500
MAX_HEAD = 200_000

_DAY_FIRST = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?: .*)?")
_STARTS = r"=+@\-\uff1d\uff0b\uff0d\uff20"
_NUMBER = re.compile(r"-[0-9]+(\.[0-9]+)?")
#: Where a spreadsheet may begin a cell, whichever separator it was set to: there a formula must not stand.
_FORMULA = re.compile(rf"(^)(?=[ \n]*[{_STARTS}\t\r])|([;\t\r\n])(?= *[{_STARTS}])")
_GUARDED = re.compile(rf"(^)'(?=[ \n]*[{_STARTS}\t\r])|([;\t\r\n])'(?= *[{_STARTS}])")


def safe_cell(value: object) -> str:
    """One cell as text; what a spreadsheet would take for a formula gets an apostrophe before it.

    A spreadsheet set to semicolons or tabs begins cells inside ours; formulas are looked for there too. Numbers stay
    numbers, also those written out: instruments refuse a level with an apostrophe. Source: OWASP, "CSV Injection".
    """
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, str):
        text = value.replace("\r\n", "\n")
        return text if _NUMBER.fullmatch(text) else _FORMULA.sub(r"\1\2'", text)
    if isinstance(value, float | np.number):
        number = float(value)
        return "" if math.isnan(number) else f"{number:.10g}"
    return str(value)


def day_of(value: object, where: str) -> date | None:
    """A day as people write it: year-month-day or day.month.year; None for an empty cell.

    With slashes only where the year comes first, for else it reads two ways. InputError names ``where``.
    """
    if value is None or pd.isna(value) or not str(value).strip():  # type: ignore[call-overload]
        return None
    if isinstance(value, pd.Timestamp):
        return value.date()
    text = str(value).strip()
    try:
        turned = _DAY_FIRST.fullmatch(text)
        if turned:
            day, month, year = (int(part) for part in turned.groups())
            return date(year, month, day)
        return date.fromisoformat(text[:10].replace("/", "-"))
    except ValueError:
        raise InputError(
            "a day is not a date",
            where=where,
            found=value,
            expected="year-month-day as in 2027-05-03, or day.month.year as in 3.5.2027",
        ) from None


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, object]]) -> str:
    """A CSV table (RFC 4180: comma, quotes doubled, CR LF) whose cells are safe to open in a spreadsheet."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([safe_cell(c) for c in columns])
    for row in rows:
        writer.writerow([safe_cell(row.get(c)) for c in columns])
    return out.getvalue()


def read_csv(path: Path, required: Sequence[str]) -> list[dict[str, str]]:
    """Rows of a filled-in form, whichever of comma, semicolon or tab the spreadsheet saved it with.

    Cells come stripped, without the apostrophe that `safe_cell` put there. Raises InputError for a file that is
    not such a table, lacks a required column, or is longer than any form.
    """
    filled = []
    for row in csv_rows(path, required):
        filled.append(row)
        if len(filled) > MAX_FORM_ROWS:
            raise InputError("Table has too many rows", where=path, expected=f"at most {MAX_FORM_ROWS}")
    return filled


def csv_rows(path: Path, required: Sequence[str]) -> Iterator[dict[str, str]]:
    """The same a row at a time, for tables of any length."""
    try:
        with open(path, encoding="utf-8-sig", newline="") as stream:
            head = stream.readline(MAX_HEAD)
            stream.seek(0)
            rows = csv.reader(stream, delimiter=max(",;\t", key=head.count))
            names = [c.strip() for c in next(rows, [])]
            _check_columns(path, names, required)
            for cells in rows:
                if any(c.strip() for c in cells):
                    padded = [*cells, *[""] * (len(names) - len(cells))]
                    yield {n: _plain(c) for n, c in zip(names, padded, strict=False)}
    except OSError as bad:
        raise InputError("Table cannot be read", where=path, found=bad.strerror or bad) from bad
    except UnicodeDecodeError:
        raise InputError(
            "Table is not UTF-8 text",
            where=path,
            found="bytes of another encoding or a binary file",
            expected="CSV in UTF-8",
            mend="in the spreadsheet choose 'CSV UTF-8' when saving",
        ) from None
    except csv.Error as bad:
        raise InputError("Table is not CSV", where=path, found=bad, mend="look for a quotation mark too many") from bad


def _check_columns(path: Path, names: Sequence[str], required: Sequence[str]) -> None:
    if len(names) > MAX_COLUMNS:
        raise InputError("Table has too many columns", where=path, found=len(names), expected=f"at most {MAX_COLUMNS}")
    missing = [c for c in required if c not in names]
    if missing:
        raise InputError(
            "Table lacks columns",
            where=path,
            found=", ".join(names)[:300] or "nothing",
            expected=", ".join(required),
            mend=f"keep the form's first line; missing: {', '.join(missing)}",
        )


def _plain(cell: str) -> str:
    text = cell.strip()
    # a guard whose blank text was stripped away guards nothing
    return "" if text == "'" else _GUARDED.sub(r"\1\2", text)
