"""Fence lines from texts that people write: KML of a globe viewer, CSV tables of points or of well-known text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import Element

from pyproj import CRS
from shapely import LineString, Polygon, from_wkt
from shapely.errors import ShapelyError
from shapely.geometry.base import BaseGeometry

from geotools.errors import InputError
from geotools.io.tables import csv_rows
from geotools.io.vector_kind import MAX_TEXT_BYTES
from geotools.io.vrt import parse_xml

__all__ = ["FenceText", "read_fence_text"]

#: Names of columns for a place, across then up; the second pair and those after it are degrees.
_PLACES = (("x", "y"), ("easting", "northing"), ("lon", "lat"), ("longitude", "latitude"))
_DEGREES = {"lon", "longitude"}
_GROUPS = ("fence", "fence_id")
_COLUMNS = "wkt; x, y; easting, northing; or lon, lat; optional: fence (which line), height_m"


@dataclass
class FenceText:
    """What the text holds.

    Attributes
    ----------
    features : list of (int, geometry, dict)
        Number in the file, shape in the text's own coordinates, fields.
    crs : CRS, optional
        Where the text settles it: longitude and latitude.
    layer : str
        Folder of a KML that was chosen, else the file's name.
    """

    features: list[tuple[int, BaseGeometry, dict[str, Any]]] = field(default_factory=list)
    crs: CRS | None = None
    layer: str = ""


def read_fence_text(path: Path, head: bytes, layer: str | None) -> FenceText | None:
    """The features of a KML or CSV file, judged by its first bytes and its name; None where it is neither.

    Raises
    ------
    InputError
        It is one, and cannot be understood.
    """
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"<") and b"<kml" in text.lower():
        return _kml(path, layer)
    if path.suffix.lower() == ".csv":
        return _csv(path)
    return None


def _local(element: Element) -> str:
    return element.tag.split("}")[-1]


def _child(element: Element, name: str) -> Element | None:
    return next((child for child in element if _local(child) == name), None)


def _text(element: Element | None) -> str:
    return "" if element is None else (element.text or "").strip()


def _kml(path: Path, layer: str | None) -> FenceText:
    root = parse_xml(path, "fence file", MAX_TEXT_BYTES)
    place = root
    if layer is not None:
        folders = {_text(_child(f, "name")): f for f in root.iter() if _local(f) in ("Folder", "Document")}
        if layer not in folders:
            raise InputError(
                "the fence file has no such layer",
                where=path,
                found=layer,
                expected=", ".join(name for name in folders if name)[:400] or "a KML without folders",
            )
        place = folders[layer]
    made = FenceText(crs=CRS("EPSG:4326"), layer=layer or path.stem)
    marks = [mark for mark in place.iter() if _local(mark) == "Placemark"]
    for number, mark in enumerate(marks, start=1):
        where = f"{path}, placemark {number} ({_text(_child(mark, 'name')) or 'without a name'})"
        shapes = [shape for part in mark.iter() for shape in _kml_shape(part, where)]
        if any(_local(part) == "Point" for part in mark.iter()) and not shapes:
            continue  # a pin beside the fence; a file without any line is refused by the reader
        for shape in shapes:
            made.features.append((number, shape, _kml_fields(mark)))
    return made


def _kml_shape(part: Element, where: str) -> Iterator[BaseGeometry]:
    """A line, or the outlines of an area, where the element is one."""
    kind = _local(part)
    if kind == "LineString":
        yield LineString(_kml_places(part, where, 2))
    elif kind == "Polygon":
        rings = {_local(e): [_kml_places(r, where, 4) for r in e.iter() if _local(r) == "LinearRing"] for e in part}
        if not rings.get("outerBoundaryIs"):
            raise InputError("an area of the fence file has no outline", where=where)
        yield Polygon(rings["outerBoundaryIs"][0], rings.get("innerBoundaryIs", []))


def _kml_places(part: Element, where: str, least: int) -> list[tuple[float, float]]:
    words = _text(next((e for e in part.iter() if _local(e) == "coordinates"), None)).split()
    try:
        places = [tuple(float(number) for number in word.split(",")[:2]) for word in words]
    except ValueError:
        places = []
    if len(places) < least or any(len(place) != 2 for place in places):
        raise InputError(
            "a line of the fence file has no proper coordinates",
            where=where,
            found=" ".join(words)[:80] or "nothing",
            expected=f"at least {least} places as longitude,latitude, with spaces between places and none inside",
        )
    return [(place[0], place[1]) for place in places]


def _kml_fields(mark: Element) -> dict[str, Any]:
    """Fields of its extended data, of both kinds that KML has."""
    found = {}
    for part in mark.iter():
        if _local(part) == "Data":
            found[part.get("name", "")] = _text(_child(part, "value"))
        elif _local(part) == "SimpleData":
            found[part.get("name", "")] = _text(part)
    return found


def _csv(path: Path) -> FenceText:
    if path.stat().st_size > MAX_TEXT_BYTES:
        raise InputError("the fence file is too large for a table", where=path, expected=f"at most {MAX_TEXT_BYTES} B")
    rows = [{name.lower(): cell for name, cell in row.items()} for row in csv_rows(path, [])]
    names = list(rows[0]) if rows else []
    if "wkt" in names:
        shapes = [(n, _of_wkt(row["wkt"], f"{path}, row {n}"), row) for n, row in enumerate(rows, start=1)]
        return FenceText([(n, shape, dict(row)) for n, shape, row in shapes], None, path.stem)
    columns = next((pair for pair in _PLACES if set(pair) <= set(names)), None)
    if columns is None:
        raise InputError(
            "the fence table has no columns for places",
            where=path,
            found=", ".join(names)[:300] or "an empty table",
            expected=_COLUMNS,
        )
    return FenceText(_lines(path, rows, columns), CRS("EPSG:4326") if columns[0] in _DEGREES else None, path.stem)


def _of_wkt(text: str, where: str) -> BaseGeometry:
    try:
        return from_wkt(text)
    except ShapelyError as problem:
        raise InputError(
            "a shape of the fence table is no well-known text",
            where=f"{where}, column wkt",
            found=text[:80] or "nothing",
            expected="such as LINESTRING (500000 5400000, 500100 5400000)",
            mend=str(problem)[:200],
        ) from None


def _lines(
    path: Path, rows: Sequence[dict[str, str]], columns: tuple[str, str]
) -> list[tuple[int, BaseGeometry, dict[str, Any]]]:
    """A line for each value of the column that names it, through its points in the order of the rows."""
    group = next((name for name in _GROUPS if name in rows[0]), None)
    lines: dict[str, list[tuple[float, float]]] = {}
    fields: dict[str, dict[str, Any]] = {}
    for number, row in enumerate(rows, start=1):
        name = row[group] if group else ""
        try:
            place = float(row[columns[0]]), float(row[columns[1]])
        except ValueError:
            raise InputError(
                "a place of the fence table is not a number",
                where=f"{path}, row {number}, columns {columns[0]} and {columns[1]}",
                found=f"{row[columns[0]]!r}, {row[columns[1]]!r}",
                expected="numbers with a decimal point",
            ) from None
        lines.setdefault(name, []).append(place)
        if not fields.setdefault(name, {}).get("height_m"):
            fields[name]["height_m"] = row.get("height_m", "")
    for name, places in lines.items():
        if len(places) < 2:
            raise InputError(
                "a fence line of the table has a single point",
                where=f"{path}, column {group}" if group else path,
                found=name or f"{len(places)} row",
                expected="two points or more",
            )
    return [(n, LineString(places), fields[name]) for n, (name, places) in enumerate(lines.items(), start=1)]
