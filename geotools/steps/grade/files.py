"""The files an engineer gets: rasters, points to set out, LandXML and the drawing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely import get_coordinates

from geotools.earthwork.drawing import contours, write_dxf
from geotools.earthwork.from_plan import CUT_FILL
from geotools.earthwork.landxml import write_landxml
from geotools.earthwork.works import MapUnits, Works, triangulate, works_of
from geotools.engine.step import StepContext
from geotools.io.grids import GridBand, outline, write_grid
from geotools.io.tables import csv_text
from geotools.steps.grade.kernel import Graded
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
    inside = np.zeros(surface.change.shape, bool)
    limits = []
    meshes = {}
    for g in graded:
        strip = g.grading.strip
        row, column = surface.locate(strip.x, strip.y)
        mine = g.grading.own(g.zone.zone_id)
        inside[row, column] = True
        meshes[f"design {g.zone.zone_id}"] = triangulate(surface, row[mine], column[mine])
    rows, columns = np.nonzero(inside)
    existing = np.full(inside.shape, np.nan)
    if len(rows):
        existing[rows, columns] = surface.terrain.sample(*surface.centres(rows, columns))
        for part in outline(np.abs(surface.change) > 1e-3, surface.transform).geoms:
            ring = np.array(part.exterior.coords)[:-1]
            limits.append(np.c_[ring, surface.sample(ring[:, 0], ring[:, 1])])
    crs = ctx.workspace.plan_crs
    write_landxml(
        ctx.scratch / "earthworks.xml", ctx.site.name, drawn, meshes, epsg=crs.to_epsg(), crs_name=crs.name, units=units
    )
    interval = ctx.params["contour_m"]
    write_dxf(
        ctx.scratch / "earthworks.dxf",
        drawn,
        contours(surface, inside, existing, interval),
        contours(surface, inside, existing + surface.change, interval),
        limits,
        units=units,
    )


def write_rasters(ctx: StepContext, surface: DesignSurface, graded: Sequence[Graded]) -> None:
    """Design level and change of level where zones are graded."""
    shown = np.zeros(surface.change.shape, bool)
    for g in graded:
        row, column = surface.locate(g.grading.strip.x, g.grading.strip.y)
        shown[row, column] = True
    design = np.full(shown.shape, np.nan, np.float32)
    rows, columns = np.nonzero(shown)
    design[rows, columns] = surface.sample(*surface.centres(rows, columns))
    crs = ctx.workspace.plan_crs
    change = np.where(shown, surface.change, np.nan)
    write_grid(ctx.scratch / "design.tif", crs, surface.transform, [GridBand(design, "design level")])
    write_grid(ctx.scratch / CUT_FILL, crs, surface.transform, [GridBand(change, "fill (positive) or cut (negative)")])
