"""How the report says figures and names of settings."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import pandas as pd

from geotools.steps.report.blocks import Table

__all__ = ["ACTIONS", "field_table", "number", "typeset", "words"]

ACTIONS = {
    "set_heads": "set the heads to other heights",
    "add_low_heads": "add low heads",
    "add_main_heads": "add main heads",
    "add_top_heads": "add top heads",
    "move_line": "move the line sideways",
    "split": "split the zone",
    "split_and_grade": "split the zone and grade",
    "grade": "grade the ground",
    "set_heads_and_grade": "set the heads to other heights and grade",
    "add_low_heads_and_grade": "add low heads and grade",
    "change_heads": "heads of another type",
    "none": "no remedy found",
}


def words(name: object) -> str:
    """A name of a setting as a reader says it."""
    return str(name).replace("_", " ")


def typeset(text: str) -> str:
    """A step's sentence as it is set on paper: square and cubic metres with their exponents raised."""
    return re.sub(r"(?<=\d )m([23])\b", lambda found: "m²" if found[1] == "2" else "m³", text)


def number(value: Any, digits: int = 2, unit: str = "") -> str:
    """A figure for people: so many decimals, its unit, and a dash where there is none; never -0."""
    if value is None or pd.isna(value) or (isinstance(value, float) and not math.isfinite(value)):
        return "–"
    text = f"{round(float(value), digits) + 0.0:,.{digits}f}".replace(",", "\u202f")
    return f"{text} {unit}" if unit else text


def _cell(value: Any, digits: int = 2) -> str:
    if value is None or value is pd.NA or (not isinstance(value, str) and pd.isna(value)):
        return "–"
    if isinstance(value, bool) or type(value).__name__ == "bool_":
        return "yes" if value else "no"
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float) or hasattr(value, "dtype"):
        return number(value, digits)
    return str(value)


def field_table(
    caption: str, frame: pd.DataFrame, columns: Mapping[str, tuple[str, int]], *, aside: bool = False
) -> Table:
    """Rows of a layer as a table. columns : field name to its heading and decimals."""
    kept = {name: shown for name, shown in columns.items() if name in frame.columns}
    rows = [[_cell(row[name], digits) for name, (_, digits) in kept.items()] for row in frame.to_dict("records")]
    return Table.of(caption, [heading for heading, _ in kept.values()], rows, aside=aside)
