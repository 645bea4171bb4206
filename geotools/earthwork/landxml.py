"""LandXML 1.2: the design surface, and for each zone its alignment, profiles and cross-sections.

Written from the published schema's element names (LandXML.org, schema 1.2; from memory). Points are northing, easting,
elevation as the standard orders them; cross-section offsets are positive to the right, the opposite of ours.
"""

from __future__ import annotations

import datetime as dt
import re
import uuid
from collections.abc import Iterable, Sequence
from pathlib import Path
from xml.etree.ElementTree import Element, SubElement, indent, tostring

import numpy as np

from geotools import __version__
from geotools.earthwork.works import MapUnits, Triangles, Works

__all__ = ["write_landxml"]

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"
_XSI = "http://www.w3.org/2001/XMLSchema-instance"


def write_landxml(
    path: Path,
    project: str,
    works: Sequence[Works],
    surfaces: dict[str, Triangles],
    *,
    epsg: int | None = None,
    crs_name: str = "",
    units: MapUnits | None = None,
    when: dt.date | None = None,
) -> None:
    """Write one file.

    Parameters
    ----------
    works : zones with earthworks. surfaces : by name, in metres. epsg, crs_name : horizontal system of the coordinates.
    units : what the file counts in, metres if not given. when : date in the header, today if not given.
    """
    units = units or MapUnits()
    root = Element(
        "LandXML",
        {
            "xmlns": NAMESPACE,
            "xmlns:xsi": _XSI,
            "xsi:schemaLocation": f"{NAMESPACE} {NAMESPACE}/LandXML-1.2.xsd",
            "version": "1.2",
            "date": (when or dt.date.today()).isoformat(),
            "time": "00:00:00",
            "readOnly": "false",
            "language": "English",
        },
    )
    _units(SubElement(root, "Units"), units)
    system = {"desc": crs_name or "local"}
    if epsg is not None:
        system["epsgCode"] = str(epsg)
    SubElement(root, "CoordinateSystem", system)
    SubElement(root, "Project", {"name": project, "desc": "least earthwork under the beams of a perimeter"})
    SubElement(root, "Application", {"name": "geotools-perimeter", "version": __version__})
    if works:
        alignments = SubElement(root, "Alignments", {"name": "zones"})
        for work in works:
            _alignment(alignments, work, units)
    rows = _Rows()
    if surfaces:
        group = SubElement(root, "Surfaces", {"name": "earthworks"})
        for name, surface in surfaces.items():
            _surface(group, name, surface, units, rows)
    indent(root, " ")
    text = rows.put_into(tostring(root, encoding="unicode"))
    path.write_text(f"<?xml version='1.0' encoding='utf-8'?>\n{text}", encoding="utf-8", newline="")


class _Rows:
    """Rows of nothing but numbers, put into the finished text: as elements, points and faces of large surfaces take
    several times as long and much memory.
    """

    def __init__(self) -> None:
        self._mark = uuid.uuid4().hex
        self._rows: list[str] = []

    def stand_for(self, parent: Element, rows: Iterable[str]) -> None:
        """``rows``, elements as text, will be the content of ``parent``."""
        parent.text = f"{self._mark}-{len(self._rows)}-"
        self._rows.append("".join(f"\n     {row}" for row in rows) + "\n    ")

    def put_into(self, text: str) -> str:
        """The document with the rows in their places."""
        return re.sub(f"{self._mark}-(\\d+)-", lambda found: self._rows[int(found[1])], text)


def _units(parent: Element, units: MapUnits) -> None:
    angles = {"angularUnit": "decimal degrees", "directionUnit": "decimal degrees"}
    if units.metres == 1.0:
        lengths = {"areaUnit": "squareMeter", "linearUnit": "meter", "volumeUnit": "cubicMeter"}
        SubElement(parent, "Metric", lengths | {"temperatureUnit": "celsius", "pressureUnit": "milliBars"} | angles)
        return
    foot = "USSurveyFoot" if "survey" in units.name.lower() else "foot"
    lengths = {"areaUnit": "squareFoot", "linearUnit": foot, "volumeUnit": "cubicYard"}
    SubElement(parent, "Imperial", lengths | {"temperatureUnit": "fahrenheit", "pressureUnit": "inchHG"} | angles)


def _text(values: np.ndarray) -> str:
    return " ".join(f"{v:.4f}" for v in np.ravel(values))


def _alignment(parent: Element, work: Works, units: MapUnits) -> None:
    line = work.line
    length = f"{units.out(line.length):.4f}"
    alignment = SubElement(parent, "Alignment", {"name": work.zone_id, "length": length, "staStart": "0.0000"})
    geometry = SubElement(alignment, "CoordGeom")
    straight = SubElement(geometry, "Line", {"length": length})
    SubElement(straight, "Start").text = _text(units.out([line.y0, line.x0]))
    SubElement(straight, "End").text = _text(units.out([line.y1, line.x1]))
    sections = SubElement(alignment, "CrossSects")
    for s, ground, design in zip(work.chainage, work.existing, work.design, strict=True):
        section = SubElement(sections, "CrossSect", {"name": f"{s:.0f}", "sta": f"{units.out(s):.4f}"})
        for name, level in (("existing", ground), ("design", design)):
            known = np.isfinite(level)
            cut = SubElement(section, "CrossSectSurf", {"name": name})
            points = np.c_[-work.offset[known], level[known]][::-1]
            SubElement(cut, "PntList2D").text = _text(units.out(points))
    profile = SubElement(alignment, "Profile", {"name": work.zone_id})
    for name, level in (("existing", work.fine_existing), ("design", work.fine_design)):
        known = np.isfinite(level)
        surface = SubElement(profile, "ProfSurf", {"name": name})
        SubElement(surface, "PntList2D").text = _text(units.out(np.c_[work.fine[known], level[known]]))
    sight = SubElement(profile, "ProfAlign", {"name": "sight line"})
    for s, z in ((work.fine[0], work.sight[0]), (work.fine[-1], work.sight[-1])):
        SubElement(sight, "PVI").text = _text(units.out([s, z]))


def _surface(parent: Element, name: str, surface: Triangles, units: MapUnits, rows: _Rows) -> None:
    made = SubElement(parent, "Surface", {"name": name})
    z = units.out(surface.xyz[:, 2])
    definition = SubElement(
        made, "Definition", {"surfType": "TIN", "elevMax": f"{z.max():.4f}", "elevMin": f"{z.min():.4f}"}
    )
    places = enumerate(units.out(surface.xyz).tolist(), start=1)
    points = (f'<P id="{number}">{y:.4f} {x:.4f} {level:.4f}</P>' for number, (x, y, level) in places)
    rows.stand_for(SubElement(definition, "Pnts"), points)
    faces = (f"<F>{a} {b} {c}</F>" for a, b, c in (surface.faces + 1).tolist())
    rows.stand_for(SubElement(definition, "Faces"), faces)
