"""LandXML 1.2: the design surface, and for each zone its alignment, profiles and cross-sections.

Written from the published schema's element names (LandXML.org, schema 1.2; from memory). Points are northing, easting,
elevation as the standard orders them; cross-section offsets are positive to the right, the opposite of ours.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree.ElementTree import Element, SubElement, indent, tostring

import numpy as np

from geotools import __version__
from geotools.earthwork.tin import DesignTin
from geotools.earthwork.tin_lines import surface_lines
from geotools.earthwork.works import MapUnits, Works
from geotools.plan import cautions

__all__ = ["DrawnSite", "write_landxml"]

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"
_XSI = "http://www.w3.org/2001/XMLSchema-instance"
#: Of files whose drawings have no date yet: equal works give equal bytes.
_NO_DATE = dt.date(2000, 1, 1)


@dataclass(frozen=True)
class DrawnSite:
    """What files for the site say of themselves.

    Parameters
    ----------
    project : str
        Name of the site.
    crs_name : str
        Horizontal system of the coordinates.
    vertical_datum : str
        What levels count from.
    epsg : int, optional
        Code of the horizontal system.
    units : MapUnits
        What the files count in.
    date : date, optional
        Of the drawings' revision.
    state : str
        Which state the files show, in words; empty where that is not given.
    """

    project: str
    crs_name: str = "local"
    vertical_datum: str = "not stated"
    epsg: int | None = None
    units: MapUnits = field(default_factory=MapUnits)
    date: dt.date | None = None
    state: str = ""


def write_landxml(path: Path, site: DrawnSite, works: Sequence[Works], tin: DesignTin | None) -> None:
    """Write one file: zones' alignments, profiles and sections, and each zone's part of the design surface.

    Parameters
    ----------
    path : Path
        File to write.
    site : DrawnSite
        Name, systems and units.
    works : sequence of Works
        Zones with earthworks.
    tin : DesignTin, optional
        The design in the same units; the parts of zones neither overlap nor leave a gap.
    """
    units = site.units
    root = Element(
        "LandXML",
        {
            "xmlns": NAMESPACE,
            "xmlns:xsi": _XSI,
            "xsi:schemaLocation": f"{NAMESPACE} {NAMESPACE}/LandXML-1.2.xsd",
            "version": "1.2",
            "date": (site.date or _NO_DATE).isoformat(),
            "time": "00:00:00",
            "readOnly": "false",
            "language": "English",
        },
    )
    _units(SubElement(root, "Units"), units)
    system = {"desc": site.crs_name, "verticalDatum": site.vertical_datum}
    if site.epsg is not None:
        system["epsgCode"] = str(site.epsg)
    SubElement(root, "CoordinateSystem", system)
    SubElement(
        root,
        "Project",
        {
            "name": site.project,
            "desc": ". ".join(filter(None, ["least earthwork under the beams of a perimeter", site.state]))
            + f". {cautions.EARTHWORKS} {cautions.SENSITIVE}",
        },
    )
    SubElement(root, "Application", {"name": "geotools-perimeter", "version": __version__})
    if works:
        alignments = SubElement(root, "Alignments", {"name": "zones"})
        for work in works:
            _alignment(alignments, work, units)
    rows = _Rows()
    if tin is not None:
        group = SubElement(root, "Surfaces", {"name": "earthworks"})
        for zone_id in tin.zones:
            _surface(group, zone_id, tin, rows)
    indent(root, " ")
    text = rows.put_into(tostring(root, encoding="unicode"))
    path.write_text(f"<?xml version='1.0' encoding='utf-8'?>\n{text}", encoding="utf-8", newline="")


class _Rows:
    """Rows of nothing but numbers, put into the finished text: as elements, points and faces of large surfaces take
    several times as long and much memory.
    """

    def __init__(self) -> None:
        # no name that somebody gives holds it by chance, and it is the same in every run
        self._mark = hashlib.sha256(NAMESPACE.encode()).hexdigest()
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


def _surface(parent: Element, zone_id: str, tin: DesignTin, rows: _Rows) -> None:
    """One zone's part of the design; its points keep the numbers that they have in the file of points."""
    faces = tin.of_zone(zone_id)
    if not len(faces):
        return
    made = SubElement(parent, "Surface", {"name": f"design {zone_id}"})
    lines = surface_lines(tin, zone_id)
    source = SubElement(made, "SourceData")
    for group, entry, found in (
        ("Boundaries", "Boundary", lines.limits),
        ("Breaklines", "Breakline", lines.breaklines),
    ):
        if not found:
            continue
        holder = SubElement(source, group)
        for number, line in enumerate(found, start=1):
            if entry == "Boundary":
                side = "outer" if _turn(line) > 0 else "void"
                kind = {"bndType": side, "edgeTrim": "true", "name": f"limit {number}"}
            else:
                kind = {"brkType": "standard", "name": f"breakline {number}"}
            closed = np.concatenate([line, line[:1]]) if entry == "Boundary" else line
            SubElement(SubElement(holder, entry, kind), "PntList3D").text = _places(closed)
    used = np.unique(faces)
    z = tin.points[used, 2]
    area = {"surfType": "TIN", "elevMax": f"{z.max():.3f}", "elevMin": f"{z.min():.3f}"}
    definition = SubElement(made, "Definition", area)
    places = zip((used + 1).tolist(), tin.points[used].tolist(), strict=True)
    points = (f'<P id="{number}">{y:.3f} {x:.3f} {level:.3f}</P>' for number, (x, y, level) in places)
    rows.stand_for(SubElement(definition, "Pnts"), points)
    numbers = (f"<F>{a} {b} {c}</F>" for a, b, c in (faces + 1).tolist())
    rows.stand_for(SubElement(definition, "Faces"), numbers)


def _places(line: np.ndarray) -> str:
    """Points as the standard orders them: northing, easting, level."""
    return " ".join(f"{y:.3f} {x:.3f} {z:.3f}" for x, y, z in line.tolist())


def _turn(ring: np.ndarray) -> float:
    """Twice the area of a ring, positive where it runs counter-clockwise."""
    x, y = (ring[:, :2] - ring[0, :2]).T
    return float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())
