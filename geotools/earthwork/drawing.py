"""DXF of the earthworks: the design as triangles and breaklines, contours, sections in place, points to set out."""

from __future__ import annotations

import hashlib
import io
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import contourpy
import ezdxf
import ezdxf.bbox
import numpy as np
from ezdxf.document import Drawing
from ezdxf.enums import TextEntityAlignment
from ezdxf.math import BoundingBox, Vec3
from rasterio import Affine

from geotools.earthwork.landxml import DrawnSite
from geotools.earthwork.tin import DesignTin
from geotools.earthwork.tin_lines import surface_lines
from geotools.earthwork.works import MapUnits, Works
from geotools.errors import OutputError, file_part

__all__ = ["DrawingLines", "audit", "contours", "write_dxf"]

#: layer name, AutoCAD colour index, line type: colours an index of the open format, from CAD practice in general
_LAYERS = (
    ("EXISTING-CONTOUR", 8, "DASHED"),
    ("DESIGN-CONTOUR", 3, "CONTINUOUS"),
    ("WORKS-LIMIT", 1, "CONTINUOUS"),
    ("DESIGN-LIMIT", 1, "DASHED"),
    ("BREAKLINE", 6, "CONTINUOUS"),
    ("BEAM-ON-DESIGN", 5, "CENTER"),
    ("SECTION-EXISTING", 8, "DASHED"),
    ("SECTION-DESIGN", 3, "CONTINUOUS"),
    ("SETTING-OUT", 2, "CONTINUOUS"),
    ("SETTING-OUT-NUMBER", 2, "CONTINUOUS"),
    ("WATER-WAY", 4, "CONTINUOUS"),
    ("TEXT", 7, "CONTINUOUS"),
)


def contours(transform: Affine, inside: np.ndarray, level: np.ndarray, interval: float) -> list[np.ndarray]:
    """Contour lines of levels on a grid, (k, 3) each in metres, where `inside` is True.

    Parameters
    ----------
    transform : of the grid, in metres. inside, level : (rows, columns), levels in m. interval : between lines, m.
    """
    if not inside.any():
        return []
    rows, columns = np.nonzero(inside)
    r, c = slice(rows.min(), rows.max() + 1), slice(columns.min(), columns.max() + 1)
    row, column = np.mgrid[r, c]
    x, y = transform.c + (column + 0.5) * transform.a, transform.f + (row + 0.5) * transform.e
    z = np.where(inside[r, c], level[r, c], np.nan)
    maker = contourpy.contour_generator(x=x, y=y, z=np.ma.masked_invalid(z))
    low, high = np.nanmin(z), np.nanmax(z)
    return [
        np.c_[line, np.full(len(line), h)]
        for h in np.arange(np.ceil(low / interval) * interval, high, interval)
        for line in maker.lines(float(h))
    ]


@dataclass(frozen=True)
class DrawingLines:
    """Lines of the drawing that are no part of the triangles, polylines (k, 3) in metres.

    existing, design : contours. limits : rings around ground that is cut or filled. ways : for water through the works,
    from inlet to outlet, each with its words.
    """

    existing: Sequence[np.ndarray] = ()
    design: Sequence[np.ndarray] = ()
    limits: Sequence[np.ndarray] = ()
    ways: Sequence[tuple[np.ndarray, str]] = ()


def write_dxf(
    path: Path,
    site: DrawnSite,
    works: Sequence[Works],
    lines: DrawingLines,
    tin: DesignTin | None,
    notes: Sequence[str],
) -> Drawing:
    """Write a DXF R2010 drawing and hand it back; equal content gives equal bytes.

    Parameters
    ----------
    path : Path
        File to write.
    site : DrawnSite
        Name, systems and units.
    works : sequence of Works
        Zones with earthworks.
    lines : DrawingLines
        Contours and limits.
    tin : DesignTin, optional
        The design in the drawing's units.
    notes : sequence of str
        Cautions that are written into the drawing beside its systems and units.

    Raises
    ------
    OutputError
        ezdxf's auditor finds the drawing at fault; nothing is written.
    """
    drawing = ezdxf.new("R2010", setup=["linetypes"])
    # the library notes the moment; equal content gives equal bytes
    drawing.ezdxf_metadata()["CREATED_BY_EZDXF"] = ezdxf.__version__
    units = site.units
    survey = "survey" in units.name.lower()
    drawing.units = ezdxf.units.M if units.metres == 1.0 else 21 if survey else ezdxf.units.FT
    drawing.header["$MEASUREMENT"] = 1 if units.metres == 1.0 else 0
    for name, colour, pattern in _LAYERS:
        drawing.layers.add(name, color=colour, linetype=pattern)
    pen = _Pen(drawing, units)
    for found, layer in ((lines.existing, "EXISTING-CONTOUR"), (lines.design, "DESIGN-CONTOUR")):
        for line in found:
            pen.contour(line, layer)
    for ring in lines.limits:
        pen.polyline(ring, "WORKS-LIMIT", close=True)
    for way, words in lines.ways:
        pen.polyline(way, "WATER-WAY")
        inlet = units.out(way[0]).tolist()
        pen.text(words, (inlet[0], inlet[1]), 0.5)
    for work in works:
        pen.sections(work)
    if tin is not None:
        pen.triangles(tin)
    if (box := pen.extents()).has_data:
        pen.statement(site, notes, box.extmin)
        box = pen.extents()
        pen.space.reset_extents(box.extmin, box.extmax)
        drawing.header["$EXTMIN"], drawing.header["$EXTMAX"] = box.extmin, box.extmax
    problems = audit(drawing)
    if problems:
        raise OutputError("the drawing is at fault and was not written", where=path, found="; ".join(problems[:3]))
    path.write_text(_text(drawing), encoding=drawing.output_encoding, errors="dxfreplace", newline="")
    return drawing


class _Pen:
    """Draws into one drawing what is given in metres, or a surface in the drawing's own units."""

    def __init__(self, drawing: Drawing, units: MapUnits) -> None:
        self.drawing, self.units, self.space = drawing, units, drawing.modelspace()
        self._box = BoundingBox()

    def extents(self) -> BoundingBox:
        """About all that is drawn; the library measures words alone, for of lines the places are known."""
        box = ezdxf.bbox.extents(self.space.query("TEXT"), fast=True)
        box.extend(self._box)
        return box

    def _drawn(self, points: np.ndarray) -> None:
        """Take places (n, 3) in the drawing's units into its extents."""
        self._box.extend([points.min(axis=0).tolist(), points.max(axis=0).tolist()])

    def polyline(self, points: np.ndarray, layer: str, close: bool = False) -> None:
        """A line in space."""
        if len(points) > 1:
            places = self.units.out(points)
            self._drawn(places)
            self.space.add_polyline3d(places.tolist(), close=close, dxfattribs={"layer": layer})

    def contour(self, line: np.ndarray, layer: str) -> None:
        """A line of one level."""
        flat = self.units.out(line)
        level = float(flat[0, 2])
        self._drawn(flat)
        self.space.add_lwpolyline(flat[:, :2].tolist(), dxfattribs={"layer": layer, "elevation": level})

    def sections(self, work: Works) -> None:
        """The beam line on the design, and the sections where they are taken."""
        x, y = work.line.to_map(work.fine)
        known = np.isfinite(work.fine_design)
        self.polyline(np.c_[x, y, work.fine_design][known], "BEAM-ON-DESIGN")
        for s, ground, design in zip(work.chainage, work.existing, work.design, strict=True):
            sx, sy = work.line.to_map(np.full(len(work.offset), s), work.offset)
            for level, layer in ((ground, "SECTION-EXISTING"), (design, "SECTION-DESIGN")):
                known = np.isfinite(level)
                self.polyline(np.c_[sx, sy, level][known], layer)
            place = self.units.out(np.array(work.line.to_map(s, work.offset.max() + 0.8)).ravel())
            turn = (90.0 - work.line.azimuth_deg + 90.0) % 180.0
            self.text(f"{work.zone_id} {s:.1f}", (float(place[0]), float(place[1])), 0.5, turn)

    def text(self, words: str, at: tuple[float, float], height_m: float, turn: float = 0.0) -> None:
        """Words about a place in the drawing's units."""
        height = float(self.units.out(height_m))
        label = self.space.add_text(words, height=height, dxfattribs={"layer": "TEXT", "rotation": turn})
        label.set_placement(at, align=TextEntityAlignment.MIDDLE_CENTER if turn else TextEntityAlignment.LEFT)

    def triangles(self, tin: DesignTin) -> None:
        """Faces by zone, breaklines, limits, and the points to set out with their numbers."""
        self._drawn(tin.points)
        for zone_id in tin.zones:
            layer = f"DESIGN-TIN-{file_part(zone_id)}"
            if layer not in self.drawing.layers:
                self.drawing.layers.add(layer, color=9)
            for face in tin.points[tin.of_zone(zone_id)]:
                corners = [tuple(corner) for corner in face.tolist()]
                self.space.add_3dface([*corners, corners[2]], dxfattribs={"layer": layer})
            found = surface_lines(tin, zone_id)
            for group, close, name in ((found.breaklines, False, "BREAKLINE"), (found.limits, True, "DESIGN-LIMIT")):
                for line in group:
                    self.space.add_polyline3d(line.tolist(), close=close, dxfattribs={"layer": name})
        for number, (x, y, z) in enumerate(tin.points.tolist(), start=1):
            self.space.add_point((x, y, z), dxfattribs={"layer": "SETTING-OUT"})
            label = self.space.add_text(
                str(number), height=float(self.units.out(0.1)), dxfattribs={"layer": "SETTING-OUT-NUMBER"}
            )
            label.set_placement((x, y, z), align=TextEntityAlignment.LEFT)

    def statement(self, site: DrawnSite, notes: Sequence[str], corner: Vec3) -> None:
        """Systems, units and cautions below the lower left corner."""
        code = "" if site.epsg is None else f" (EPSG:{site.epsg})"
        words = (
            site.project,
            *([site.state] if site.state else []),
            f"Coordinate system: {site.crs_name}{code}. Units of x, y and z: {self.units.name}.",
            f"Vertical datum: {site.vertical_datum}.",
            *notes,
        )
        down = float(self.units.out(1.5))
        for number, line in enumerate(words, start=2):
            self.text(line, (float(corner.x), float(corner.y) - number * down), 0.8)


def _text(drawing: Drawing) -> str:
    """The drawing as a file, with its identifiers made from its content and without a clock."""
    stream = io.StringIO()
    # the library lists classes in the order of a set
    held = drawing.classes.classes
    drawing.classes.add_required_classes(drawing.dxfversion)
    ordered = sorted(held.items())
    held.clear()
    held.update(ordered)
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        drawing.write(stream)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
    text = stream.getvalue()
    mine = uuid.uuid5(uuid.NAMESPACE_URL, hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest())
    return text.replace("{00000000-0000-0000-0000-000000000000}", f"{{{str(mine).upper()}}}")


def audit(drawing: Drawing) -> list[str]:
    """What ezdxf's auditor finds wrong with a drawing, empty where it is clean."""
    auditor = drawing.audit()
    return [e.message for e in [*auditor.errors, *auditor.fixes]]
