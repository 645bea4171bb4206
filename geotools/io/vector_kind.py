"""What kind of vector file a stranger's file is, by its content; what it must not contain; before GDAL opens it."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from pyproj import CRS
from pyproj.exceptions import CRSError

from geotools.errors import InputError
from geotools.io.dxf_copies import copies_in
from geotools.io.triggers import keeps_an_index
from geotools.io.vrt import parse_xml

#: Text formats are held in memory many times over while they are read.
MAX_TEXT_BYTES = 20_000_000
#: Copies that a drawing's block references may ask for in all; each becomes geometry in memory.
MAX_DXF_COPIES = 100_000
_XML_ROOTS = {"gpx": ("GPX",)}
_CRS_NAME = re.compile(r"(urn:(x-)?ogc:def:crs:[\w.:-]+|[A-Za-z]+:[\w.]+)", re.IGNORECASE)
_VIRTUAL = re.compile(r"create\s+virtual\s+table.*?\busing\s+(\w+)", re.IGNORECASE | re.DOTALL)
_INDEXES = {"rtree", "fts3", "fts4", "fts5"}
EXPECTED = "GeoPackage, Shapefile, GeoJSON, DXF, FlatGeobuf, GPX or MapInfo file; for a fence also KML or CSV"


def drivers_for(path: Path, what: str) -> list[str]:
    """GDAL's drivers that may open the file; InputError where the file is of no such kind, or calls for more than data.

    A file is judged by its first bytes, not by its name: whatever it is called, it cannot choose a driver that fetches
    addresses, opens archives or indexes other files.
    """
    with open(path, "rb") as stream:
        head = stream.read(4096)
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    suffix = path.suffix.lower()
    if head.startswith(b"SQLite format 3\x00"):
        check_database(path, what)
        return ["GPKG", "SQLite"]
    if head.startswith(b"\x00\x00\x27\x0a"):
        return ["ESRI Shapefile"]
    if head.startswith(b"fgb"):
        return ["FlatGeobuf"]
    if suffix in (".tab", ".mif"):
        return ["MapInfo File"]
    if text.startswith(b"{"):
        _check_json(path, what)
        return ["GeoJSON", "TopoJSON", "ESRIJSON"]
    if text.startswith(b"<"):
        root = parse_xml(path, what, MAX_TEXT_BYTES).tag.split("}")[-1].lower()
        if root in _XML_ROOTS:
            return list(_XML_ROOTS[root])
    elif suffix == ".dxf" or b"SECTION" in head:
        _check_drawing(path, what)
        return ["DXF"]
    raise InputError(
        f"the {what} is of a kind that is not read",
        where=path,
        found=repr(head[:24])[2:-1] or "an empty file",
        expected=EXPECTED,
        mend="save it as GeoPackage in your GIS; unpack it first if it is an archive",
    )


def _text_size(path: Path, what: str) -> None:
    size = path.stat().st_size
    if size > MAX_TEXT_BYTES:
        raise InputError(
            f"the {what} is too large for a text format",
            where=path,
            found=f"{size} bytes",
            expected=f"at most {MAX_TEXT_BYTES} bytes",
            mend="save it as GeoPackage",
        )


def _known_system(name: str) -> bool:
    if not _CRS_NAME.fullmatch(name):
        return False
    try:
        CRS.from_user_input(name)
    except CRSError:
        return False
    return True


def _check_json(path: Path, what: str) -> None:
    """GeoJSON must be whole and name its system: a link would be fetched, an unknown name taken for degrees."""
    _text_size(path, what)
    try:
        data: Any = json.loads(path.read_text(encoding="utf-8-sig"))
    except (ValueError, RecursionError) as problem:
        raise InputError(
            f"the {what} is not whole JSON", where=path, found=str(problem)[:300], mend="copy it again"
        ) from None
    system = data.get("crs") if isinstance(data, dict) else None
    if system is None:
        return
    properties = system.get("properties") if isinstance(system, dict) else None
    name = properties.get("name") if isinstance(properties, dict) and system.get("type") == "name" else None
    if not isinstance(name, str) or not _known_system(name.strip()):
        raise InputError(
            f"the {what} does not name its coordinate system in a way that is read",
            where=f"{path}, member crs",
            found=json.dumps(system)[:200],
            expected='a name such as "urn:ogc:def:crs:EPSG::32632"',
            mend="name the system by its code, or leave the member out for WGS 84",
        )


def check_database(path: Path, what: str) -> None:
    """A database may hold tables alone: a view, trigger or foreign virtual table runs statements of the file's own."""
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as db:
            entries = db.execute("SELECT type, name, coalesce(sql, '') FROM sqlite_master").fetchmany(100_000)
    except (sqlite3.Error, UnicodeDecodeError, OverflowError) as problem:
        raise InputError(f"the {what} is a damaged database", where=path, found=problem, mend="copy it again") from None
    for kind, name, statement in entries:
        using = _VIRTUAL.match(str(statement).lstrip())
        foreign = using is not None and using.group(1).lower() not in _INDEXES
        if kind == "view" or foreign or (kind == "trigger" and not keeps_an_index(str(name), str(statement))):
            raise InputError(
                f"the {what} holds something that runs statements of its own",
                where=path,
                found=f"{'virtual table' if foreign else kind} {str(name)[:80]!r}",
                expected="ordinary layers alone",
                mend="take it out, or save the layers as ordinary ones of a new file",
            )


def _check_drawing(path: Path, what: str) -> None:
    """A drawing may repeat a block in rows and columns; a few bytes could ask for thousands of millions of copies."""
    _text_size(path, what)
    copies = copies_in(path.read_bytes(), MAX_DXF_COPIES)
    if copies > MAX_DXF_COPIES:
        raise InputError(
            f"the {what} repeats a block too often",
            where=path,
            found=f"more than {MAX_DXF_COPIES} copies, blocks within blocks counted",
            expected=f"at most {MAX_DXF_COPIES} copies",
            mend="explode the block, or keep only the fence in the drawing",
        )
