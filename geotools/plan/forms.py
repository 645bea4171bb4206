"""Forms that came back from the field, as CSV, workbook or layer: rows, and cells in the type they were meant as."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pyogrio

from geotools.errors import InputError, unprintable
from geotools.io.spreadsheet import read_xlsx
from geotools.io.tables import read_csv
from geotools.io.vector_kind import check_database
from geotools.plan.schema import LayerSchema
from geotools.plan.workspace import PLAN_TROUBLE

__all__ = ["form_rows", "number_in", "text_in", "unreadable", "written_in"]


def unreadable(path: Path, found: str, layer: str) -> InputError:
    """The error for a form that cannot be read."""
    return InputError(
        "the results cannot be read",
        where=path,
        found=found,
        expected=f"a CSV file, a workbook (.xlsx), or a GeoPackage with the layer {layer}",
    )


def form_rows(path: Path, schema: LayerSchema, required: Sequence[str]) -> list[dict[str, Any]]:
    """Rows of a filled-in form: CSV (comma, semicolon or tab), workbook, or the layer in a GeoPackage.

    Parameters
    ----------
    path : Path
        A local file.
    schema : LayerSchema
        The layer that the form is of.
    required : sequence of str
        Columns without which it is no such form.
    """
    if path.suffix.lower() == ".csv":
        return list(read_csv(path, required))
    if path.suffix.lower() == ".xlsx":
        return list(read_xlsx(path, required))
    with open(path, "rb") as stream:
        if stream.read(16) != b"SQLite format 3\x00":  # by its content: another kind could fetch or open what it names
            raise unreadable(path, "neither CSV nor workbook nor GeoPackage", schema.name)
    check_database(path, "results file")
    try:
        frame = pyogrio.read_dataframe(path, layer=schema.name, read_geometry=False)
    except PLAN_TROUBLE as problem:
        raise unreadable(path, str(problem)[:300], schema.name) from None
    missing = [name for name in required if name not in frame.columns]
    if missing:
        raise InputError("the results lack fields", where=f"{path}, layer {schema.name}", found=missing)
    return [dict(row) for row in frame.to_dict("records")]


def text_in(value: Any) -> str:
    """A cell as text, empty where nothing stands in it."""
    return "" if value is None or pd.isna(value) else str(value).strip()


def written_in(row: Mapping[str, Any], name: str, where: str, form: str) -> str | None:
    """What somebody wrote by hand; the plan takes no character that no document can hold."""
    text = text_in(row.get(name))
    code = unprintable(text)
    if code is not None:
        raise InputError(
            f"a {form} holds a character that cannot be written",
            where=f"{where}, {name}",
            found=f"{code} in {text[:80]!r}",
            mend="take it out",
        )
    return text or None


def number_in(value: Any, where: str, least: float, most: float, unit: str) -> float | None:
    """A cell as a number, point or comma before its decimals; InputError where it is none, or out of range."""
    text = text_in(value)
    if not text:
        return None
    expected = f"a number, {least:g} to {most:g} {unit}".strip()
    try:
        number = float(text.replace(",", ".").replace("\u2212", "-"))
    except ValueError:
        raise InputError("a field is not a number", where=where, found=text[:80], expected=expected) from None
    if not least <= number <= most:
        raise InputError("a field is out of range", where=where, found=text[:80], expected=expected)
    return number
