"""Declaration of the stakeout step: a set-up sheet for every head."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import gpxpy.gpx
import numpy as np
import numpy.typing as npt
import pyproj
from shapely import force_2d, force_3d

from geotools.detection.from_plan import head_types_of
from geotools.earthwork.state import PlannedState, planned_state
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import InputError
from geotools.io.crs import metres_per_unit
from geotools.io.tables import csv_text
from geotools.plan import cautions
from geotools.plan.paper_state import PaperState
from geotools.plan.point_sidecar import plan_datum, system_fields, system_words
from geotools.plan.schema import BEAMS, FENCE, HEADS, PROPOSED_HEADS, STAKEOUT, ZONES
from geotools.plan.workspace import frame_of
from geotools.plan.zones import zones_of_heads
from geotools.steps.stakeout.kernel import HeadAim, aim
from geotools.steps.stakeout.points import (
    CHECKS,
    ORDERS,
    POINTS,
    SIDECAR,
    checks_text,
    points_text,
    posts_of,
    sidecar_text,
)

HEAD_TABLE, WAYPOINTS, STACKS = "stakeout.csv", "stakeout.gpx", "stacks.pdf"
_CAUTION = f"{cautions.SERVICES} {cautions.EXPOSURE}"


def _partners(beams: gpd.GeoDataFrame) -> dict[str, str]:
    faces = dict(zip(beams["tx_head_id"], beams["rx_head_id"], strict=True))
    return faces | {rx: tx for tx, rx in faces.items()}


def _aims(
    heads: gpd.GeoDataFrame, faces: Mapping[str, str], crs: pyproj.CRS
) -> tuple[HeadAim, npt.NDArray[np.float64]]:
    """Aim of every head in the order of the layer, and the projection's point scale factor there, (n,)."""
    xyz = np.column_stack([heads.geometry.x, heads.geometry.y, heads.geometry.z])
    row = {head: i for i, head in enumerate(heads["head_id"])}
    lost = [head for head in row if faces.get(head) not in row]
    if lost:
        raise InputError(
            "a head faces none",
            where=f"layers heads and beams, head {lost[0]}",
            found=f"{len(lost)} heads without a beam to another head",
            expected="each head the transmitter or receiver of one beam",
            mend="run `geotools layout` again, or mend tx_head_id and rx_head_id in the layer beams",
        )
    target = xyz[[row[faces[head]] for head in row]]
    lon, lat = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(xyz[:, 0], xyz[:, 1])
    factors = pyproj.Proj(crs).get_factors(lon, lat)
    # the mean of the two point scales: equal on conformal grids, and near enough elsewhere over a hundred metres
    scale = 0.5 * (np.asarray(factors.meridional_scale) + np.asarray(factors.parallel_scale))
    return aim(xyz, target, convergence=factors.meridian_convergence, scale_factor=scale), scale


def _gpx(rows: list[dict[str, Any]], lonlat: np.ndarray, paper: PaperState) -> str:
    """Posts as waypoints for a hand-held receiver, one for each post."""
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "geotools-perimeter"
    gpx.name = "Posts to set out"
    gpx.description = (
        f"{paper.words}. Hand-held receivers find the place; set posts out with the coordinates of the sheet. "
        f"{_CAUTION} {cautions.SENSITIVE}"
    )
    seen: dict[str, gpxpy.gpx.GPXWaypoint] = {}
    for row, (lon, lat) in zip(rows, lonlat, strict=True):
        aimed = f"aim {row['true_azimuth_deg']:.1f} from true north, tilt {row['tilt_deg']:+.2f} degrees"
        line = f"{row['head_id']}: {row['height_m']:.2f} m, {aimed}"
        point = seen.get(row["post_id"])
        if point is None:
            point = gpxpy.gpx.GPXWaypoint(lat, lon, elevation=round(row["finished_m"], 3), name=row["post_id"])
            point.description = line
            seen[row["post_id"]] = point
            gpx.waypoints.append(point)
        else:
            point.description = f"{point.description}\n{line}"
    return gpx.to_xml(version="1.1")


def _say_state(ctx: StepContext, state: PlannedState) -> None:
    """Which state the papers show, and what it changes against the layout."""
    ctx.say(f"papers show the {state.paper.words}")
    posts = state.heads.loc[np.abs(state.moved_m) > 0.0005, "post_id"].nunique()
    if posts:
        ctx.say(
            f"grading moves the ground at {posts} posts (cut_fill.tif beside the plan); levels are of finished ground"
        )
    laid_out = ctx.read(HEADS).set_index("head_id")["height_m"]
    known = state.heads["head_id"].isin(laid_out.index)
    heights = state.heads.loc[known].set_index("head_id")["height_m"]
    changed = int((np.abs(heights - laid_out[heights.index]) > 0.0005).sum())
    if changed:
        ctx.say(f"{changed} heads at the heights of the proposed state, not as laid out (--state existing shows those)")
    stood = ctx.read(HEADS).set_index("head_id").geometry
    now = state.heads.loc[known].set_index("head_id").geometry
    away = sorted(name for name, place in now.items() if place.distance(stood[name]) > 0.005)
    if away:
        zones = sorted(set(state.heads.loc[state.heads["head_id"].isin(away), "zone_id"]))
        ctx.warn(
            f"the proposed state moves posts of {', '.join(zones[:5])}: set them out from these papers, not the layout"
        )
    added = sorted(set(state.heads.loc[~known, "zone_id"]))
    if added:
        ctx.say(f"the proposed state adds heads or splits zones: {', '.join(added[:5])} are on the sheet as proposed")


def _write(ctx: StepContext, name: str, text: str) -> None:
    coded = "utf-8-sig" if ctx.params["bom"] and name.endswith(".csv") else "utf-8"
    (ctx.scratch / name).write_text(text, encoding=coded, newline="")


def run(ctx: StepContext) -> StepResult:
    """Make the sheet; see the manual beside this file."""
    state = planned_state(ctx, ctx.params["state"])
    _say_state(ctx, state)
    heads, moved = state.heads, state.moved_m
    crs = ctx.workspace.work_crs
    faces = _partners(state.beams)
    alone = sorted(set(heads["head_id"]) - set(faces))
    if alone:
        ctx.warn(f"heads without a partner are left out: {', '.join(alone[:5])}")
        paired = heads["head_id"].isin(faces).to_numpy()
        heads, moved = heads[paired].reset_index(drop=True), moved[paired]
    axes = heads["ground_m"] + heads["height_m"]
    heads = heads.set_geometry(force_3d(force_2d(heads.geometry.to_numpy()), axes), crs=crs)
    aims, scale = _aims(heads, faces, crs)
    map_xy = heads.geometry.to_crs(ctx.workspace.plan_crs)
    kinds = ctx.site.all_head_types
    laid_out = {h.head_id: float(h.height_m) for h in ctx.read(HEADS).itertuples()}
    rows: list[dict[str, Any]] = []
    for i, head in enumerate(heads.itertuples()):
        turned = head.polarisation == "horizontal"
        finished = float(head.ground_m)
        ground = finished - float(moved[i])
        axis = finished + float(head.height_m)
        rows.append(
            {
                **{
                    name: getattr(head, name)
                    for name in ("head_id", "post_id", "zone_id", "role", "level", "head_type")
                },
                "easting": float(map_xy.iloc[i].x),
                "northing": float(map_xy.iloc[i].y),
                "ground_m": ground,
                "finished_m": finished,
                "earthwork_m": finished - ground,
                "height_m": float(head.height_m),
                "laid_out_height_m": laid_out.get(head.head_id),
                "axis_m": axis,
                "faces_head_id": faces[head.head_id],
                "grid_azimuth_deg": float(aims.grid_azimuth[i]),
                "true_azimuth_deg": float(aims.true_azimuth[i]),
                "tilt_deg": float(aims.tilt[i]),
                "distance_m": float(aims.ground_distance[i]),
                "polarisation": head.polarisation,
                "channel": head.channel,
                "turned": turned,
                "fitting": kinds[head.head_type].turned_fitting if turned else kinds[head.head_type].upright_fitting,
                "geometry": head.geometry,
            }
        )
    lonlat = heads.geometry.to_crs(4326)
    order, plan_crs, datum = (
        ctx.params["point_order"],
        ctx.workspace.plan_crs,
        plan_datum(ctx.workspace, ctx.site.input.vertical_datum),
    )
    said = {**state.paper.fields, **system_fields(plan_crs, datum), "caution": _CAUTION}
    sheet = [{**row, "easting": f"{row['easting']:.3f}", "northing": f"{row['northing']:.3f}"} for row in rows]
    for row in sheet:
        row.update({k: round(v, 3) for k, v in row.items() if isinstance(v, float)})
        row.update(said)
    _write(ctx, HEAD_TABLE, csv_text([*STAKEOUT.field_names, *said], sheet))
    points = posts_of(rows, scale.tolist())
    _write(ctx, POINTS, points_text(points, plan_crs, order))
    fences = ctx.read(FENCE)
    closed = {str(f.fence_id) for f in fences.itertuples() if f.geometry.is_closed}
    _write(ctx, CHECKS, checks_text(points, plan_crs, state.paper, closed))
    _write(ctx, SIDECAR, sidecar_text(points, plan_crs, datum, state.paper, f"{ctx.site.name}", order))
    if datum == "not stated":
        ctx.warn("the vertical datum is not stated: set input.vertical_datum before levels are set out")
    _write(ctx, WAYPOINTS, _gpx(rows, np.column_stack([lonlat.x, lonlat.y]), state.paper))
    # the fitter's picture must not show other heights than the fitter's table
    built = [{**row, "ground_m": row["finished_m"]} for row in rows]
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.plan.stack_sheets import StackPaper, fence_tops, stack_sheets

    stack_sheets(
        ctx.scratch / "stacks.pdf",
        zones_of_heads(built, head_types_of(ctx.site)),
        ctx.site.name,
        fence_tops(ctx.read(FENCE)) if ctx.workspace.has(FENCE) else {},
        state.paper.words,
        laid_out,
        StackPaper(ctx.site.recipient, metres_per_unit(plan_crs), system_words(plan_crs, datum)),
    )
    posts = {row["post_id"] for row in rows}
    if heads["channel"].isna().any():
        ctx.say("channels are not planned yet; run `geotools channels`, then this step again")
    ctx.say(f"{len(rows)} heads on {len(posts)} posts")
    return StepResult(
        layers={"stakeout": frame_of(STAKEOUT, rows, crs)},
        files=[HEAD_TABLE, POINTS, SIDECAR, CHECKS, WAYPOINTS, STACKS],
        summary={"heads": len(rows), "posts": len(posts), "state": state.paper.words},
    )


STEP = Step(
    name="stakeout",
    title="Stakeout and set-up sheet",
    summary="Lists where each post stands, how high each head sits above finished ground, and where it is aimed.",
    run=run,
    params=(
        Param(
            "state",
            "choice",
            "State to set out. Left out: as sheets.state of the site file says.",
            choices=("proposed", "existing"),
        ),
        Param(
            "point_order",
            "choice",
            "Order of northing and easting in the point file: PNEZ for satellite receivers, PENZ for total stations.",
            "PNEZ",
            choices=tuple(ORDERS),
        ),
        Param(
            "bom",
            "flag",
            "Begin tables with a byte order mark; instruments refuse it, some spreadsheets need it.",
            False,
        ),
    ),
    inputs=(
        LayerIn(HEADS, "position, height, polarisation and channel of every head"),
        LayerIn(BEAMS, "which head faces which"),
        LayerIn(FENCE, "its height, for the drawing, and the zones of the proposed state", required=False),
        LayerIn(ZONES, "the zones of the proposed state", required=False),
        LayerIn(PROPOSED_HEADS, "heads of the proposed state", required=False),
    ),
    outputs=(LayerOut(STAKEOUT),),
    files=(
        FileOut(
            HEAD_TABLE, "table", "The head table for the fitter, one row a head; UTF-8, cells safe in spreadsheets."
        ),
        FileOut(
            POINTS, "table", "Posts for the survey instrument, one row a post: point, northing, easting, level, code."
        ),
        FileOut(SIDECAR, "document", "What the points are: coordinate system, unit, vertical datum, state, cautions."),
        FileOut(CHECKS, "table", "Distances between posts to check after setting out, on the grid and on the ground."),
        FileOut(WAYPOINTS, "data", "Posts as waypoints for a hand-held receiver (GPX 1.1, WGS 84)."),
        FileOut(STACKS, "document", "Every post from the side, with the heights of this sheet.", updates=True),
    ),
    order=70,
    citations=("PROJ: meridian convergence and point scale of the plan's projection", "GPX 1.1 schema"),
    cautions=(
        cautions.SERVICES,
        cautions.RADIO,
        cautions.EXPOSURE,
        "Hand-held receivers are metres off: set posts out with a survey instrument.",
    ),
)
