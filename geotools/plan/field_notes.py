"""What a GeoPackage says of its columns: their meaning, and the values or range they may hold (extension Schema)."""

from __future__ import annotations

import sqlite3

from geotools.plan.schema import Field, LayerSchema

__all__ = ["COLUMN_TABLES", "write_field_notes"]

COLUMN_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT, CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
  CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
"""


def write_field_notes(db: sqlite3.Connection, schema: LayerSchema) -> None:
    """Write a row for every field of a layer, in place of those there are."""
    for field in schema:
        constraint = f"{schema.name}__{field.name}"
        db.execute("DELETE FROM gpkg_data_column_constraints WHERE constraint_name = ?", (constraint,))
        allowed = _allowed(field)
        db.executemany(
            "INSERT INTO gpkg_data_column_constraints "
            "(constraint_name, constraint_type, value, min, min_is_inclusive, max, max_is_inclusive) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(constraint, *row) for row in allowed],
        )
        db.execute(
            "INSERT OR REPLACE INTO gpkg_data_columns "
            "(table_name, column_name, name, title, description, constraint_name) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            (schema.name, field.name, field.name, None, field.comment, constraint if allowed else None),
        )


def _allowed(field: Field) -> list[tuple[object, ...]]:
    """Kind, value, lowest, whether it counts, highest, whether it counts; a row for each word, or one for a range."""
    if field.choices:
        return [("enum", choice, None, None, None, None) for choice in field.choices]
    if field.edit is None or field.edit.lowest is None or field.edit.highest is None:
        return []
    return [("range", None, field.edit.lowest, 1, field.edit.highest, 1)]
