"""Declaration of the grade step: advice in; design surface, earthworks and the engineer's files out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from shapely import Point

from geotools.detection.chains import perimeter_of
from geotools.detection.from_plan import zone_with
from geotools.detection.perimeter import Perimeter, ZoneSetup
from geotools.earthwork.from_plan import CUT_FILL, grade_settings, keep_mask, kept_areas, surface_over
from geotools.earthwork.sheets import write_sheets
from geotools.earthwork.works import MapUnits, Works
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.io.crs import metres_per_unit, unit_name
from geotools.io.grids import outline
from geotools.io.sparse_grid import SparseGrid
from geotools.plan.schema import BEAMS, EARTHWORKS, FENCE, GRADING_POINTS, GRADINGS, OPTIONS, ZONES
from geotools.plan.workspace import frame_of
from geotools.steps.grade.files import works_to_draw, write_drawings, write_points, write_rasters
from geotools.steps.grade.kernel import DEPTH_CLASSES, Graded, depth_classes, grade_zones, graded_points
from geotools.terrain.design import DesignSurface, SharedGround

Row = dict[str, object]


def _zones_to_grade(ctx: StepContext, perimeter: Perimeter) -> list[ZoneSetup]:
    """Zones whose recommended option moves earth, heads as that option has them; or every zone with dead ground."""
    if ctx.params["zones"] == "dead":
        wanted = [z for z in perimeter.zones if any(d.any() for d in perimeter.dead(z).values())]
        return [perimeter.zones[z] for z in wanted]
    options = ctx.read(OPTIONS)
    earth = options[options.option.str.contains("grade")]
    chosen = earth[earth.recommended.astype(bool)]
    if ctx.params["zones"] == "every":
        # the plain grading, where an option was tried at all
        chosen = earth.drop_duplicates("zone_id")
    found = []
    for row in chosen.sort_values("zone_id").itertuples():
        zone = perimeter.zones.get(row.zone_id)
        if zone is None:
            continue
        if row.option != "grade":  # heads that were moved or added first
            zone = zone_with(ctx.site, zone, row.level, (row.tx_height_m, row.rx_height_m))
        found.append(zone)
    return found


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
    _, _, area, depth = g.grading.volumes(g.grading.own(g.zone.zone_id))
    methods = list(work.volumes.values())
    cuts, fills = [m[0] for m in methods], [m[1] for m in methods]
    return {
        "zone_id": g.zone.zone_id,
        "proven": g.proven,
        "dead_before_m": g.dead_before_m,
        "dead_after_m": g.dead_after_m,
        "rounds": g.grading.rounds,
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


def _point_rows(ctx: StepContext, surface: DesignSurface, graded: Sequence[Graded]) -> list[Row]:
    reach = ctx.site.grading.under_m + ctx.site.grading.batter_m
    rows: list[Row] = []
    for g in graded:
        points = graded_points(surface, g.zone, reach, ctx.params["point_spacing_m"])
        for number, (along, off, existing, design) in enumerate(points, start=1):
            x, y = (float(v) for v in g.zone.line.to_map(along, off))
            rows.append(
                {
                    "point_id": f"{g.zone.zone_id}-G{number:03d}",
                    "zone_id": g.zone.zone_id,
                    "chainage_m": along,
                    "offset_m": off,
                    "existing_m": existing,
                    "design_m": design,
                    "cut_fill_m": design - existing,
                    "geometry": Point(x, y, design),
                }
            )
    return rows


def run(ctx: StepContext) -> StepResult:
    """Grade, prove and draw; see the manual beside this file."""
    site = ctx.site
    ground = SharedGround(ctx.terrain)
    perimeter = perimeter_of(site, ctx.read, ground)
    perimeter.solve_all()
    surface = surface_over(site, perimeter, ground)
    keep = keep_mask(kept_areas(site, ctx.read(FENCE), ctx.workspace.work_crs), surface)
    zones = _zones_to_grade(ctx, perimeter)

    def advance(done: int) -> None:
        ctx.progress(done, 2 * len(zones) + 1, "least earthwork")

    graded, _ = grade_zones(perimeter, surface, zones, grade_settings(site), keep=keep, progress=advance)
    works = works_to_draw(ctx, surface, graded)
    crs = ctx.workspace.plan_crs
    units = MapUnits(unit_name(crs), metres_per_unit(crs))
    points = _point_rows(ctx, surface, graded)
    write_rasters(ctx, surface, graded)
    write_points(ctx, points, units)
    write_drawings(ctx, surface, graded, works, units)
    ctx.progress(len(zones) + 1, 2 * len(zones) + 1, "sheets")
    sheets = write_sheets(ctx.scratch, site.name, works, site.input.vertical_datum or "not stated") if works else []
    rows = [_grading_row(g, work) for g, work in zip(graded, works, strict=True)]
    for g in graded:
        if not g.proven:
            ctx.warn(f"zone {g.zone.zone_id} is not proven clear: {g.grading.reason}")
    crs_m = ctx.workspace.work_crs
    files = ["design.tif", CUT_FILL, "grading_points.csv", "earthworks.xml", "earthworks.dxf", *sheets]
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
    proven = sum(bool(r["proven"]) for r in rows)
    ctx.say(f"{len(rows)} zones graded, {proven} proven clear; cut {cut:.1f} m3, fill {fill:.1f} m3")
    return {
        "zones": len(rows),
        "proven": proven,
        "cut_m3": round(cut, 2),
        "fill_m3": round(fill, 2),
    }


STEP = Step(
    name="grade",
    title="Grade the ground under the beams",
    summary="The least earthwork that closes the dead spots, proven by a new run, with everything to have it built.",
    run=run,
    params=(
        Param(
            "zones",
            "choice",
            "recommended: where the options say so; every: wherever grading was tried; dead: "
            "wherever there is dead ground",
            default="recommended",
            choices=("recommended", "every", "dead"),
        ),
        Param("point_spacing_m", "real", "distance of the rows of points to set out", 2.5, "m", 0.5, 50),
        Param("contour_m", "real", "contour interval of the drawing", 0.05, "m", 0.01, 5),
    ),
    inputs=(
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(FENCE, "ground beside it is left alone"),
        LayerIn(BEAMS, "heads and their heights"),
        LayerIn(OPTIONS, "which zones are to be graded"),
    ),
    outputs=(LayerOut(EARTHWORKS), LayerOut(GRADINGS), LayerOut(GRADING_POINTS)),
    files=(
        FileOut("design.tif", "raster", "level of the design surface where zones are graded"),
        FileOut(CUT_FILL, "raster", "fill (positive) and cut (negative)"),
        FileOut("grading_points.csv", "table", "points to set out: easting, northing, existing, design, cut or fill"),
        FileOut("earthworks.xml", "data", "LandXML 1.2: design surface, alignments, profiles, cross-sections"),
        FileOut("earthworks.dxf", "drawing", "contours, breaklines, sections, limits of the works"),
        FileOut("sheets/", "document", "long sections and cross-sections every 10 m, SVG pages and one PDF"),
    ),
    order=50,
    citations=(
        "least earthwork: linear programme solved by HiGHS (Huangfu and Hall, Math. Prog. Comp. 10, 2018)",
        "volumes: Ghilani and Wolf, Elementary Surveying (average end area, prismoidal formula)",
        "LandXML 1.2 (LandXML.org); DXF R2010",
    ),
    cautions=(
        "Locate buried services first; drainage, slopes and erosion are for a licensed civil "
        "engineer; local codes rule.",
        "A model is no acceptance: walk-test every zone.",
    ),
)
