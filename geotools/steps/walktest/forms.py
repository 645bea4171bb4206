"""The forms of a walk test: table, workbook, field app, waypoints; each says its state and its cautions."""

from __future__ import annotations

import shutil
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import gpxpy.gpx

from geotools.engine.step import StepContext
from geotools.io.spreadsheet import SheetTable, write_xlsx
from geotools.io.tables import csv_text
from geotools.plan import cautions
from geotools.plan.paper_state import PaperState
from geotools.plan.point_sidecar import plan_datum, system_fields
from geotools.plan.schema import WALK_PLAN
from geotools.plan.workspace import Workspace
from geotools.steps.walktest.effort import effort_words, fewest_words, stop_words
from geotools.steps.walktest.reading import FILLED
from geotools.steps.walktest.worth_fitting import FITTING_M

__all__ = ["FORM_CSV", "FORM_GPKG", "FORM_GPX", "FORM_XLSX", "LASTING", "write_forms"]

FORM_CSV, FORM_XLSX, FORM_GPKG, FORM_GPX = "walk_test.csv", "walk_test.xlsx", "walk_test.gpkg", "walk_test.gpx"
LASTING = "A walk test holds for the zone as it was that day: grass, snow, water and moved earth change it."
_CAUTION = f"{cautions.ALARM_STATION} {cautions.EXPOSURE}"
_SHORT = {"modulation": 3, "chainage_m": 2, "from_post_m": 2, "speed_m_s": 2}
_MAP = ("start_easting", "start_northing", "end_easting", "end_northing")


def _table_rows(rows: Sequence[dict[str, Any]], paper: PaperState, more: dict[str, str]) -> list[dict[str, Any]]:
    said = {**{k: v for k, v in paper.fields.items() if k != "state"}, **more}
    return [
        {**row, **{name: round(row[name], digits) for name, digits in _SHORT.items() if row[name] is not None}, **said}
        for row in sorted(rows, key=lambda r: r["walk_order"])
    ]


def write_forms(
    ctx: StepContext,
    frame: gpd.GeoDataFrame,
    rows: list[dict[str, Any]],
    paper: PaperState,
    head_fit: tuple[str, Collection[str]],
) -> list[str]:
    """Write every form into the step's folder, in the order to walk, and hand back their names.

    Parameters
    ----------
    ctx : StepContext
        Of the step.
    frame : GeoDataFrame
        Layer walk_test.
    rows : list of dict
        The same as rows.
    paper : PaperState
        What the forms say of the state.
    head_fit : (str, collection of str)
        Which zones are worth the dense crossings that show how heads hang, in words and by name.
    """
    stop = stop_words(ctx.site)
    datum = plan_datum(ctx.workspace, ctx.site.input.vertical_datum)
    system = system_fields(ctx.workspace.plan_crs, datum)
    more = {"stop": stop, **{k: system[k] for k in ("coordinate_system", "map_unit")}, "caution": _CAUTION}
    dense = {zone: f"a crossing each {FITTING_M:g} m shows how its heads hang" for zone in head_fit[1]}
    table = [{**row, "head_heights": dense.get(row["zone_id"], "")} for row in _table_rows(rows, paper, more)]
    columns = [*WALK_PLAN.field_names, "head_heights", *(name for name in paper.fields if name != "state"), *more]
    exact = ({**row, **{name: f"{row[name]:.3f}" for name in _MAP}} for row in table)
    (ctx.scratch / FORM_CSV).write_text(csv_text(columns, exact), encoding="utf-8-sig", newline="")
    about = [
        ("state", paper.words),
        ("coordinates", f"{system['coordinate_system']}, {system['map_unit']}; lengths are metres"),
        ("effort", effort_words(ctx.site, rows)),
        ("to fill in", "result (detected or missed), walked_on (2027-05-03 or 3.5.2027), walker, note"),
        ("walked elsewhere", "correct chainage_m: the distance from the transmitter post; other edits are not read"),
        ("stop early", stop),
        ("why so many", fewest_words(ctx.site)),
        ("head heights", head_fit[0]),
        *(("caution", text) for text in (cautions.ALARM_STATION, cautions.EXPOSURE, LASTING, cautions.SENSITIVE)),
    ]
    # in place: a line of a hundred kilometres has a hundred thousand crossings, each some kilobytes in every copy
    for row in table:
        row.update({name: round(row[name], 3) for name in _MAP})
    write_xlsx(
        ctx.scratch / FORM_XLSX,
        [
            SheetTable("walk_test", columns, table, {"result": ("detected", "missed")}, FILLED),
            SheetTable("about", ("what", "says"), [{"what": a, "says": b} for a, b in about]),
        ],
        ctx.site.recipient,
    )
    form = Workspace(ctx.scratch / "form", ctx.workspace.plan_crs)
    form.write({WALK_PLAN: frame})
    shutil.move(form.plan, ctx.scratch / FORM_GPKG)
    _write_gpx(ctx.scratch / FORM_GPX, frame.to_crs(4326), paper)
    return [FORM_CSV, FORM_XLSX, FORM_GPKG, FORM_GPX]


def _write_gpx(path: Path, frame: gpd.GeoDataFrame, paper: PaperState) -> None:
    """Where each crossing starts as a waypoint, and a route over them in the order to walk."""
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "geotools-perimeter"
    gpx.name = "Walk test"
    offset = "Hand-held receivers are metres off: measure from the named post."
    gpx.description = f"{paper.words}. {offset} {_CAUTION} {cautions.SENSITIVE}"
    route = gpxpy.gpx.GPXRoute(name="Order to walk")
    for row in frame.sort_values("walk_order").itertuples():
        lon, lat = row.geometry.coords[0][:2]
        point = gpxpy.gpx.GPXWaypoint(lat, lon, name=row.crossing_id)
        point.description = (
            f"{row.from_post_m:.1f} m from post {row.from_post}, {row.direction}, as {row.threat} at "
            f"{row.speed_m_s:g} m/s, facing {row.face_head_id}"
        )
        gpx.waypoints.append(point)
        route.points.append(gpxpy.gpx.GPXRoutePoint(lat, lon, name=f"{row.walk_order} {row.crossing_id}"))
    gpx.routes.append(route)
    path.write_text(gpx.to_xml(version="1.1"), encoding="utf-8")
