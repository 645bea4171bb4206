"""The files an engineer gets: rasters, points to set out, LandXML and the drawing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import ndimage
from shapely import get_coordinates

from geotools.earthwork.design import Graded
from geotools.earthwork.drawing import contours, write_dxf
from geotools.earthwork.landxml import write_landxml
from geotools.earthwork.works import MapUnits, Works, triangulate, works_of
from geotools.engine.step import StepContext
from geotools.io.grids import GridBand, outline, write_grid
from geotools.io.sparse_grid import SparseGrid
from geotools.io.tables import csv_text
from geotools.terrain.design import DesignSurface

Row = dict[str, object]


def works_to_draw(ctx: StepContext, surface: DesignSurface, graded: Sequence[Graded]) -> list[Works]:
    """Sections and volumes of every graded zone."""
    reach = ctx.site.grading.under_m + ctx.site.grading.batter_m + surface.cell_m
    made = []
    for g in graded:
        pair = g.zone.pairs[0]
        nominal = next(p for p in ctx.site.stack_levels() if p.level == pair.level).height_m
        made.append(
            works_of(
                surface,
                g.zone.zone_id,
                g.zone.line,
                {p.level: (p.tx_height_m, p.rx_height_m) for p in g.zone.pairs},
                reach_m=reach,
                sight_rise=(pair.tx_height_m - nominal, pair.rx_height_m - nominal),
            )
        )
    return made


def write_points(ctx: StepContext, rows: Sequence[Row], units: MapUnits) -> None:
    """The points to set out as CSV: map coordinates in the plan's unit, levels in metres."""
    table = []
    for r in rows:
        x, y, _ = get_coordinates(r["geometry"], include_z=True)[0] / units.metres
        row: dict[str, object] = {"point": r["point_id"], "easting": round(float(x), 3), "northing": round(float(y), 3)}
        for name in ("existing_m", "design_m", "cut_fill_m", "chainage_m", "offset_m"):
            row[name] = round(float(str(r[name])), 3)
        table.append(row)
    header = ["point", "easting", "northing", "existing_m", "design_m", "cut_fill_m", "chainage_m", "offset_m"]
    (ctx.scratch / "grading_points.csv").write_text(csv_text(header, table), encoding="utf-8", newline="")


def write_drawings(
    ctx: StepContext, surface: DesignSurface, graded: Sequence[Graded], drawn: Sequence[Works], units: MapUnits
) -> None:
    """LandXML and DXF of the works, in the plan's unit."""
    interval = ctx.params["contour_m"]
    limits: list[np.ndarray] = []
    existing_lines: list[np.ndarray] = []
    design_lines: list[np.ndarray] = []
    meshes = {}
    for g in graded:
        strip = g.grading.strip
        row, column = surface.locate(strip.x, strip.y)
        mine = g.grading.own(g.zone.zone_id)
        meshes[f"design {g.zone.zone_id}"] = triangulate(surface, row[mine], column[mine])
        if not mine.any():
            continue
        # the zone's own cells and those just beside them, so that its lines meet the next zone's
        r0, c0 = int(row.min()), int(column.min())
        strips = np.zeros((int(row.max()) - r0 + 1, int(column.max()) - c0 + 1), bool)
        own = strips.copy()
        strips[row - r0, column - c0] = True
        own[row[mine] - r0, column[mine] - c0] = True
        inside = strips & ndimage.binary_dilation(own, np.pad(np.ones((2, 2), bool), ((1, 0), (1, 0))))
        r, c = np.nonzero(inside)
        existing = np.full(inside.shape, np.nan)
        existing[r, c] = surface.terrain.sample(*surface.centres(r + r0, c + c0))
        t = surface.transform
        corner = type(t)(t.a, 0.0, t.c + c0 * t.a, 0.0, t.e, t.f + r0 * t.e)
        change = surface.change[r0 : r0 + inside.shape[0], c0 : c0 + inside.shape[1]]
        for part in outline(own & (np.abs(change) > 1e-3), corner).geoms:
            ring = np.array(part.exterior.coords)[:-1]
            limits.append(np.c_[ring, surface.sample(ring[:, 0], ring[:, 1])])
        existing_lines += contours(corner, inside, existing, interval)
        design_lines += contours(corner, inside, existing + change, interval)
    crs = ctx.workspace.plan_crs
    write_landxml(
        ctx.scratch / "earthworks.xml", ctx.site.name, drawn, meshes, epsg=crs.to_epsg(), crs_name=crs.name, units=units
    )
    write_dxf(ctx.scratch / "earthworks.dxf", drawn, existing_lines, design_lines, limits, units=units)


def write_rasters(ctx: StepContext, surface: DesignSurface, graded: Sequence[Graded]) -> None:
    """Design level where zones are graded."""
    design = SparseGrid(surface.change.shape, np.nan)
    for g in graded:
        row, column = surface.locate(g.grading.strip.x, g.grading.strip.y)
        design[row, column] = surface.sample(*surface.centres(row, column))
    band = GridBand(design, "design level")
    write_grid(ctx.scratch / "design.tif", ctx.workspace.plan_crs, surface.transform, [band])
