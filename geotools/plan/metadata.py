"""What a plan says of itself, in GeoPackage's own metadata tables: title, systems of places and heights, cautions.

GeoPackage 1.3 (OGC 12-128r18), extension Metadata; the description is Dublin Core (ISO 15836).
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

from pyproj import CRS

from geotools.io.crs import epsg_code, short_name

__all__ = ["Described", "write_metadata"]

_STANDARD = "http://purl.org/dc/elements/1.1/"
_MAKER = "geotools-perimeter"
_FIXED_TIME = "2000-01-01T00:00:00.000Z"
_DEFINITION = "http://www.geopackage.org/spec121/#extension_metadata"
_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
CREATE TABLE IF NOT EXISTS gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL, mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE IF NOT EXISTS gpkg_metadata_reference (
  reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  md_file_id INTEGER NOT NULL, md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
"""


@dataclass(frozen=True)
class Described:
    """What is said.

    Attributes
    ----------
    title : str
        Name of the site.
    crs : CRS
        Of the plan's places.
    vertical_datum : str
        Of its heights, which are metres.
    rights : str
        Who may have it, and what to know.
    """

    title: str
    crs: CRS
    vertical_datum: str
    rights: str

    def to_xml(self) -> str:
        """As Dublin Core."""
        parts = (
            ("title", self.title),
            ("creator", _MAKER),
            ("type", "Dataset"),
            ("format", "application/geopackage+sqlite3"),
            ("language", "en"),
            ("coverage", f"Places: {short_name(self.crs) if epsg_code(self.crs) else self.crs.name}"),
            ("coverage", f"Heights: metres; vertical datum: {self.vertical_datum}"),
            ("rights", self.rights),
        )
        inside = "".join(f"<dc:{name}>{escape(text)}</dc:{name}>" for name, text in parts if text)
        return f'<metadata xmlns:dc="{_STANDARD}">{inside}</metadata>'


def write_metadata(built: Path, said: Described) -> None:
    """Put the description into a plan that is being made, for the one written before; others' rows stay.

    Raises
    ------
    sqlite3.Error
        Where the file cannot be written.
    """
    with closing(sqlite3.connect(built)) as db, db:
        db.execute("PRAGMA synchronous = OFF")
        db.executescript(_TABLES)
        for table in ("gpkg_metadata", "gpkg_metadata_reference"):
            db.execute(
                "INSERT INTO gpkg_extensions (table_name, column_name, extension_name, definition, scope) "
                "SELECT ?, NULL, 'gpkg_metadata', ?, 'read-write' WHERE NOT EXISTS "
                "(SELECT 1 FROM gpkg_extensions WHERE table_name = ? AND extension_name = 'gpkg_metadata')",
                (table, _DEFINITION, table),
            )
        held = db.execute(
            "SELECT id FROM gpkg_metadata WHERE md_standard_uri = ? AND instr(metadata, ?)",
            (_STANDARD, f"<dc:creator>{_MAKER}</dc:creator>"),
        ).fetchone()
        if held is not None:
            db.execute("UPDATE gpkg_metadata SET metadata = ? WHERE id = ?", (said.to_xml(), held[0]))
            return
        made = db.execute(
            "INSERT INTO gpkg_metadata (md_scope, md_standard_uri, mime_type, metadata) VALUES "
            "('dataset', ?, 'text/xml', ?)",
            (_STANDARD, said.to_xml()),
        ).lastrowid
        db.execute(
            "INSERT INTO gpkg_metadata_reference (reference_scope, timestamp, md_file_id) VALUES ('geopackage', ?, ?)",
            (_FIXED_TIME, made),
        )
