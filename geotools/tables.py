"""Tables for people: CSV that a spreadsheet cannot run as formulas, and reading back what people filled in."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from geotools.errors import InputError

__all__ = ["csv_text", "read_csv", "safe_cell"]

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def safe_cell(value: object) -> str:
    """One cell as text; text that a spreadsheet would take for a formula gets an apostrophe before it.

    Numbers stay numbers: only text can hide a formula. Source: OWASP, "CSV Injection".
    """
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, str):
        text = value.replace("\r\n", "\n")
        return f"'{text}" if text.lstrip(" ").startswith(_FORMULA_STARTS) else text
    if isinstance(value, float | np.number):
        number = float(value)
        return "" if math.isnan(number) else f"{number:.10g}"
    return str(value)


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
    not such a table or lacks a required column.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
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
    head = text.split("\n", 1)[0]
    delimiter = max(",;\t", key=head.count)
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter))
    names = [c.strip() for c in rows[0]] if rows else []
    missing = [c for c in required if c not in names]
    if missing:
        raise InputError(
            "Table lacks columns",
            where=path,
            found=", ".join(names) or "nothing",
            expected=", ".join(required),
            mend=f"keep the form's first line; missing: {', '.join(missing)}",
        )
    filled = []
    for cells in rows[1:]:
        if not any(c.strip() for c in cells):
            continue
        padded = [*cells, *[""] * (len(names) - len(cells))]
        filled.append({n: _plain(c) for n, c in zip(names, padded, strict=False)})
    return filled


def _plain(cell: str) -> str:
    text = cell.strip()
    return text[1:] if text.startswith("'") and text[1:].lstrip(" ").startswith(_FORMULA_STARTS) else text
