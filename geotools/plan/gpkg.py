"""Writing the tables of a GeoPackage 1.3 (OGC 12-128r18): layers with descriptions, field notes and default styles."""

from __future__ import annotations

import hashlib
import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio.raw
from pyproj import CRS

from geotools.errors import OutputError
from geotools.plan.field_notes import COLUMN_TABLES, write_field_notes
from geotools.plan.schema import Field, LayerSchema, to_qml, to_sld

VERSION = "1.3"
_SPATIAL = {"Point": "Point", "LineString": "LineString", "Polygon": "Polygon"}
# A fixed instant: a plan computed again from the same input is the same file content.
_FIXED_TIME = "2000-01-01T00:00:00.000Z"

_SYNC = "OGR_SQLITE_SYNCHRONOUS"

_STYLE_TABLE = """
CREATE TABLE IF NOT EXISTS layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
  styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT, owner TEXT(30),
  ui TEXT(30), update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')))
"""
#: GeoPackage 1.3, table 16: GDAL makes it only where it registers an extension of its own, such as a spatial index.
_EXTENSION_TABLE = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
"""
#: Where an SQLite file holds how often it was changed, and at which of these changes its size was noted: both must be
#: the same number (file format of SQLite 3, 1.3.7 and 1.3.15, from memory).
_COUNTED = (24, 92)
_SCHEMA_EXTENSION = ("gpkg_schema", "http://www.geopackage.org/spec121/#extension_schema", "read-write")


def layer_names(path: Path) -> list[str]:
    """Names of the feature and attribute layers in a GeoPackage, styles left out; sqlite3.Error where it is damaged.

    Called often: the file's own list is read, as opening every layer takes ten times as long.
    """
    # opened as it is: never made where there is none
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True)) as db:
        rows = db.execute(
            "SELECT table_name FROM gpkg_contents WHERE data_type IN ('features', 'attributes', 'aspatial') "
            "AND lower(table_name) IN (SELECT lower(name) FROM sqlite_master) ORDER BY rowid"
        ).fetchall()
    return [str(name) for (name,) in rows if name != "layer_styles"]


def check_free(path: Path) -> None:
    """OutputError where another program is at work in the file, or it is write-protected; ends what that one left.

    A program that died while it wrote leaves a journal beside the file; it is worked off here, as the database's own
    rules say. One that is still at work holds locks.
    """
    try:
        with closing(sqlite3.connect(path, timeout=2.0, isolation_level=None)) as db:
            if db.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
                _leave_wal(db)
            db.execute("BEGIN EXCLUSIVE")
            db.execute("ROLLBACK")
    except sqlite3.OperationalError as problem:
        if "locked" in str(problem):
            raise OutputError(
                "the plan is open in another program",
                where=path,
                found=problem,
                expected="nobody at work in it while results are written",
                mend="save your edits, close the file there, and run again",
            ) from problem
        if "readonly" in str(problem):
            raise OutputError(
                "the plan is write-protected",
                where=path,
                found=problem,
                mend="take the protection away, or choose another output folder",
            ) from problem
        raise


def _leave_wal(db: sqlite3.Connection) -> None:
    """Bring home what a desktop GIS keeps in a second file until it closes, if it has closed.

    While it has layers open the file stays as it is: results then go into it by the database's own rules.
    """
    try:
        db.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.OperationalError as problem:
        if "locked" not in str(problem):
            raise


def check_whole(path: Path) -> None:
    """sqlite3.DatabaseError where the file is damaged."""
    with closing(sqlite3.connect(path)) as db:
        answer = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    if answer != "ok":
        raise sqlite3.DatabaseError(answer)


def copy(source: Path, target: Path) -> None:
    """A copy as of now, with what another program has committed to a second file beside it."""
    with closing(sqlite3.connect(source)) as held, closing(_connect_new(target)) as made:
        held.backup(made)


def _connect_new(path: Path) -> sqlite3.Connection:
    """A file that is not in its place yet: whoever puts it there has the disk hold all of it, once."""
    db = sqlite3.connect(path)
    db.execute("PRAGMA synchronous = OFF")
    return db


@contextmanager
def _synced_later() -> Iterator[None]:
    """The same for what the vector library writes."""
    before = pyogrio.get_gdal_config_option(_SYNC)
    pyogrio.set_gdal_config_options({_SYNC: "OFF"})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({_SYNC: before})


def write_layer(path: Path, schema: LayerSchema, frame: gpd.GeoDataFrame | pd.DataFrame, crs: CRS) -> None:
    """Write one layer, replacing the one of that name, into the GeoPackage at ``path`` (made where there is none).

    For a file that is still being made: it is on the disk for good only when the caller has synced it.
    """
    options: dict[str, object] = {
        "layer": schema.name,
        "driver": "GPKG",
        "layer_options": {"IDENTIFIER": schema.title, "DESCRIPTION": schema.description, "FID": "fid"},
        "dataset_options": {"VERSION": VERSION},
        "append": False,
    }
    if path.exists():
        _forget_layer(path, schema.name)
    table = pd.DataFrame(frame)  # a frame with geometry makes every look at a field dear
    data, masks = zip(*(_column(table[field.name], field) for field in schema), strict=True)
    shapes = None
    if schema.geometry is not None:
        options["layer_options"] = {**options["layer_options"], "GEOMETRY_NAME": "geom"}  # type: ignore[dict-item]
        options["geometry_type"] = schema.geometry.removesuffix("Z") + (" Z" if schema.geometry.endswith("Z") else "")
        options["crs"] = crs.to_wkt()
        shapes = frame.geometry.to_wkb().to_numpy()
    with _synced_later():
        pyogrio.raw.write(path, shapes, list(data), schema.field_names, field_mask=list(masks), **options)


def _column(values: pd.Series, field: Field) -> tuple[np.ndarray, np.ndarray | None]:
    """A column as the GeoPackage driver takes it, and where it is empty.

    Through a frame a date would become a moment, without the zone that GeoPackage wants of one.
    """
    empty = values.isna().to_numpy(bool)
    if field.type == "date":
        return values.to_numpy("datetime64[D]"), empty
    if field.type == "integer":
        return values.to_numpy(np.int64, na_value=0), empty
    if field.type == "boolean":
        return values.to_numpy(np.bool_, na_value=False), empty
    if field.type == "real":
        return values.to_numpy(np.float64), None
    texts = values.to_numpy(object, copy=True)
    texts[empty] = None
    return texts, None


def _forget_layer(path: Path, name: str) -> None:
    """Take away what we wrote about a layer, so that replacing it leaves no stale row."""
    with closing(_connect_new(path)) as db, db:
        tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if "gpkg_data_columns" in tables:
            db.execute("DELETE FROM gpkg_data_columns WHERE table_name = ?", (name,))
            db.execute("DELETE FROM gpkg_data_column_constraints WHERE constraint_name LIKE ?", (f"{name}\\_\\_%",))
            db.execute("DELETE FROM gpkg_extensions WHERE table_name = ? AND extension_name = 'gpkg_schema'", (name,))


def finish(path: Path, schemas: list[LayerSchema]) -> None:
    """Write field notes, allowed values and default styles of the layers just written; synced as they are."""
    with closing(_connect_new(path)) as db, db:
        db.executescript(_EXTENSION_TABLE + COLUMN_TABLES)
        db.execute(_STYLE_TABLE)
        db.execute(
            "INSERT OR IGNORE INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
            "VALUES ('layer_styles', 'attributes', 'layer_styles', 'Default styles of the layers', ?, 0)",
            (_FIXED_TIME,),
        )
        for table in ("gpkg_data_columns", "gpkg_data_column_constraints"):
            db.execute(
                "INSERT INTO gpkg_extensions (table_name, column_name, extension_name, definition, scope) "
                "SELECT ?, NULL, ?, ?, ? WHERE NOT EXISTS (SELECT 1 FROM gpkg_extensions WHERE table_name = ?)",
                (table, *_SCHEMA_EXTENSION, table),
            )
        for schema in schemas:
            write_field_notes(db, schema)
            _write_style(db, schema)
            db.execute("UPDATE gpkg_contents SET last_change = ? WHERE table_name = ?", (_FIXED_TIME, schema.name))


def settle(path: Path) -> None:
    """Make a file that is not in its place yet the same bytes whenever it is written.

    The count of changes in its header is that of the writes it took, of which the vector library makes one more now and
    then. It tells programs that have the file open that it changed; nobody has this one open.
    """
    with open(path, "rb+") as file:
        for place in _COUNTED:
            file.seek(place)
            file.write((1).to_bytes(4, "big"))


def _mark(qml: str | None, sld: str | None) -> str:
    """Who wrote a style, and that nobody has changed it since."""
    return f"geotools {hashlib.sha256(f'{qml}|{sld}'.encode()).hexdigest()[:12]}"


def _write_style(db: sqlite3.Connection, schema: LayerSchema) -> None:
    """Put our style in for the one we wrote before; rows that somebody else wrote or changed stay, and stay default."""
    found = db.execute(
        "SELECT id, styleQML, styleSLD, owner, useAsDefault FROM layer_styles WHERE f_table_name = ?", (schema.name,)
    ).fetchall()
    ours = [number for number, qml, sld, owner, _ in found if owner == _mark(qml, sld)]
    db.executemany("DELETE FROM layer_styles WHERE id = ?", [(number,) for number in ours])
    if schema.style is None or schema.geometry is None:
        return
    qml, sld = (
        to_qml(schema.style, schema.geometry, schema.fields, schema.key),
        to_sld(schema.style, schema.geometry, schema.name),
    )
    default = not any(row[4] for row in found if row[0] not in ours)
    # The row keeps its number, so that running a step again changes nothing.
    db.execute(
        "INSERT INTO layer_styles (id, f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName, "
        "styleQML, styleSLD, useAsDefault, description, owner, ui, update_time) "
        "VALUES (?, '', '', ?, 'geom', ?, ?, ?, ?, ?, ?, NULL, ?)",
        (
            min(ours, default=None),
            schema.name,
            schema.name[:30],
            qml,
            sld,
            default,
            schema.title,
            _mark(qml, sld),
            _FIXED_TIME,
        ),
    )


def carry_over(source: Path, target: Path, schema: LayerSchema) -> None:
    """Columns that a person added to a layer, put into the layer written anew, row by row by its key."""
    if schema.key is None:
        return
    with closing(sqlite3.connect(source)) as db:
        shape = db.execute(
            "SELECT column_name FROM gpkg_geometry_columns WHERE lower(table_name) = ?", (schema.name.lower(),)
        ).fetchone()
        taken = {name.lower() for name in (*schema.field_names, *((shape[0],) if shape else ()))}
        held = db.execute(f"PRAGMA table_info({_quoted(schema.name)})").fetchall()
        added = [(row[1], row[2]) for row in held if row[1].lower() not in taken and not row[5]]
        if not added:
            return
        columns = ", ".join(_quoted(name) for name, _ in added)
        rows = db.execute(f"SELECT {columns}, {_quoted(schema.key)} FROM {_quoted(schema.name)}").fetchall()
    with closing(_connect_new(target)) as db, db:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            # named by triggers of the spatial index, which act only where a geometry or a row number changes
            db.create_function(name, 1, lambda shape: None)
        for name, kind in added:
            db.execute(f"ALTER TABLE {_quoted(schema.name)} ADD COLUMN {_quoted(name)} {_kind(kind)}")
        places = ", ".join(f"{_quoted(name)} = ?" for name, _ in added)
        db.executemany(f"UPDATE {_quoted(schema.name)} SET {places} WHERE {_quoted(schema.key)} = ?", rows)


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _kind(declared: str) -> str:
    """A column's type as declared, if it is one word with at most a length: it comes from a file."""
    return declared if re.fullmatch(r"[A-Za-z0-9_]+(\(\d+\))?", declared) else "TEXT"
