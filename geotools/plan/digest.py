"""Content of a plan's layers as short codes: what a person sees in the rows counts, not how the file stores them."""

from __future__ import annotations

import hashlib
import marshal
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path
from typing import Any

from geotools.plan.schema.core import LayerSchema

__all__ = ["LayerDigest", "digest_layers", "file_state"]

#: Sizes of the envelope in a geometry's header by its code (OGC 12-128r18, 2.1.3).
_ENVELOPE = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
_SHORT = 12
#: Layers that people edit and that are small: their rows are kept apart, so that an edit can be counted.
_BY_ROW = ("zones", "heads", "beams", "cameras")

FileState = tuple[tuple[int, int, int] | None, ...]


class LayerDigest(str):
    """Code of a layer's content; ``rows`` holds a code for each row by its key where rows are kept apart."""

    rows: dict[str, str]

    def __new__(cls, text: str, rows: dict[str, str] | None = None) -> LayerDigest:
        """The code with the codes of its rows."""
        made = super().__new__(cls, text)
        made.rows = rows or {}
        return made


def file_state(path: Path) -> FileState:
    """What shows cheaply that a database was written to since: size and time of it and of what lies beside it."""
    states: list[tuple[int, int, int] | None] = []
    for part in (path, path.with_name(path.name + "-wal")):
        try:
            held = part.stat()
        except OSError:
            states.append(None)
        else:
            states.append((held.st_ino, held.st_size, held.st_mtime_ns))
    return tuple(states)


def _bare(shape: Any) -> Any:
    """A stored geometry without its header: a GIS may store the envelope or leave it out."""
    if not isinstance(shape, bytes) or shape[:2] != b"GP" or len(shape) < 8:
        return shape
    return shape[8 + _ENVELOPE.get((shape[3] >> 1) & 7, 0) :]


def _code(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _digest(db: sqlite3.Connection, schema: LayerSchema) -> LayerDigest:
    held = {str(row[1]).lower() for row in db.execute(f'PRAGMA table_info("{schema.name}")')}
    shape = db.execute(
        "SELECT column_name FROM gpkg_geometry_columns WHERE lower(table_name) = ?", (schema.name.lower(),)
    ).fetchone()
    names = [name for name in schema.field_names if name.lower() in held]
    columns = ", ".join(f'"{name}"' for name in [*names, *([str(shape[0])] if shape else [])])
    found = db.execute(f'SELECT {columns} FROM "{schema.name}"')
    rows: list[bytes] = []
    by_key: dict[str, str] = {}
    place = names.index(schema.key) if schema.key in names and schema.name in _BY_ROW else None
    for row in found:
        plain = (*row[:-1], _bare(row[-1])) if shape else row
        # version 2 of the encoding is the same for equal values, whatever else shares them
        rows.append(marshal.dumps(plain, 2))
        if place is not None:
            by_key[str(row[place])] = _code(rows[-1])[:_SHORT]
    rows.sort()
    return LayerDigest(_code("|".join(names).encode() + b"".join(rows))[:32], by_key)


def digest_layers(path: Path, schemas: Iterable[LayerSchema]) -> dict[str, LayerDigest]:
    """Codes of the layers by name; those the file does not hold are left out.

    Parameters
    ----------
    path : Path
        The GeoPackage.
    schemas : iterable of LayerSchema
        Which layers; of each only the declared fields and the geometry count.

    Returns
    -------
    dict of str to LayerDigest
        Two layers have one code where every declared value and every vertex agree, in whatever order the rows are.

    Raises
    ------
    sqlite3.Error
        Where the file is damaged.
    """
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True)) as db:
        known = {str(name).lower() for (name,) in db.execute("SELECT table_name FROM gpkg_contents")}
        known &= {str(name).lower() for (name,) in db.execute("SELECT name FROM sqlite_master")}
        return {schema.name: _digest(db, schema) for schema in schemas if schema.name.lower() in known}
