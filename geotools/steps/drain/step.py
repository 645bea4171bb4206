"""Declaration of the drain step: beams and design surface in; ponds and flow across the beams out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import islice

import numpy as np
from geopandas import GeoDataFrame
from rasterio import Affine
from scipy import ndimage
from shapely import LineString, MultiPolygon, Point, get_coordinates

from geotools.detection.chains import perimeter_of
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.from_plan import CUT_FILL, design_of, surface_over
from geotools.earthwork.water import Pond, flood
from geotools.engine.step import LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.io.crs import metres_per_unit
from geotools.io.grids import outline
from geotools.plan import cautions, ids
from geotools.plan.schema import BEAMS, FENCE, FLOW_CROSSINGS, PONDS, ZONES
from geotools.plan.workspace import frame_of
from geotools.steps.drain.kernel import BESIDE_M, Piece, Water, water_around
from geotools.terrain.design import DesignSurface

Row = dict[str, object]

#: A low head this near to standing water is splashed and mirrored (common practice, no source).
SPLASH_REACH_M = 3.0
LOW_HEAD_M = 0.40
#: A stream bed raised by more than this holds water back, m (common practice, no source).
DAM_M = 0.05
#: Standing water added by grading that is worth a warning, m3.
POND_M3 = 0.1
#: How many times as far as asked a pond is followed, how far at most, m, and the cells that are taken together for it.
_WIDEST, _FURTHEST_M, _COARSE = 8, 400.0, 4
#: Zones whose surroundings are held at once.
_ZONES_AT_ONCE = 24


@dataclass
class _Window:
    """Grid cells around one zone."""

    zone_id: str
    transform: Affine
    level: np.ndarray
    change: np.ndarray
    along: np.ndarray
    side: np.ndarray
    mine: np.ndarray

    @property
    def moved(self) -> bool:
        """Whether grading moves anything here."""
        return bool(np.abs(self.change).max() > 1e-3)


def _reach_of_water(
    perimeter: Perimeter, surface: DesignSurface, zone_id: str, furthest: float, least_depth: float
) -> float:
    """How far from a zone's line the water reaches that stands beside it, before or after works, on coarse cells, m.

    A window that ends inside a hollow drains it: the hollow has to be seen whole before its window can be chosen.
    """
    line = perimeter.zones[zone_id].line
    side_m = _COARSE * surface.cell_m
    x0, x1 = sorted((line.x0, line.x1))
    y0, y1 = sorted((line.y0, line.y1))
    x = np.arange(x0 - furthest, x1 + furthest, side_m)[None, :]
    y = np.arange(y0 - furthest, y1 + furthest, side_m)[:, None]
    along, side = line.from_map(x, y)
    away = np.hypot(side, np.maximum(np.maximum(-along, along - line.length), 0.0))
    xx, yy = np.broadcast_arrays(x, y)
    near = away <= furthest
    ground = np.full(away.shape, np.nan)
    ground[near] = surface.terrain.sample(xx[near], yy[near])
    if not np.isfinite(ground).any():
        return 0.0
    change = surface.change_at(xx, yy)
    reach = 0.0
    for level in (ground, ground + change) if change.any() else (ground,):
        depth = np.nan_to_num(flood(level).filled - level)
        labels, _ = ndimage.label(depth > least_depth, np.ones((3, 3)))
        beside = np.unique(labels[(away <= BESIDE_M + side_m) & (labels > 0)])
        if len(beside):
            reach = max(reach, float(away[np.isin(labels, beside)].max()) + 2 * side_m)
    return reach


def _window(perimeter: Perimeter, surface: DesignSurface, zone_id: str, margin: float) -> _Window:
    """The cells within `margin` of a zone's line; `mine` are those no other zone's line is nearer to."""
    t = surface.transform
    line = perimeter.zones[zone_id].line
    low = np.array([min(line.x0, line.x1), min(line.y0, line.y1)]) - margin
    high = np.array([max(line.x0, line.x1), max(line.y0, line.y1)]) + margin
    (r1, r0), (c0, c1) = surface.locate([low[0], high[0]], [low[1], high[1]])
    rows, columns = np.arange(r0, r1 + 1), np.arange(c0, c1 + 1)
    x, y = surface.centres(rows[:, None], columns[None, :])
    along, side = line.from_map(x, y)
    away = np.hypot(side, np.maximum(np.maximum(-along, along - line.length), 0.0))
    mine = away <= margin
    for other in perimeter.neighbours(zone_id):
        near = perimeter.zones[other].line
        a, s = near.from_map(x, y)
        theirs = np.hypot(s, np.maximum(np.maximum(-a, a - near.length), 0.0))
        # of two equally near zones the first by name counts
        mine &= (away < theirs) if other < zone_id else (away <= theirs)
    xx, yy = np.broadcast_arrays(x, y)
    level = np.full(away.shape, np.nan)
    close = away <= margin
    level[close] = surface.terrain.sample(xx[close], yy[close])
    change = surface.change_at(xx, yy)
    corner = Affine(t.a, 0.0, t.c + c0 * t.a, 0.0, t.e, t.f + r0 * t.e)
    return _Window(zone_id, corner, level, change, along, side, mine)


def _area(window: _Window, cells: np.ndarray) -> MultiPolygon:
    mask = np.zeros(window.level.shape, bool)
    mask.ravel()[cells] = True
    return outline(mask, window.transform)


def _place(window: _Window, cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    row, column = np.unravel_index(cells, window.level.shape)
    t = window.transform
    return t.c + (column + 0.5) * t.a, t.f + (row + 0.5) * t.e


def _low_heads(beams: GeoDataFrame) -> list[tuple[str, Point]]:
    found = []
    for row in beams.itertuples():
        ends = get_coordinates(row.geometry)[[0, -1]]
        for name, height, place in zip(
            (row.tx_head_id, row.rx_head_id), (row.tx_height_m, row.rx_height_m), ends, strict=True
        ):
            if height <= LOW_HEAD_M:
                found.append((str(name), Point(place)))
    return sorted(found, key=lambda item: item[0])


def _pond_row(
    window: _Window, pond: Pond, state: str, number: int, heads: list[tuple[str, Point]], zones: str, unit: float
) -> Row:
    area = _area(window, pond.cells)
    x, y = _place(window, np.array([pond.pour]))
    splashed = [name for name, place in heads if area.distance(place) <= SPLASH_REACH_M]
    return {
        "pond_id": f"{ids.point_id(window.zone_id, 'P', number)}-{state}",
        "state": state,
        "zones": zones,
        "depth_m": pond.depth,
        "area_m2": pond.area,
        "volume_m3": pond.volume,
        "level_m": pond.level,
        "pour_x": float(x[0]) / unit,
        "pour_y": float(y[0]) / unit,
        "splash": " ".join(splashed) or None,
        "geometry": area,
    }


def _pond_rows(
    window: _Window,
    water: Water,
    state: str,
    perimeter: Perimeter,
    half: float,
    heads: list[tuple[str, Point]],
    unit: float,
) -> list[tuple[bool, tuple[str, int, int], Row]]:
    """Ponds that reach into a zone: whether no zone is nearer to the deepest place, what tells the pond, its row.

    The windows of several zones may hold the same pond.
    """
    rows: list[tuple[bool, tuple[str, int, int], Row]] = []
    for pond in water.ponds:
        deepest = pond.cells[np.argmin(window.level.ravel()[pond.cells])]
        deep_x, deep_y = _place(window, np.array([deepest]))
        key = (state, round(10 * float(deep_x[0])), round(10 * float(deep_y[0])))
        x, y = _place(window, pond.cells)
        wet = []
        for zone_id in (window.zone_id, *perimeter.neighbours(window.zone_id)):
            line = perimeter.zones[zone_id].line
            along, off = line.from_map(x, y)
            if ((np.abs(off) <= half) & (along >= 0) & (along <= line.length)).any():
                wet.append(zone_id)
        if wet:
            row = _pond_row(window, pond, state, len(rows) + 1, heads, " ".join(sorted(wet)), unit)
            rows.append((bool(window.mine.ravel()[deepest]), key, row))
    return rows


def _crossing_rows(window: _Window, water: Water, state: str) -> list[Row]:
    rows: list[Row] = []
    for crossing in water.crossings:
        if len(crossing.cells) < 2:
            continue
        x, y = _place(window, crossing.cells)
        rows.append(
            {
                "crossing_id": f"{ids.crossing_id(window.zone_id, len(rows) + 1)}-{state}",
                "zone_id": window.zone_id,
                "state": state,
                "chainage_m": crossing.chainage,
                "catchment_m2": crossing.catchment,
                "fall_permille": 1000.0 * crossing.fall,
                "geometry": LineString(np.c_[x, y]),
            }
        )
    return rows


def _dams(window: _Window, water: Water) -> list[str]:
    """Streams whose bed the grading raises: water held back beyond the ground looked at would not show as a pond."""
    said = []
    for crossing in water.crossings:
        raised = float(window.change.ravel()[crossing.cells].max())
        if raised > DAM_M:
            said.append(
                f"grading raises the bed of a stream by {raised:.2f} m at chainage {crossing.chainage:.0f} m of "
                f"{window.zone_id}; a pipe or a cut outlet is needed"
            )
    return said


def _looked_at(
    ctx: StepContext,
    perimeter: Perimeter,
    surface: DesignSurface,
    zones: Sequence[str],
    find: Callable[[Piece], Water],
) -> list[tuple[_Window, Water, Water]]:
    """For each zone its window, and its water now and after grading; windows grow until no pond is cut off by them."""
    asked = ctx.params["margin_m"]
    furthest, least = min(_WIDEST * asked, _FURTHEST_M), ctx.params["min_depth_m"] / 2
    margins = {z: max(asked, _reach_of_water(perimeter, surface, z, furthest, least)) for z in zones}
    found: dict[str, tuple[_Window, Water, Water]] = {}
    while todo := [z for z in zones if z not in found]:
        windows = [_window(perimeter, surface, z, margins[z]) for z in todo]
        pieces: list[Piece] = []
        for window in windows:
            length = perimeter.zones[window.zone_id].line.length
            grounds = [window.level, window.level + window.change] if window.moved else [window.level]
            pieces += [Piece(ground, window.along, window.side, length) for ground in grounds]
        waters = iter(ctx.map(find, pieces, f"water to zone {zones[-1]}"))
        for window in windows:
            now = next(waters)
            after = next(waters) if window.moved else now
            name = window.zone_id
            if (now.cut_off or after.cut_off) and margins[name] < furthest:
                margins[name] *= 2
                continue
            if now.cut_off or after.cut_off:
                ctx.warn(
                    f"water at {name} reaches beyond {margins[name]:.0f} m from the line: more stands than is told"
                )
            found[name] = window, now, after
    return [found[z] for z in zones]


def run(ctx: StepContext) -> StepResult:
    """Find standing and running water; see the manual beside this file."""
    beams = ctx.read(BEAMS)
    perimeter = perimeter_of(ctx.site, ctx.read, ctx.terrain)
    folder = ctx.workspace.folder
    graded = (folder / CUT_FILL).exists()
    if graded:
        surface = design_of(ctx.site, perimeter, ctx.terrain, folder, ctx.workspace.plan_crs)
    else:
        surface = surface_over(ctx.site, perimeter, ctx.terrain)
        ctx.say("no design surface yet: only the ground as it is was looked at")
    unit = metres_per_unit(ctx.workspace.plan_crs)
    half = ctx.site.detection.half_width_m
    heads = _low_heads(beams)
    told: dict[tuple[str, int, int], Row] = {}
    flow_rows: list[Row] = []
    dams: list[str] = []
    changed: list[str] = []
    find = partial(
        water_around,
        cell=surface.cell_m,
        min_depth=ctx.params["min_depth_m"],
        min_catchment=ctx.params["min_catchment_m2"],
    )
    names = iter(perimeter.zones)
    while some := list(islice(names, _ZONES_AT_ONCE)):
        for window, now, after in _looked_at(ctx, perimeter, surface, some, find):
            if window.moved and graded:
                changed.append(window.zone_id)
            for state, water in (("now", now), ("after", after))[: 2 if graded else 1]:
                for nearest, key, row in _pond_rows(window, water, state, perimeter, half, heads, unit):
                    if nearest or key not in told:
                        told[key] = row
                flow_rows += _crossing_rows(window, water, state)
            dams += _dams(window, now)
    pond_rows = list(told.values())
    for dam in dams:
        ctx.warn(dam)
    crs = ctx.workspace.work_crs
    return StepResult(
        layers={
            "ponds": frame_of(PONDS, pond_rows, crs),
            "flow_crossings": frame_of(FLOW_CROSSINGS, flow_rows, crs),
        },
        summary=_summary(ctx, pond_rows, flow_rows, changed),
    )


def _summary(ctx: StepContext, pond_rows: list[Row], flow_rows: list[Row], graded: list[str]) -> dict[str, object]:
    figures: dict[str, object] = {}
    for state in ("now", "after"):
        mine = [r for r in pond_rows if r["state"] == state]
        volume = sum(float(str(r["volume_m3"])) for r in mine)
        flows = sum(r["state"] == state for r in flow_rows)
        if mine or flows or state == "now":
            ctx.say(
                f"{state}: {len(mine)} pond(s) in the zones, {volume:.2f} m3; {flows} flow path(s) across the beams"
            )
        figures[state] = {"ponds": len(mine), "volume_m3": round(volume, 3), "flow_crossings": flows}
    for zone_id in graded:
        held = {
            state: [r for r in pond_rows if r["state"] == state and str(r["pond_id"]).startswith(f"{zone_id}-P")]
            for state in ("now", "after")
        }
        now, after = (sum(float(str(r["volume_m3"])) for r in held[state]) for state in ("now", "after"))
        if after > now + POND_M3:
            deepest = max(float(str(r["depth_m"])) for r in held["after"])
            ctx.warn(
                f"grading makes water stand at {zone_id}: {now:.2f} m3 now, {after:.2f} m3 after, {deepest:.2f} m "
                "deep; a pipe or a cut outlet is needed"
            )
    splashed = sorted({name for r in pond_rows if r["splash"] for name in str(r["splash"]).split()})
    if splashed:
        ctx.warn(f"low heads beside standing water, rain will splash them: {', '.join(splashed)}")
    return figures | {"splashed_heads": splashed}


STEP = Step(
    name="drain",
    title="Find standing and running water",
    summary="Where water stands in the zones and where it crosses the beams, now and on the design surface.",
    run=run,
    params=(
        Param(
            "margin_m",
            "real",
            "ground looked at beside the lines, more where a pond reaches on",
            20.0,
            "m",
            5,
            200,
        ),
        Param("min_depth_m", "real", "shallower ponds are left out", 0.03, "m", 0.005, 1),
        Param("min_catchment_m2", "real", "smaller streams are left out", 100.0, "m2", 1, 1e6),
    ),
    inputs=(
        LayerIn(FENCE, "which zones follow each other, and which side is inside"),
        LayerIn(ZONES, "the strips to examine"),
        LayerIn(BEAMS, "beam lines, low heads"),
    ),
    outputs=(LayerOut(PONDS), LayerOut(FLOW_CROSSINGS)),
    order=60,
    citations=(
        "depression filling: Barnes, Lehman and Mulla, Computers & Geosciences 62, 2014",
        "single-direction flow: O'Callaghan and Mark, Computer Vision, Graphics and Image Processing 28, 1984",
    ),
    cautions=(cautions.WATER,),
)
