"""Declaration of the layout step: fence in; corridor, zones, heads, beams, free widths and broken rules out."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
import shapely
from shapely import LineString, MultiPolygon, unary_union

from geotools.bandgrid import BandGrid
from geotools.errors import InputError, StepError
from geotools.figures import read_figures
from geotools.imaging import DENSITY_CLASSES, Sensor, longest_distance_m
from geotools.planned import head_type_of
from geotools.posts import PlannedHead, PlannedZone, beam_rows, head_rows, zone_row
from geotools.schema import BEAMS, CLEAR_GROUND, CONFLICTS, CORRIDOR, FENCE, HEADS, WIDTHS, ZONES
from geotools.sheets import stack_sheets
from geotools.site import Level
from geotools.step import FileOut, LayerIn, LayerOut, Param, Step, StepContext, StepResult
from geotools.steps.layout.checks import Conflict, Limits
from geotools.steps.layout.edges import Prices, ZoneRules
from geotools.steps.layout.judge import Judge
from geotools.steps.layout.kept import kept_zones
from geotools.steps.layout.kernel import Needs, gate_stretch, lay_out
from geotools.steps.layout.picture import plan_picture
from geotools.steps.layout.usable import Course, courses
from geotools.steps.layout.width import FreeWidth, beam_half_width, free_width, narrow_stretches
from geotools.workspace import frame_of

Row = dict[str, Any]
#: Spacing of the free widths that are written out.
_WIDTH_STEP_M = 5.0


class _Layout:
    """One run: what the site asks for, and the ground it lies on."""

    def __init__(self, ctx: StepContext) -> None:
        self.ctx = ctx
        self.site, self.settings = ctx.site, ctx.site.layout
        self.levels: tuple[Level, ...] = ctx.site.stack_levels()
        self.kinds = {name: head_type_of(ctx.site, name) for name in ctx.site.all_head_types}
        self.bands = {name: kind.frequency_hz / 1e9 for name, kind in self.kinds.items()}
        self.judge = Judge(ctx.site, self.kinds)

    @cached_property
    def frequency_hz(self) -> float:
        """Of the widest beam of the stack."""
        return min(self.kinds[level.head_type].frequency_hz for level in self.levels)

    @cached_property
    def longest_m(self) -> float:
        """Longest zone: as the site asks, within the heads' range, and what a camera with the longest lens assesses."""
        c = self.site.cameras
        sensor = Sensor(c.sensor_width_mm, c.sensor_height_mm, c.width_px, c.height_px)
        assessed = float(longest_distance_m(sensor, max(c.lenses_mm), DENSITY_CLASSES[c.wanted_class]))
        ranges = [self.site.all_head_types[level.head_type].max_range_m for level in self.levels]
        return min(self.settings.max_zone_m, assessed, *ranges)

    @cached_property
    def limits(self) -> Limits:
        """The rules that zones are checked by."""
        s = self.settings
        return Limits(
            longest_m=self.longest_m,
            shortest_m=s.min_zone_m,
            overlap_m=s.overlap_m,
            stagger_m=self.stagger_m,
            fresnel_zones=s.fresnel_zones,
            margin_m=s.margin_m,
            post_clear_m=s.post_clear_m,
            frequency_hz=self.frequency_hz,
        )

    def courses(self) -> list[Course]:
        """What is laid out along."""
        rows = self.ctx.read(FENCE)[["fence_id", "geometry"]].itertuples(index=False, name=None)
        flat = {str(name): LineString(shapely.get_coordinates(line)) for name, line in rows}
        fences = {name: shapely.remove_repeated_points(line) for name, line in flat.items()}
        i = self.site.input
        blocks = []
        if i.keep_outs is not None:
            path = self.site.path(i.keep_outs)
            blocks = read_figures(
                path,
                "keep-outs",
                "input.keep_outs",
                self.ctx.workspace.work_crs,
                layer=i.keep_outs_layer,
                crs=i.keep_outs_crs,
            )
        return courses(
            fences,
            side=self.settings.side,
            setback_m=self.settings.setback_m,
            clear_m=self.settings.clear_m,
            end_m=self.settings.post_clear_m + 1.0,
            keep_outs=blocks,
        )

    def gates(self, found: Sequence[Course]) -> dict[str, list[tuple[float, float]]]:
        """Stretches of each course's line that get a zone of their own."""
        i = self.site.input
        stretches: dict[str, list[tuple[float, float]]] = {course.fence_id: [] for course in found}
        if i.gates is None:
            return stretches
        shapes = read_figures(
            self.site.path(i.gates),
            "gates",
            "input.gates",
            self.ctx.workspace.work_crs,
            layer=i.gates_layer,
            crs=i.gates_crs,
        )
        for number, gate in enumerate(shapes, start=1):
            course = min(found, key=lambda c: c.fence.distance(gate))
            if course.fence.distance(gate) > self.settings.setback_m + self.settings.clear_m:
                raise InputError(
                    "a gate lies away from every fence",
                    where=f"{i.gates}, feature {number}",
                    found=f"{course.fence.distance(gate):.1f} m from fence line {course.fence_id}",
                    mend="draw the gate across its opening in the fence",
                )
            start, end = gate_stretch(course, gate, self.settings.gate_margin_m)
            stretches[course.fence_id].append(self._lengthened(course, start, end))
        return stretches

    def _lengthened(self, course: Course, start: float, end: float) -> tuple[float, float]:
        """A gate's stretch made long enough for a zone of the stack's heads."""
        least = max(
            [self.settings.min_zone_m, *(self.site.all_head_types[x.head_type].min_range_m for x in self.levels)]
        )
        length = course.line.length
        span = (end - start) % length if course.line.is_closed else end - start
        lack = max(0.0, least - 2 * self.extension_m - span) / 2
        if course.line.is_closed:
            return (start - lack) % length, (end + lack) % length
        return max(0.0, start - lack), min(length, end + lack)

    @cached_property
    def extension_m(self) -> float:
        """How far beams run past a junction: half the overlap asked for, or the dead spot and half a metre."""
        dead = self.judge.run_past_m(self.judge.stack_of(self.levels), self.longest_m)
        return max(self.settings.overlap_m / 2, dead + 0.5)

    @cached_property
    def stagger_m(self) -> float:
        """Sideways distance of posts in line: as asked, but no more than what the two zones see there closes well."""
        stack = self.judge.stack_of(self.levels)
        distance, half = self.judge.seen_m(stack, self.longest_m)
        return min(self.settings.stagger_m, 1.5 * float(np.interp(self.extension_m, distance, half)))

    def needs(self, course: Course) -> Needs:
        """What the kernel is asked for on one course."""
        s, prices = self.settings, self.site.prices
        tolerance = [self.site.all_targets[threat].straightness_m for threat in self.site.threats]
        setback, clear = s.setback_m, s.clear_m
        if s.side == "between":
            stations = np.linspace(0.0, course.line.length, max(int(course.line.length / 10), 8))
            setback = float(np.median(free_width(course.line, course.obstacles, stations).total)) / 2
            clear = 2 * setback
        rules = ZoneRules(
            longest_m=self.longest_m,
            shortest_m=s.min_zone_m,
            wanted_m=max(self.site.all_head_types[level.head_type].min_range_m for level in self.levels),
            extension_m=self.extension_m,
            frequency_hz=self.frequency_hz,
            stagger_m=self.stagger_m,
            fresnel_zones=s.fresnel_zones,
            margin_m=s.margin_m,
            post_clear_m=s.post_clear_m,
            straight_m=min([t for t in tolerance if t is not None], default=0.15),
            graded_width_m=2 * self.site.grading.under_m,
        )
        zone = 2 * (len(self.levels) * prices.head + prices.post)
        weights = Prices(zone, zone / 2, (prices.cut_m3 + prices.fill_m3) / 2, s.dead_ground_m)
        return Needs(rules, weights, setback, clear, s.station_m, self.kinds[self.levels[0].head_type].beamwidth_az_deg)

    def level_at(self, x: float, y: float) -> float:
        """Ground level at a post; InputError where it is unknown."""
        level = float(self.ctx.terrain.sample([x], [y])[0])
        if not np.isfinite(level):
            raise InputError(
                "a post would stand where the terrain has no data",
                where=f"x {x:.2f} y {y:.2f} m",
                mend="give a raster that covers the corridor, or change layout.setback_m",
            )
        return level

    def design(self, course: Course, gates: Sequence[tuple[float, float]]) -> list[PlannedZone]:
        """Zones of one course by the optimiser."""
        needs = self.needs(course)
        spine = shapely.get_coordinates(shapely.segmentize(course.line, 4.0))
        reach = 2 * self.extension_m + needs.clear_m
        ground = BandGrid(spine, reach, self.ctx.terrain.sample, cell_m=max(1.0, self.ctx.terrain.cell_m))
        stations = np.arange(0.0, course.line.length, 1.0)
        along = shapely.get_coordinates(shapely.line_interpolate_point(course.line, stations))
        profile = (stations, np.nan_to_num(ground(along[:, 0], along[:, 1])))
        posted, kept_clear = lay_out(course, needs, ground=ground, profile=profile, gates=gates)
        if kept_clear < self.settings.fresnel_zones:
            self.ctx.warn(
                f"fence line {course.fence_id}: the corridor is too narrow for the whole beam somewhere; laid out with "
                f"{kept_clear:g} of the first Fresnel zone clear. Layer conflicts names the zones"
            )
        zones = []
        for number, zone in enumerate(posted, start=1):
            zone_id = f"{course.fence_id}-Z{number:03d}"
            heads = []
            for at_start, (x, y) in ((True, zone.start), (False, zone.end)):
                level_m = self.level_at(float(x), float(y))
                sends = zone.starts_with_tx == at_start
                heads += [
                    PlannedHead(
                        f"{zone_id}-{'TX' if sends else 'RX'}-{level.level}",
                        level.level,
                        level.head_type,
                        self.bands[level.head_type],
                        at_start,
                        sends,
                        float(x),
                        float(y),
                        level_m,
                        level.height_m,
                        str(level.polarisation),
                    )
                    for level in self.levels
                ]
            zones.append(PlannedZone(zone_id, course.fence_id, number, tuple(heads), zone.earthwork_m3, zone.dead_m))
        return zones

    def keep(self, found: Sequence[Course]) -> dict[str, list[PlannedZone]]:
        """Zones of all courses as the heads stand in the plan."""
        if not self.ctx.workspace.has(HEADS):
            raise StepError(
                "there are no heads to keep",
                where=self.ctx.workspace.plan,
                mend="run `geotools layout` without --keep first, then edit its layer heads",
            )
        zones = self.ctx.read(ZONES).to_dict("records") if self.ctx.workspace.has(ZONES) else []
        return kept_zones(
            self.ctx.read(HEADS).to_dict("records"),
            found,
            fence_of={row["zone_id"]: row["fence_id"] for row in zones},
            number_of={row["zone_id"]: int(row["number"]) for row in zones if row["number"] == row["number"]},
            bands=self.bands,
            level_at=self.level_at,
        )

    def widths(self, course: Course) -> FreeWidth:
        """Free width at every few metres."""
        count = max(int(np.ceil(course.line.length / _WIDTH_STEP_M)), 1) + (not course.line.is_closed)
        stations = np.linspace(0.0, course.line.length, count, endpoint=not course.line.is_closed)
        edge = course.ground.boundary
        return free_width(
            course.line, [*course.obstacles, edge], stations, reach_m=2 * max(self.settings.clear_m, 10.0)
        )


def _junctions(zones: Sequence[PlannedZone], *, closed: bool) -> list[tuple[str | None, str | None]]:
    """Names of the junctions at both ends of every zone."""
    count = len(zones)
    names: list[tuple[str | None, str | None]] = []
    for k in range(count):
        before = f"{zones[k].fence_id}-J{k:03d}" if k else (f"{zones[k].fence_id}-J{count:03d}" if closed else None)
        after = f"{zones[k].fence_id}-J{k + 1:03d}" if k < count - 1 or closed else None
        names.append((before, after))
    return names


def _conflict_rows(conflicts: Sequence[Conflict]) -> list[Row]:
    rows, times = [], dict[str, int]()
    for conflict in conflicts:
        stem = f"{conflict.rule.replace(' ', '-')}/{conflict.zone_id.replace(' ', '+')}"
        times[stem] = times.get(stem, 0) + 1
        rows.append(
            {
                "conflict_id": stem if times[stem] == 1 else f"{stem}/{times[stem]}",
                "step": "layout",
                "rule": conflict.rule,
                "zone_id": conflict.zone_id,
                "head_ids": " ".join(conflict.heads),
                "found": conflict.found,
                "expected": conflict.expected,
                "mend": conflict.mend,
                "geometry": shapely.Point(conflict.at),
            }
        )
    return rows


def _width_rows(course: Course, widths: FreeWidth, needed: float) -> list[Row]:
    line = course.line
    at = shapely.get_coordinates(shapely.line_interpolate_point(line, widths.chainage))
    ahead = (
        np.mod(widths.chainage + 0.05, line.length)
        if line.is_closed
        else np.minimum(widths.chainage + 0.05, line.length)
    )
    behind = np.mod(widths.chainage - 0.05, line.length) if line.is_closed else np.maximum(widths.chainage - 0.05, 0.0)
    d = shapely.get_coordinates(shapely.line_interpolate_point(line, ahead)) - shapely.get_coordinates(
        shapely.line_interpolate_point(line, behind)
    )
    d /= np.maximum(np.hypot(d[:, 0], d[:, 1]), 1e-9)[:, None]
    left = np.column_stack([-d[:, 1], d[:, 0]])
    rows = []
    for k, s in enumerate(widths.chainage):
        total = float(widths.total[k])
        a, b = at[k] + widths.left[k] * left[k], at[k] - widths.right[k] * left[k]
        rows.append(
            {
                "width_id": f"{course.fence_id}-W{k + 1:04d}",
                "fence_id": course.fence_id,
                "chainage_m": float(s),
                "left_m": float(widths.left[k]),
                "right_m": float(widths.right[k]),
                "width_m": total,
                "needed_m": needed,
                "enough": "yes" if total >= needed else "no",
                "geometry": LineString([a, b] if total > 1e-6 else [a - 0.01 * left[k], a + 0.01 * left[k]]),
            }
        )
    return rows


def _areas(shape: shapely.Geometry) -> MultiPolygon:
    return MultiPolygon([part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"])


def run(ctx: StepContext) -> StepResult:
    """Lay out every fence line, or judge the heads as they stand; see the manual beside this file."""
    layout = _Layout(ctx)
    found = layout.courses()
    gates = layout.gates(found)
    kept = layout.keep(found) if ctx.params["keep"] else None
    half = ctx.site.detection.half_width_m
    middle = layout.longest_m / 2
    needed = 2 * (
        float(beam_half_width(middle, middle, layout.frequency_hz, zones=layout.settings.fresnel_zones))
        + layout.settings.margin_m
    )
    rows: dict[str, list[Row]] = {
        name: [] for name in ("corridor", "zones", "heads", "beams", "clear_ground", "widths")
    }
    conflicts: list[Conflict] = []
    everything: list[PlannedZone] = []
    for done, course in enumerate(found):
        ctx.progress(done, len(found), f"fence line {course.fence_id}")
        zones = kept[course.fence_id] if kept is not None else layout.design(course, gates[course.fence_id])
        closed = bool(course.line.is_closed)
        everything += zones
        for zone, junctions in zip(zones, _junctions(zones, closed=closed), strict=True):
            rows["heads"] += head_rows(zone, junctions)
            rows["beams"] += beam_rows(zone)
            rows["zones"].append(zone_row(zone, course.fence, half))
        conflicts += layout.judge.chain(zones, course.ground, layout.limits, closed=closed)
        widths = layout.widths(course)
        narrow = narrow_stretches(widths.chainage, widths.total, needed)
        for stretch in narrow:
            at = course.line.interpolate(stretch.worst_at)
            conflicts.append(
                Conflict(
                    "corridor too narrow",
                    course.fence_id,
                    (),
                    (at.x, at.y),
                    f"{stretch.width:.2f} m wide at chainage {stretch.worst_at:.1f} m, too narrow from "
                    f"{stretch.start:.1f} to {stretch.end:.1f} m",
                    f"{needed:.2f} m for the longest zone at its middle",
                    "shorter zones there, a stack of a higher band, or more clear ground",
                )
            )
        area = unary_union([row["geometry"] for row in rows["zones"] if row["fence_id"] == course.fence_id])
        rows["corridor"].append(
            {
                "corridor_id": f"{course.fence_id}-C",
                "fence_id": course.fence_id,
                "half_width_m": half,
                "area_m2": area.area,
                "least_width_m": float(widths.total.min()),
                "narrow_m": sum(stretch.end - stretch.start for stretch in narrow),
                "geometry": _areas(area),
            }
        )
        rows["clear_ground"].append(
            {"fence_id": course.fence_id, "area_m2": course.ground.area, "geometry": _areas(course.ground)}
        )
        rows["widths"] += _width_rows(course, widths, needed)
    conflicts += layout.judge.stacks(everything)
    conflict_rows = _conflict_rows(conflicts)
    files = ["plan.png", "stacks.pdf"]
    plan_picture(ctx.scratch / files[0], found, everything, conflict_rows, ctx.site.name)
    stack_sheets(ctx.scratch / files[1], everything, ctx.site.name, ctx.site.fence_height_m)
    _say(ctx, layout, everything, conflicts)
    crs = ctx.workspace.work_crs
    schemas = {s.name: s for s in (CORRIDOR, ZONES, HEADS, BEAMS, CLEAR_GROUND, WIDTHS, CONFLICTS)}
    rows["conflicts"] = conflict_rows
    return StepResult(
        layers={name: frame_of(schema, rows[name], crs) for name, schema in schemas.items()},
        files=files,
        summary={
            "zones": len(rows["zones"]),
            "heads": len(rows["heads"]),
            "beams": len(rows["beams"]),
            "posts": 2 * len(rows["zones"]),
            "longest_zone_m": round(max((row["length_m"] for row in rows["zones"]), default=0.0), 3),
            "run_past_junctions_m": round(layout.extension_m, 3),
            "broken_rules": len(conflict_rows),
            "kept": kept is not None,
        },
    )


def _say(ctx: StepContext, layout: _Layout, zones: Sequence[PlannedZone], conflicts: Sequence[Conflict]) -> None:
    levels = " ".join(level.level for level in layout.levels)
    heads = sum(len(zone.heads) for zone in zones)
    ctx.say(
        f"{len(zones)} zones, {heads} heads, levels {levels}; beams run {layout.extension_m:.1f} m past each junction"
    )
    counts: dict[str, int] = {}
    for conflict in conflicts:
        counts[conflict.rule] = counts.get(conflict.rule, 0) + 1
    for rule, count in sorted(counts.items()):
        where = sorted({conflict.zone_id for conflict in conflicts if conflict.rule == rule})
        shown = ", ".join(where[:4]) + (f" and {len(where) - 4} more" if len(where) > 4 else "")
        ctx.warn(f"{rule}: {count} ({shown}); see layer conflicts")


STEP = Step(
    name="layout",
    title="Lay out zones and heads",
    summary="Finds the cheapest zones along the fence, sets stacked heads at both ends of each, and checks every rule.",
    run=run,
    params=(
        Param(
            "keep",
            "flag",
            "take the heads as they stand in the plan (edited in a GIS) and only check them against the rules",
            default=False,
        ),
    ),
    inputs=(
        LayerIn(FENCE, "the line that is protected"),
        LayerIn(HEADS, "heads as they stand, with keep", required=False),
        LayerIn(ZONES, "fence line and number of the zones, with keep", required=False),
    ),
    outputs=(
        LayerOut(CORRIDOR),
        LayerOut(ZONES),
        LayerOut(HEADS),
        LayerOut(BEAMS),
        LayerOut(CLEAR_GROUND),
        LayerOut(WIDTHS),
        LayerOut(CONFLICTS),
    ),
    files=(
        FileOut("plan.png", "picture", "the site from above: fences, clear ground, zones, heads, broken rules"),
        FileOut("stacks.pdf", "document", "every post from the side: heads, heights, bands, polarisation, aim"),
    ),
    order=20,
    citations=(
        "ITU-R P.530 (radius of the first Fresnel zone)",
        "UFC 4-021-02NF, 5-4.3.2 (ranges)",
        "head heights, overlap, stacking and like beside like: common practice, no source",
    ),
)
