"""Rows sorted by a field, once: a border has thousands of zones, and to go through all rows for each takes minutes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

__all__ = ["rows_by"]

R = TypeVar("R", bound=Mapping[str, Any])


def rows_by(rows: Iterable[R], field: str) -> dict[Any, list[R]]:
    """Rows by the value of a field, each value's in their order."""
    found: dict[Any, list[R]] = {}
    for row in rows:
        found.setdefault(row[field], []).append(row)
    return found
