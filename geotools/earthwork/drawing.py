"""DXF of the earthworks: contours of existing ground and design, breaklines, sections in place, beam lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

import contourpy
import ezdxf
import numpy as np
from ezdxf.document import Drawing
from ezdxf.enums import TextEntityAlignment
from rasterio import Affine

from geotools.earthwork.works import MapUnits, Works
from geotools.errors import OutputError

__all__ = ["audit", "contours", "write_dxf"]

#: layer name, AutoCAD colour index, line type: colours an index of the open format, from CAD practice in general
_LAYERS = (
    ("EXISTING-CONTOUR", 8, "DASHED"),
    ("DESIGN-CONTOUR", 3, "CONTINUOUS"),
    ("WORKS-LIMIT", 1, "CONTINUOUS"),
    ("BREAKLINE-BEAM", 5, "CENTER"),
    ("SECTION-EXISTING", 8, "DASHED"),
    ("SECTION-DESIGN", 3, "CONTINUOUS"),
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


def write_dxf(
    path: Path,
    works: Sequence[Works],
    existing_contours: Iterable[np.ndarray],
    design_contours: Iterable[np.ndarray],
    limits: Iterable[np.ndarray],
    *,
    units: MapUnits | None = None,
) -> Drawing:
    """Write a DXF R2010 drawing and hand it back.

    Parameters
    ----------
    existing_contours, design_contours, limits : polylines (k, 3) in metres; limits are the rings of worked ground.
    units : what the drawing counts in, metres if not given.

    Raises
    ------
    OutputError : ezdxf's auditor finds the drawing at fault; nothing is written.
    """
    units = units or MapUnits()
    drawing = ezdxf.new("R2010", setup=["linetypes"])
    survey = "survey" in units.name.lower()
    drawing.units = ezdxf.units.M if units.metres == 1.0 else 21 if survey else ezdxf.units.FT
    for name, colour, pattern in _LAYERS:
        drawing.layers.add(name, color=colour, linetype=pattern)
    space = drawing.modelspace()

    def polyline(points: np.ndarray, layer: str, close: bool = False) -> None:
        if len(points) > 1:
            space.add_polyline3d(units.out(points).tolist(), close=close, dxfattribs={"layer": layer})

    for lines, layer in ((existing_contours, "EXISTING-CONTOUR"), (design_contours, "DESIGN-CONTOUR")):
        for line in lines:
            flat = units.out(line)
            space.add_lwpolyline(flat[:, :2].tolist(), dxfattribs={"layer": layer, "elevation": float(flat[0, 2])})
    for ring in limits:
        polyline(ring, "WORKS-LIMIT", close=True)
    height = float(units.out(0.5))
    for work in works:
        x, y = work.line.to_map(work.fine)
        known = np.isfinite(work.fine_design)
        polyline(np.c_[x, y, work.fine_design][known], "BREAKLINE-BEAM")
        for s, ground, design in zip(work.chainage, work.existing, work.design, strict=True):
            sx, sy = work.line.to_map(np.full(len(work.offset), s), work.offset)
            for level, layer in ((ground, "SECTION-EXISTING"), (design, "SECTION-DESIGN")):
                known = np.isfinite(level)
                polyline(np.c_[sx, sy, level][known], layer)
            label = space.add_text(f"{work.zone_id} {s:.0f}", height=height, dxfattribs={"layer": "TEXT"})
            place = units.out(np.array(work.line.to_map(s, work.offset.max() + 0.8)).ravel())
            turn = (90.0 - work.line.azimuth_deg + 90.0) % 180.0
            label.set_placement((place[0], place[1]), align=TextEntityAlignment.MIDDLE_CENTER)
            label.dxf.rotation = turn
    problems = audit(drawing)
    if problems:
        raise OutputError("the drawing is at fault and was not written", where=path, found="; ".join(problems[:3]))
    drawing.saveas(path)
    return drawing


def audit(drawing: Drawing) -> list[str]:
    """What ezdxf's auditor finds wrong with a drawing, empty where it is clean."""
    auditor = drawing.audit()
    return [e.message for e in [*auditor.errors, *auditor.fixes]]
