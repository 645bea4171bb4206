"""The files an engineer gets: rasters, points to set out, LandXML and the drawing."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from shapely import Point, get_coordinates

from geotools.detection.from_plan import crossing_heights
from geotools.earthwork.design import Graded
from geotools.earthwork.landxml import DrawnSite, write_landxml
from geotools.earthwork.outlines import area_of
from geotools.earthwork.tin import DesignTin, design_tin
from geotools.earthwork.waterway import water_ways
from geotools.earthwork.works import CAUTIONS, MapUnits, OwnWorks, SectionPlan, Works, works_of
from geotools.engine.step import StepContext
from geotools.io.crs import epsg_code
from geotools.io.grids import GridBand, write_grid
from geotools.io.sparse_grid import SparseGrid
from geotools.io.tables import csv_text
from geotools.plan import cautions
from geotools.plan.paper_state import PaperState
from geotools.plan.point_sidecar import PointFile, plan_datum, system_fields
from geotools.plan.schema import FENCE
from geotools.terrain.design import DesignSurface

#: The points for instruments: number, northing, easting, level, code, without a heading.
SETTING_OUT, SETTING_OUT_TEXT = "setting_out.csv", "setting_out.txt"
#: What is moved by less is no earthwork on drawings, m.
_MOVED_M = 1e-3
Whole = npt.NDArray[np.int64]
Row = dict[str, object]


def works_to_draw(ctx: StepContext, surface: DesignSurface, graded: Sequence[Graded]) -> list[Works]:
    """Sections and volumes of every graded zone."""
    reach = ctx.site.grading.under_m + ctx.site.grading.batter_m + surface.cell_m
    made = []
    heights = crossing_heights(ctx.site, ctx.read(FENCE))
    for g in graded:
        pair = g.zone.pairs[0]
        nominal = next(p for p in ctx.site.stack_levels(heights.get(g.zone.fence_id)) if p.level == pair.level).height_m
        near = tuple(zone.line for zone in g.grading.zones if zone.zone_id != g.zone.zone_id)
        made.append(
            works_of(
                surface,
                g.zone.zone_id,
                g.zone.line,
                {p.level: (p.tx_height_m, p.rx_height_m) for p in g.zone.pairs},
                SectionPlan(reach, near),
                own_works(surface, g),
                sight_rise=(pair.tx_height_m - nominal, pair.rx_height_m - nominal),
            )
        )
    return made


def own_works(surface: DesignSurface, g: Graded) -> OwnWorks:
    """Volumes of a zone's own cells, and the outlines of where they are cut and filled."""
    row, column, change = _own_cells(surface, g)
    areas = {}
    for kind, sign in (("cut", -1), ("fill", 1)):
        moved = sign * change > _MOVED_M
        areas[kind] = tuple(area_of(surface, row[moved], column[moved]))
    cut, fill, area, depth = g.volumes
    return OwnWorks(cut, fill, area, depth, areas)


def _own_cells(surface: DesignSurface, g: Graded) -> tuple[Whole, Whole, np.ndarray]:
    """Rows and columns of the cells nearest to a zone, and how far their level is changed, m."""
    strip, mine = g.grading.strip, g.grading.own(g.zone.zone_id)
    row, column = surface.locate(strip.x[mine], strip.y[mine])
    return row, column, surface.change_at(strip.x[mine], strip.y[mine])


def tin_of(surface: DesignSurface, graded: Sequence[Graded], units: MapUnits, spacing_m: float) -> DesignTin | None:
    """The design of all graded zones as one triangulation; None where nothing is graded."""
    cells = [np.empty((0, 2), np.int64)]
    for g in graded:
        row, column, change = _own_cells(surface, g)
        cells.append(np.stack([row, column], axis=1)[change != 0])
    every = np.unique(np.concatenate(cells), axis=0)
    if not len(every):
        return None
    lines = {g.zone.zone_id: g.zone.line for g in graded}
    return design_tin(surface, every[:, 0], every[:, 1], lines, units, spacing_m)


def point_rows(surface: DesignSurface, tin: DesignTin | None, graded: Sequence[Graded], units: MapUnits) -> list[Row]:
    """The points to set out as the plan's layer has them, metres; each in the zone whose line is nearest."""
    if tin is None:
        return []
    xyz = tin.points * units.metres
    zones = [g.zone for g in graded]
    seen = [zone.line.from_map(xyz[:, 0], xyz[:, 1]) for zone in zones]
    ends = [np.maximum(np.maximum(-s, s - zone.line.length), 0.0) for zone, (s, _) in zip(zones, seen, strict=True)]
    nearest = np.argmin([np.hypot(o, beyond) for (_, o), beyond in zip(seen, ends, strict=True)], axis=0)
    existing = surface.terrain.sample(xyz[:, 0], xyz[:, 1])
    rows: list[Row] = []
    for k, (place, zone) in enumerate(zip(xyz.tolist(), nearest.tolist(), strict=True)):
        rows.append(
            {
                "point_id": f"{zones[zone].zone_id}-P{k + 1:04d}",
                "zone_id": zones[zone].zone_id,
                "chainage_m": float(seen[zone][0][k]),
                "offset_m": float(seen[zone][1][k]),
                "existing_m": float(existing[k]),
                "design_m": place[2],
                "cut_fill_m": place[2] - float(existing[k]),
                "geometry": Point(place),
            }
        )
    return rows


def write_points(
    ctx: StepContext, rows: Sequence[Row], tin: DesignTin | None, units: MapUnits, paper: PaperState
) -> None:
    """The points to set out: a table for people, and P,N,E,Z,code for instruments, all in the plan's unit."""
    table = []
    system = system_fields(ctx.workspace.plan_crs, plan_datum(ctx.workspace, ctx.site.input.vertical_datum))
    for r in rows:
        x, y, _ = get_coordinates(r["geometry"], include_z=True)[0] / units.metres
        row: dict[str, object] = {"point": r["point_id"], "easting": round(float(x), 3), "northing": round(float(y), 3)}
        for name in ("existing_m", "design_m", "cut_fill_m", "chainage_m", "offset_m"):
            row[name] = round(float(str(r[name])), 3) + 0.0  # no -0.0 for whoever sets it out
        table.append(row | paper.fields | system | {"caution": cautions.EARTHWORKS})
    header = ["point", "easting", "northing", "existing_m", "design_m", "cut_fill_m", "chainage_m", "offset_m"]
    header += [*paper.fields, *system, "caution"]
    (ctx.scratch / "grading_points.csv").write_text(csv_text(header, table), encoding="utf-8", newline="")
    lines = []
    if tin is not None:
        for number, ((x, y, z), edge) in enumerate(zip(tin.points.tolist(), tin.edge.tolist(), strict=True), start=1):
            lines.append(f"{number},{y:.3f},{x:.3f},{z:.3f},{'LIMIT' if edge else 'DESIGN'}\r\n")
    for way in water_ways(ctx):
        for (x, y, z), code in zip(units.out(way.levels).tolist(), ("INLET", "OUTLET"), strict=True):
            lines.append(f"{len(lines) + 1},{y:.3f},{x:.3f},{z:.3f},{code}\r\n")
    (ctx.scratch / SETTING_OUT).write_text("".join(lines), encoding="ascii", newline="")
    file = PointFile(
        SETTING_OUT,
        len(lines),
        "number, N northing, E easting, Z level of the design, code",
        ctx.site.name,
        paper.words,
        ctx.workspace.plan_crs,
        plan_datum(ctx.workspace, ctx.site.input.vertical_datum),
    )
    codes = "code: DESIGN inside, LIMIT at the edge of works, INLET and OUTLET of ways for water"
    (ctx.scratch / SETTING_OUT_TEXT).write_text(file.sidecar([codes], CAUTIONS), encoding="utf-8", newline="")


def write_drawings(
    ctx: StepContext,
    surface: DesignSurface,
    graded: Sequence[Graded],
    drawn: Sequence[Works],
    tin: DesignTin | None,
    units: MapUnits,
    paper: PaperState,
) -> None:
    """LandXML and DXF of the works, in the plan's unit."""
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.earthwork.drawing import DrawingLines, contours, write_dxf

    interval = ctx.params["contour_m"]
    limits: list[np.ndarray] = []
    existing_lines: list[np.ndarray] = []
    design_lines: list[np.ndarray] = []
    for g in graded:
        strip = g.grading.strip
        row, column = surface.locate(strip.x, strip.y)
        own_row, own_column, change = _own_cells(surface, g)
        moved = np.abs(change) > _MOVED_M
        for part in area_of(surface, own_row[moved], own_column[moved]):
            ring = np.array(part.exterior.coords)[:-1]
            limits.append(np.c_[ring, surface.sample(ring[:, 0], ring[:, 1])])
        if not len(own_row):
            continue
        # the zone's own cells and those just beside them, so that its lines meet the next zone's
        r0, c0 = int(row.min()), int(column.min())
        strips = np.zeros((int(row.max()) - r0 + 1, int(column.max()) - c0 + 1), bool)
        own = strips.copy()
        strips[row - r0, column - c0] = True
        own[own_row - r0, own_column - c0] = True
        inside = strips & ndimage.binary_dilation(own, np.pad(np.ones((2, 2), bool), ((1, 0), (1, 0))))
        r, c = np.nonzero(inside)
        x, y = surface.centres(r + r0, c + c0)
        existing, design = np.full(inside.shape, np.nan), np.full(inside.shape, np.nan)
        existing[r, c] = surface.terrain.sample(x, y)
        design[r, c] = surface.sample(x, y)
        t = surface.transform
        corner = type(t)(t.a, 0.0, t.c + c0 * t.a, 0.0, t.e, t.f + r0 * t.e)
        existing_lines += contours(corner, inside, existing, interval)
        design_lines += contours(corner, inside, design, interval)
    crs = ctx.workspace.plan_crs
    site = DrawnSite(
        project=ctx.site.name,
        crs_name=crs.name,
        vertical_datum=plan_datum(ctx.workspace, ctx.site.input.vertical_datum),
        epsg=epsg_code(crs),
        units=units,
        date=ctx.site.sheets.date,
        state=paper.words,
    )
    write_landxml(ctx.scratch / "earthworks.xml", site, drawn, tin)
    ways = [(way.levels, f"{way.name} {way.kind}") for way in water_ways(ctx)]
    lines = DrawingLines(existing_lines, design_lines, limits, ways)
    write_dxf(ctx.scratch / "earthworks.dxf", site, drawn, lines, tin, CAUTIONS)


def write_rasters(ctx: StepContext, surface: DesignSurface, graded: Sequence[Graded]) -> None:
    """Design level where zones are graded."""
    design = SparseGrid(surface.change.shape, np.nan)
    for g in graded:
        row, column = surface.locate(g.grading.strip.x, g.grading.strip.y)
        design[row, column] = surface.sample(*surface.centres(row, column))
    band = GridBand(design, "design level")
    write_grid(ctx.scratch / "design.tif", ctx.workspace.plan_crs, surface.transform, [band])
