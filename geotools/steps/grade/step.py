"""Declaration of the grade step: the proposed state in; design surface, earthworks and the engineer's files out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geotools.detection.chains import perimeter_of
from geotools.earthwork.design import DEPTH_CLASSES, Graded, depth_classes, graded_zones
from geotools.earthwork.from_plan import design_of, grade_settings
from geotools.earthwork.proposal import proposed_zones
from geotools.earthwork.state import proposed_paper
from geotools.earthwork.works import MapUnits, Works
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.io.crs import metres_per_unit, unit_name
from geotools.io.grids import outline
from geotools.io.sparse_grid import SparseGrid
from geotools.plan import cautions
from geotools.plan.schema import (
    BEAMS,
    EARTHWORKS,
    FENCE,
    GRADING_POINTS,
    GRADINGS,
    HEADS,
    OPTIONS,
    PROPOSED_HEADS,
    WATER_CROSSINGS,
    ZONES,
)
from geotools.plan.workspace import frame_of
from geotools.steps.grade.files import (
    SETTING_OUT,
    SETTING_OUT_TEXT,
    point_rows,
    tin_of,
    works_to_draw,
    write_drawings,
    write_points,
    write_rasters,
)
from geotools.terrain.design import DesignSurface

Row = dict[str, object]


def _owner(surface: DesignSurface, graded: Sequence[Graded]) -> SparseGrid:
    """Number of the graded zone each cell belongs to, by the nearest beam line; -1 where no strip reaches."""
    owner = SparseGrid(surface.change.shape, -1, np.int32)
    nearest = SparseGrid(surface.change.shape, np.inf)
    for number, g in enumerate(graded):
        strip = g.grading.strip
        along, off = g.zone.line.from_map(strip.x, strip.y)
        outside = np.maximum(np.maximum(-along, along - g.zone.line.length), 0.0)
        away = np.hypot(off, outside)
        row, column = surface.locate(strip.x, strip.y)
        closer = away < nearest[row, column]
        owner[row[closer], column[closer]] = number
        nearest[row[closer], column[closer]] = away[closer]
    return owner


def _earthworks(surface: DesignSurface, graded: Sequence[Graded], owner: SparseGrid) -> list[Row]:
    rows: list[Row] = []
    area = surface.cell_m**2
    for number, g in enumerate(graded):
        row, column = surface.locate(g.grading.strip.x, g.grading.strip.y)
        mine = owner[row, column] == number
        r, c = row[mine], column[mine]
        if not len(r):
            continue
        box = (slice(r.min(), r.max() + 1), slice(c.min(), c.max() + 1))
        change = np.where(owner[box] == number, surface.change[box], 0.0)
        classes = depth_classes(change)
        t = surface.transform
        corner = type(t)(t.a, 0.0, t.c + c.min() * t.a, 0.0, t.e, t.f + r.min() * t.e)
        for value in sorted(set(classes.ravel().tolist()) - {0}):
            mine = classes == value
            k = abs(value) - 1
            kind = "fill" if value > 0 else "cut"
            rows.append(
                {
                    "work_id": f"{g.zone.zone_id}-{kind}-{k + 1}",
                    "zone_id": g.zone.zone_id,
                    "kind": kind,
                    "depth_from_m": DEPTH_CLASSES[k],
                    "depth_to_m": DEPTH_CLASSES[k + 1] if k + 1 < len(DEPTH_CLASSES) else None,
                    "depth_max_m": float(np.abs(change[mine]).max()),
                    "area_m2": float(mine.sum() * area),
                    "volume_m3": float(np.abs(change[mine]).sum() * area),
                    "geometry": outline(mine, corner),
                }
            )
    return rows


def _grading_row(g: Graded, work: Works) -> Row:
    pair = g.zone.pairs[0]
    cut, fill, area, depth = g.volumes
    # the grid method is the cells themselves, each counted in the zone it is nearest to: what the options are priced by
    methods = [(cut, fill), *(work.volumes[name] for name in ("average end area", "prismoidal"))]
    cuts, fills = [m[0] for m in methods], [m[1] for m in methods]
    return {
        "zone_id": g.zone.zone_id,
        "clear": g.clear,
        "dead_before_m": g.dead_before_m,
        "dead_after_m": g.dead_after_m,
        "level": pair.level,
        "tx_height_m": pair.tx_height_m,
        "rx_height_m": pair.rx_height_m,
        "area_m2": area,
        "depth_max_m": depth,
        "cut_grid_m3": cuts[0],
        "fill_grid_m3": fills[0],
        "cut_end_area_m3": cuts[1],
        "fill_end_area_m3": fills[1],
        "cut_prismoidal_m3": cuts[2],
        "fill_prismoidal_m3": fills[2],
        "difference_m3": max(max(cuts) - min(cuts), max(fills) - min(fills)),
        "reason": g.grading.reason,
    }


def run(ctx: StepContext) -> StepResult:
    """Run the proposed state again and draw it; see the manual beside this file."""
    site = ctx.site
    perimeter = perimeter_of(site, ctx.read, ctx.terrain, ctx.warn)
    perimeter.solve_all()
    proposed = proposed_zones(site, perimeter, ctx.read(PROPOSED_HEADS))
    surface = design_of(site, perimeter, ctx.terrain, ctx.workspace.folder, ctx.workspace.plan_crs)
    final = perimeter.with_zones(proposed, surface)
    final.solve_all()
    options = ctx.read(OPTIONS)
    taken = options[options["recommended"].fillna(False) & options["option"].str.contains("grade")]
    parts = {zone_id: [zone.zone_id for zone in zones] for zone_id, zones in proposed.items()}
    reasons = {
        part: reason
        for zone_id, reason in zip(taken["zone_id"], taken["reason"], strict=True)
        for part in parts.get(zone_id, [zone_id])
    }
    # a part of a zone that is split has no state of its own before but that on today's ground
    split = {zone_id: proposed[zone_id] for zone_id, names in parts.items() if names != [zone_id]}
    stands = perimeter.with_zones(split) if split else perimeter
    graded = graded_zones(stands, final, surface, grade_settings(site, ctx.read(FENCE)), reasons)
    ctx.progress(1, 3, "earthworks")
    works = works_to_draw(ctx, surface, graded)
    crs = ctx.workspace.plan_crs
    units = MapUnits(unit_name(crs), metres_per_unit(crs))
    tin = tin_of(surface, graded, units, ctx.params["point_spacing_m"])
    points = point_rows(surface, tin, graded, units)
    write_rasters(ctx, surface, graded)
    paper = proposed_paper(ctx, perimeter, proposed, surface)
    write_points(ctx, points, tin, units, paper)
    write_drawings(ctx, surface, graded, works, tin, units, paper)
    ctx.progress(2, 3, "sheets")
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.earthwork.sheets import write_sheets
    from geotools.steps.grade.sheets import sheet_set

    sheets = []
    if works:
        lines = {zone_id: zone.line for zone_id, zone in final.zones.items()}
        sheets.append(write_sheets(ctx.scratch, sheet_set(ctx, works, graded, lines, units, paper)))
    rows = [_grading_row(g, work) for g, work in zip(graded, works, strict=True)]
    for g in graded:
        if not g.clear:
            ctx.warn(f"zone {g.zone.zone_id} is not clear as proposed: {g.grading.reason}")
    crs_m = ctx.workspace.work_crs
    files = [
        "design.tif",
        "grading_points.csv",
        SETTING_OUT,
        SETTING_OUT_TEXT,
        "earthworks.xml",
        "earthworks.dxf",
        *sheets,
    ]
    return StepResult(
        layers={
            "earthworks": frame_of(EARTHWORKS, _earthworks(surface, graded, _owner(surface, graded)), crs_m),
            "gradings": frame_of(GRADINGS, rows),
            "grading_points": frame_of(GRADING_POINTS, points, crs_m),
        },
        files=files,
        summary=_summary(ctx, rows),
    )


def _summary(ctx: StepContext, rows: Sequence[Row]) -> dict[str, object]:
    cut, fill = (sum(float(str(r[k])) for r in rows) for k in ("cut_grid_m3", "fill_grid_m3"))
    clear = sum(bool(r["clear"]) for r in rows)
    ctx.say(f"{len(rows)} zones graded, {clear} clear in a run on the design; cut {cut:.1f} m3, fill {fill:.1f} m3")
    return {
        "zones": len(rows),
        "clear": clear,
        "cut_m3": round(cut, 2),
        "fill_m3": round(fill, 2),
    }


STEP = Step(
    name="grade",
    title="Grade the ground under the beams",
    summary="Draws the earthwork that the remedy recommends, run again on its design, with the files to build it from.",
    run=run,
    params=(
        Param("point_spacing_m", "real", "greatest distance of points to set out along the limit", 5.0, "m", 0.5, 50),
        Param("contour_m", "real", "contour interval of the drawing", 0.05, "m", 0.01, 5),
    ),
    inputs=(
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(FENCE, "ground beside it is left alone"),
        LayerIn(BEAMS, "heads and their heights"),
        LayerIn(OPTIONS, "why each zone is graded"),
        LayerIn(HEADS, "heads of zones that stay as they are, for the code of the state"),
        LayerIn(PROPOSED_HEADS, "heads as they are to stand"),
        LayerIn(WATER_CROSSINGS, "ways for water, for the drawings", required=False),
    ),
    outputs=(LayerOut(EARTHWORKS), LayerOut(GRADINGS), LayerOut(GRADING_POINTS)),
    files=(
        FileOut("design.tif", "raster", "level of the design surface where zones are graded"),
        FileOut("grading_points.csv", "table", "points to set out: easting, northing, existing, design, cut or fill"),
        FileOut(SETTING_OUT, "data", "the same points for instruments: number, northing, easting, level, code"),
        FileOut(SETTING_OUT_TEXT, "document", "what those points are: coordinate system, unit, datum, state, cautions"),
        FileOut("earthworks.xml", "data", "LandXML 1.2: design surfaces, breaklines, alignments, profiles, sections"),
        FileOut("earthworks.dxf", "drawing", "triangles, breaklines, points to set out, contours, sections, limits"),
        FileOut(
            "sheets/",
            "document",
            "drawings on A3: site plan, quantities, plans, long and cross-sections",
        ),
    ),
    order=50,
    citations=(
        "least earthwork: linear programme solved by HiGHS (Huangfu and Hall, Math. Prog. Comp. 10, 2018)",
        "volumes: Ghilani and Wolf, Elementary Surveying (average end area, prismoidal formula)",
        "LandXML 1.2 (LandXML.org); DXF R2010",
    ),
    cautions=(
        cautions.EARTHWORKS,
        cautions.DETECTION,
    ),
)
