"""Which triggers a database may hold: those by which a GeoPackage keeps its spatial indexes and counts, and no other.

A trigger is a statement of the file's own that runs whenever somebody writes: one of a stranger's could empty a layer
while every step reports that it wrote it.
"""

from __future__ import annotations

import re

__all__ = ["keeps_an_index"]

#: GeoPackage 1.3 (OGC 12-128r18), annex F.3: triggers of a table's R-tree; update5 to update7 are those of 1.4.
_INDEX = re.compile(r"(rtree_.+)_(insert|update[1-7]|delete)", re.IGNORECASE)
#: How GDAL keeps the number of rows of a layer, for itself.
_COUNT = re.compile(r"trigger_(insert|delete)_feature_count_.+", re.IGNORECASE)
_TEXT = re.compile(r"'(?:[^']|'')*'")
_BODY = re.compile(r"\bBEGIN\b(.*)\bEND\b", re.IGNORECASE | re.DOTALL)
_WRITES = re.compile(
    r"(?:INSERT(?:\s+OR\s+\w+)?\s+INTO|REPLACE\s+INTO|DELETE\s+FROM|UPDATE(?:\s+OR\s+\w+)?)\s+"
    r"(\"(?:[^\"]|\"\")+\"|\[[^\]]+\]|`[^`]+`|'text'|[^\s(;]+)",
    re.IGNORECASE,
)
#: RAISE(IGNORE) is not among them: it would drop a row without a word.
_STATEMENT = re.compile(r"^(INSERT|REPLACE|DELETE|UPDATE|SELECT\s+RAISE\s*\(\s*(ABORT|FAIL|ROLLBACK))\b", re.IGNORECASE)


def keeps_an_index(name: str, statement: str) -> bool:
    """Whether a trigger does no more than a GeoPackage's own: keep an R-tree or a count of rows, or refuse a value.

    Parameters
    ----------
    name : str
        The trigger's name.
    statement : str
        How it was created, in SQL.
    """
    index = _INDEX.fullmatch(name)
    # quotes around names are kept, quoted texts are taken out: they may hold anything
    table = "" if index is None else index.group(1)
    bare = statement.replace(f"'{table}'", f'"{table}"') if table else statement
    body = _BODY.search(_TEXT.sub("'text'", bare))
    if body is None:
        return False
    parts = [part.strip() for part in body.group(1).split(";") if part.strip()]
    if not all(_STATEMENT.match(part) for part in parts):
        return False
    written = {found.strip('"[]`').lower() for found in _WRITES.findall(body.group(1))}
    if not written:
        return True
    if index is not None:
        return written == {table.lower()}
    return _COUNT.fullmatch(name) is not None and written == {"gpkg_ogr_contents"}
