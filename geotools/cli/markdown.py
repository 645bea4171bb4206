"""Markdown of the manual: cells that stay cells, tables."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

__all__ = ["cell", "table"]


def cell(text: object) -> str:
    """Text that cannot end a table's cell or turn into markup."""
    plain = " ".join(str(text).split())
    return re.sub(r"([\\|<>*\[\]])", r"\\\1", plain)


def table(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table with a heading."""
    lines = ["| " + " | ".join(columns) + " |", "|" + "---|" * len(columns)]
    # an empty line before, or the table is set as words
    return "\n".join(["", *lines, *("| " + " | ".join(row) + " |" for row in rows)]) + "\n"
