"""Declaration of the stakeout step: a set-up sheet for every head."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import gpxpy.gpx
import numpy as np
import pyproj
from shapely import force_2d, force_3d

from geotools.detection.from_plan import head_types_of
from geotools.engine.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.errors import InputError
from geotools.io.tables import csv_text
from geotools.plan import cautions
from geotools.plan.rasters import PlanRaster
from geotools.plan.schema import BEAMS, FENCE, HEADS, PROPOSED_HEADS, STAKEOUT
from geotools.plan.workspace import frame_of
from geotools.plan.zones import zones_of_heads
from geotools.steps.stakeout.kernel import HeadAim, aim


def _partners(beams: gpd.GeoDataFrame) -> dict[str, str]:
    faces = dict(zip(beams["tx_head_id"], beams["rx_head_id"], strict=True))
    return faces | {rx: tx for tx, rx in faces.items()}


def _aims(heads: gpd.GeoDataFrame, faces: Mapping[str, str], crs: pyproj.CRS) -> HeadAim:
    """Aim of every head in the order of the layer."""
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
    return aim(xyz, target, convergence=factors.meridian_convergence, scale_factor=scale)


def _moved(ctx: StepContext, heads: gpd.GeoDataFrame) -> np.ndarray:
    """Fill (positive) or cut that grading plans at each head's post, m; 0 where none is planned."""
    works = PlanRaster.beside(ctx.workspace.folder, "cut_fill.tif", ctx.workspace.plan_crs)
    if works is None:
        return np.zeros(len(heads))
    moved = np.nan_to_num(works.sample(heads.geometry.x, heads.geometry.y))
    posts = heads.loc[np.abs(moved) > 0.0005, "post_id"].nunique()
    ctx.say(f"grading moves the ground at {posts} posts (cut_fill.tif beside the plan); levels are of finished ground")
    return moved


def _advised_heights(ctx: StepContext, heads: gpd.GeoDataFrame) -> np.ndarray:
    """Height of every head in the proposed state; as laid out where nothing is proposed.

    Ground that is graded was found clear with these heights: one is not to be built without the other.
    """
    laid_out = heads["height_m"].to_numpy(float)
    if not ctx.workspace.has(PROPOSED_HEADS):
        return laid_out
    proposed = ctx.read(PROPOSED_HEADS)
    new = sorted(set(proposed.loc[proposed["change"].isin(["added", "moved"]), "stands_for"]))
    if new:
        ctx.warn(
            f"{', '.join(new[:5])}: the proposed state splits them, adds heads or moves posts, which is not on this "
            "sheet: make the proposed state a site of its own with `geotools apply`, and stake that out"
        )
    advised = {(p.zone_id, p.level, p.role): p.height_m for p in proposed.itertuples()}
    keys = zip(heads["zone_id"], heads["level"], heads["role"], strict=True)
    heights = np.array([advised.get(key, height) for key, height in zip(keys, laid_out, strict=True)])
    changed = int((np.abs(heights - laid_out) > 0.0005).sum())
    if changed:
        ctx.say(f"{changed} heads at the heights of the proposed state, not as laid out (--no-advice leaves it out)")
    return heights


def _gpx(rows: list[dict[str, Any]], lonlat: np.ndarray) -> str:
    """Posts as waypoints for a hand-held receiver, one for each post."""
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "geotools-perimeter"
    gpx.name = "Posts to set out"
    gpx.description = "Hand-held receivers find the place; set posts out with the coordinates of the sheet."
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


def run(ctx: StepContext) -> StepResult:
    """Make the sheet; see the manual beside this file."""
    heads, beams = ctx.read(HEADS), ctx.read(BEAMS)
    crs = ctx.workspace.work_crs
    faces = _partners(beams)
    alone = sorted(set(heads["head_id"]) - set(faces))
    if alone:
        ctx.warn(f"heads without a partner are left out: {', '.join(alone[:5])}")
        heads = heads[heads["head_id"].isin(faces)].reset_index(drop=True)
    moved = np.zeros(len(heads))
    if ctx.params["advice"]:
        moved = _moved(ctx, heads)
        heads["height_m"] = _advised_heights(ctx, heads)
    axes = heads["ground_m"] + moved + heads["height_m"]
    heads = heads.set_geometry(force_3d(force_2d(heads.geometry.to_numpy()), axes), crs=crs)
    aims = _aims(heads, faces, crs)
    map_xy = heads.geometry.to_crs(ctx.workspace.plan_crs)
    kinds = ctx.site.all_head_types
    rows: list[dict[str, Any]] = []
    for i, head in enumerate(heads.itertuples()):
        turned = head.polarisation == "horizontal"
        ground = float(head.ground_m)
        finished = ground + float(moved[i])
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
    sheet = [{**row, "easting": f"{row['easting']:.3f}", "northing": f"{row['northing']:.3f}"} for row in rows]
    for row in sheet:
        row.update({k: round(v, 3) for k, v in row.items() if isinstance(v, float)})
    (ctx.scratch / "stakeout.csv").write_text(csv_text(STAKEOUT.field_names, sheet), encoding="utf-8-sig", newline="")
    (ctx.scratch / "stakeout.gpx").write_text(_gpx(rows, np.column_stack([lonlat.x, lonlat.y])), encoding="utf-8")
    # the fitter's picture must not show other heights than the fitter's table
    built = [{**row, "ground_m": row["finished_m"]} for row in rows]
    # drawing takes long to load, and whoever lists the steps does not draw
    from geotools.plan.stack_sheets import fence_tops, stack_sheets

    stack_sheets(
        ctx.scratch / "stacks.pdf",
        zones_of_heads(built, head_types_of(ctx.site)),
        ctx.site.name,
        fence_tops(ctx.read(FENCE)) if ctx.workspace.has(FENCE) else {},
        "to set up, heights above finished ground" if ctx.params["advice"] else "as laid out",
    )
    posts = {row["post_id"] for row in rows}
    if heads["channel"].isna().any():
        ctx.say("channels are not planned yet; run `geotools channels`, then this step again")
    ctx.say(f"{len(rows)} heads on {len(posts)} posts")
    return StepResult(
        layers={"stakeout": frame_of(STAKEOUT, rows, crs)},
        files=["stakeout.csv", "stakeout.gpx", "stacks.pdf"],
        summary={"heads": len(rows), "posts": len(posts)},
    )


STEP = Step(
    name="stakeout",
    title="Stakeout and set-up sheet",
    summary="Lists where each post stands, how high each head sits above finished ground, and where it is aimed.",
    run=run,
    params=(Param("advice", "flag", "Use the head heights and the grading of the proposed state.", True),),
    inputs=(
        LayerIn(HEADS, "position, height, polarisation and channel of every head"),
        LayerIn(BEAMS, "which head faces which"),
        LayerIn(FENCE, "its height, for the drawing", required=False),
        LayerIn(PROPOSED_HEADS, "head heights of the proposed state", required=False),
    ),
    outputs=(LayerOut(STAKEOUT),),
    files=(
        FileOut(
            "stakeout.csv",
            "table",
            "The sheet for the survey instrument and the fitter; UTF-8, cells safe in spreadsheets.",
        ),
        FileOut("stakeout.gpx", "data", "Posts as waypoints for a hand-held receiver (GPX 1.1, WGS 84)."),
        FileOut("stacks.pdf", "document", "Every post from the side, with the heights of this sheet.", updates=True),
    ),
    uses_terrain=False,
    order=70,
    citations=("PROJ: meridian convergence and point scale of the plan's projection", "GPX 1.1 schema"),
    cautions=(
        cautions.SERVICES,
        cautions.RADIO,
        "Hand-held receivers are metres off: set posts out with a survey instrument.",
    ),
)
