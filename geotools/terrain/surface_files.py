"""Triangle surfaces of LandXML 1.2 files (Surface, Definition: Pnts and Faces)."""

from __future__ import annotations

from pathlib import Path
from xml.etree.ElementTree import Element

import numpy as np
from pyproj import CRS
from pyproj.exceptions import CRSError

from geotools.errors import InputError
from geotools.io.files import local_file
from geotools.io.vrt import parse_xml
from geotools.terrain.points import Survey

MAX_BYTES = 300_000_000
#: Names of units in LandXML 1.2 (schema LandXML-1.2.xsd, metLinear and impLinear).
_UNITS = {"meter": "metre", "foot": "foot", "USSurveyFoot": "US survey foot"}


def _tag(element: Element) -> str:
    return element.tag.split("}")[-1]


def _all(root: Element, tag: str) -> list[Element]:
    return [element for element in root.iter() if _tag(element) == tag]


def _numbers(element: Element, count: int, where: str) -> list[float]:
    try:
        values = [float(word) for word in (element.text or "").split()]
        if len(values) != count or not np.isfinite(values).all():
            raise ValueError
    except ValueError:
        raise InputError(
            "a line of the surface is not what it must be",
            where=f"{where}, element {_tag(element)} {element.get('id', '')}",
            found=repr((element.text or "")[:80]),
            expected=f"{count} numbers",
        ) from None
    return values


def read_surface(path: Path | str, name: str | None = None) -> Survey:
    """A surface of a LandXML file, the only one or the one of that name.

    InputError where the file cannot be read, has no such surface, or its triangles name points that are not there.
    """
    local = local_file(path, "LandXML file")
    root = parse_xml(local, "LandXML file", MAX_BYTES)
    surfaces = {s.get("name", f"surface {i}"): s for i, s in enumerate(_all(root, "Surface"), start=1)}
    if name is None and len(surfaces) == 1:
        name = next(iter(surfaces))
    if name not in surfaces:
        raise InputError(
            "the LandXML file has no such surface" if name else "the LandXML file does not have one surface",
            where=local,
            found=name or f"{len(surfaces)} surfaces",
            expected=", ".join(surfaces)[:300] or "a Surface element",
            mend="name one with --surface",
        )
    where = f"{local}, surface {name}"
    points = _all(surfaces[name], "P")
    # LandXML gives northing, easting, elevation in that order.
    places = np.array([_numbers(p, 3, where) for p in points]).reshape(-1, 3)[:, [1, 0, 2]]
    number = {p.get("id", str(i)): i - 1 for i, p in enumerate(points, start=1)}
    faces = []
    for face in _all(surfaces[name], "F"):
        corners = [number.get(word) for word in (face.text or "").split()[:3]]
        if len(corners) != 3 or None in corners:
            raise InputError(
                "a triangle names a point that is not there",
                where=where,
                found=repr((face.text or "")[:60]),
                expected="three point numbers of Pnts",
            )
        if face.get("i") != "1":  # marked invisible: outside the surface, or a hole in it
            faces.append(corners)
    if not faces:
        raise InputError("the surface has no triangles", where=where, expected="Faces with three point numbers each")
    units = [unit for kind in ("Metric", "Imperial") for unit in _all(root, kind)]
    unit = _UNITS.get(units[0].get("linearUnit", "")) if units else None
    return Survey(_system(root), iter([places]), faces=np.array(faces, dtype=np.int64), height_unit=unit)


def _system(root: Element) -> CRS | None:
    for element in _all(root, "CoordinateSystem"):
        for given in (f"EPSG:{element.get('epsgCode')}", element.get("ogcWktCode")):
            try:
                return CRS.from_user_input(given)
            except CRSError:
                continue
    return None
