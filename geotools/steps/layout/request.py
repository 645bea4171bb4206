"""What a site asks of its layout, turned into what the kernels take; designed or kept zones with their heads."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np
import shapely
from shapely import LineString

from geotools.detection.from_plan import crossing_heights, head_types_of, rules_of
from geotools.detection.null_heights import NullRules, lengths_in_null
from geotools.earthwork.from_plan import kept_areas
from geotools.engine.step import StepContext
from geotools.errors import InfeasibleError, InputError, counted
from geotools.plan.camera import DENSITY_CLASSES, Sensor, longest_distance_m
from geotools.plan.model import Head, Zone
from geotools.plan.schema import FENCE
from geotools.site import Level
from geotools.site.gates import Gate, gates_of
from geotools.site.obstacles import Obstacle, obstacles_of
from geotools.steps.layout.checks import Conflict, LayoutLimits
from geotools.steps.layout.climbing import climbing_distance_m
from geotools.steps.layout.direction import in_one_way
from geotools.steps.layout.edges import LayoutWeights, ZoneRules
from geotools.steps.layout.extension import with_missing_levels
from geotools.steps.layout.forced import OnLine
from geotools.steps.layout.gates import gate_stretches
from geotools.steps.layout.held import HeldZone
from geotools.steps.layout.judge import Judge, Stack
from geotools.steps.layout.kernel import Needs, PostedSpan, lay_out, offsets_for
from geotools.steps.layout.locks import ZoneMaker, held_zones, locked_names
from geotools.steps.layout.null_heights import NullHeights
from geotools.steps.layout.obstacles import explain
from geotools.steps.layout.off_line import distance_off
from geotools.steps.layout.passages import width_along
from geotools.steps.layout.standing import Standing
from geotools.steps.layout.standoffs import Standoffs
from geotools.steps.layout.unknown_ground import SpanLimits, laid_beside, unknown_words
from geotools.steps.layout.usable import Course, courses
from geotools.steps.layout.width import FreeWidth, free_width
from geotools.terrain.band_grid import BandGrid

__all__ = ["Request"]


class Request:
    """One run: what the site file asks for, and the plan and terrain it applies to."""

    def __init__(self, ctx: StepContext) -> None:
        self.ctx = ctx
        self.site, self.settings = ctx.site, ctx.site.layout
        self.kinds = head_types_of(ctx.site)
        fences = ctx.read(FENCE)
        self.heights = crossing_heights(ctx.site, fences)
        self.rules = rules_of(ctx.site, fences)
        self.judge = Judge(ctx.site, self.kinds, self.rules)
        self._needs: dict[str, Needs] = {}
        self._judges: dict[float | None, Judge] = {max(self.heights.values(), default=None): self.judge}

    @cached_property
    def standing(self) -> Standing:
        """The plan as it stands."""
        return Standing(self.ctx, self.kinds, self.level_at)

    @cached_property
    def standoffs(self) -> Standoffs:
        """What lives beside the beams."""
        return Standoffs(self.site, self.ctx.workspace.work_crs, self.longest_m)

    def judge_of(self, fence_id: str) -> Judge:
        """The judge of what stands beside one fence line: threats that cross it cross at its height."""
        height = self.heights.get(fence_id) if self.rules.by_fence else max(self.heights.values(), default=None)
        if height not in self._judges:
            self._judges[height] = Judge(self.site, self.kinds, self.rules.of_fence(fence_id))
        return self._judges[height]

    def stack_conflicts(self, zones: Sequence[Zone]) -> list[Conflict]:
        """Threats that a stack lets pass over level ground; once a kind of stack and height of fence."""
        by_judge: dict[int, list[Zone]] = {}
        for zone in zones:
            by_judge.setdefault(id(self.judge_of(zone.fence_id)), []).append(zone)
        return [one for each in by_judge.values() for one in self.judge_of(each[0].fence_id).stacks(each)]

    def levels_of(self, fence_id: str) -> tuple[Level, ...]:
        """The stack beside one fence line; heads at the fence's top follow its height."""
        return self.site.stack_levels(self.heights.get(fence_id))

    @cached_property
    def levels(self) -> tuple[Level, ...]:
        """The stack beside the highest fence, which stands for all where lengths and widths are decided."""
        return self.site.stack_levels(max(self.heights.values(), default=None))

    @cached_property
    def frequency_hz(self) -> float:
        """Of the widest beam of the stack."""
        return min(self.kinds[level.head_type].frequency_hz for level in self.levels)

    @cached_property
    def longest_m(self) -> float:
        """Longest zone: what is allowed, or less where longer beams cover less ground.

        A small target may be seen late from the heads of a long beam; what such a beam has to run past its junctions
        then eats more than its length gains.
        """
        stack = self.judge.stack_of(self.levels)
        lengths = np.arange(self.allowed_m, max(self.settings.min_zone_m, 30.0) - 1e-9, -10.0)
        past = [self._run_past_m(stack, float(length)) for length in lengths]
        between = lengths - 2 * np.array(past)
        return float(lengths[int(np.argmax(between))]) if lengths.size else self.allowed_m

    def _run_past_m(self, stack: Stack, longest_m: float) -> float:
        return max(self.settings.overlap_m / 2, self.judge.level.run_past_m(stack, longest_m) + 0.5)

    @cached_property
    def allowed_m(self) -> float:
        """Longest zone that the site asks for, within the heads' range and what a camera's longest lens assesses."""
        c = self.site.cameras
        sensor = Sensor(c.sensor_width_mm, c.sensor_height_mm, c.width_px, c.height_px)
        assessed = float(longest_distance_m(sensor, max(c.lenses_mm), DENSITY_CLASSES[c.required_class]))
        ranges = [self.site.all_head_types[level.head_type].max_range_m for level in self.levels]
        return min(self.settings.max_zone_m, assessed, *ranges)

    def post_clear_m(self, fence_id: str) -> float:
        """Least distance of a post from a fence line: as set, or so far that its highest head is no foothold."""
        s, fence = self.settings, self.heights.get(fence_id)
        if fence is None:
            return s.post_clear_m
        head = max(level.height_m for level in self.levels_of(fence_id))
        away = climbing_distance_m(head, fence, reach_m=s.climb_reach_m, leap_m=s.climb_leap_m)
        return max(s.post_clear_m, away)

    def limits_of(self, fence_id: str) -> LayoutLimits:
        """The rules that zones beside one fence line are checked by."""
        return replace(self.limits, post_clear_m=self.post_clear_m(fence_id))

    @cached_property
    def limits(self) -> LayoutLimits:
        """The rules that zones are checked by, whatever the height of the fence."""
        s = self.settings
        return LayoutLimits(
            longest_m=self.allowed_m,
            shortest_m=s.min_zone_m,
            overlap_m=s.overlap_m,
            stagger_m=self.stagger_m,
            fresnel_zones=s.fresnel_zones,
            margin_m=s.margin_m,
            post_clear_m=s.post_clear_m,
            frequency_hz=self.frequency_hz,
            obstacles=self.obstacles,
        )

    def courses(self) -> list[Course]:
        """What is laid out along."""
        rows = self.ctx.read(FENCE)[["fence_id", "geometry"]].itertuples(index=False, name=None)
        flat = {str(name): LineString(shapely.get_coordinates(line)) for name, line in rows}
        fences = {name: shapely.remove_repeated_points(line) for name, line in flat.items()}
        barred = [one.area.buffer(0.0) for one in self.obstacles if one.crossed and not one.posts]
        found = courses(
            fences,
            side=self.settings.side,
            setback_m=self.settings.setback_m,
            clear_m=self.settings.clear_m,
            end_m=self.settings.post_clear_m + 1.0,
            keep_outs=[one.shape for one in self.obstacles if not one.crossed],
        )
        if not barred:
            return found
        return [replace(course, no_posts=shapely.union_all(barred)) for course in found]

    @cached_property
    def obstacles(self) -> tuple[Obstacle, ...]:
        """Keep-outs of the site with their kinds."""
        found = obstacles_of(self.site, self.ctx.workspace.work_crs)
        leaves = [gate for gate in self.gates if not gate.swept.is_empty]
        return (*found, *(Obstacle(f"the swing of {gate.words}", gate.swept, "no posts") for gate in leaves))

    @cached_property
    def gates(self) -> list[Gate]:
        """Gates of the site."""
        lines = [LineString(shapely.get_coordinates(line)) for line in self.ctx.read(FENCE).geometry]
        return gates_of(self.site, self.ctx.workspace.work_crs, lines)

    def gate_stretches(self, found: Sequence[Course]) -> dict[str, list[tuple[float, float]]]:
        """Stretches of each course's line that get a zone of their own."""
        least = max(
            [self.settings.min_zone_m, *(self.site.all_head_types[x.head_type].min_range_m for x in self.levels)]
        )
        return gate_stretches(self.site, self.gates, found, self.extension_m, least)

    @cached_property
    def extension_m(self) -> float:
        """How far beams run past a junction: half the overlap requested, or the dead spot and half a metre."""
        return self._run_past_m(self.judge.stack_of(self.levels), self.longest_m)

    @cached_property
    def stagger_m(self) -> float:
        """Sideways distance of posts in line: as set, but no more than what the two zones see there closes well."""
        stack = self.judge.stack_of(self.levels)
        distance, half = self.judge.level.half_width_m(stack, self.longest_m)
        return min(self.settings.stagger_m, 1.5 * float(np.interp(self.extension_m, distance, half)))

    def needs(self, course: Course) -> Needs:
        """What the kernel has to solve on one course; worked out once."""
        if course.fence_id not in self._needs:
            self._needs[course.fence_id] = self._needs_of(course)
        return self._needs[course.fence_id]

    def _needs_of(self, course: Course) -> Needs:
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
            post_clear_m=self.post_clear_m(course.fence_id),
            straight_m=min([t for t in tolerance if t is not None], default=0.15),
            graded_width_m=2 * self.site.grading.under_m,
            most_lift_m=self.site.grading.batter_m * self.site.grading.max_slope,
            avoided=self._avoided(course.fence_id),
            fence_side=0.0 if s.side == "between" else -course.inward,
        )
        zone = 2 * (len(self.levels) * prices.head + prices.post)
        weights = LayoutWeights(
            zone=zone,
            short_zone=zone / 2,
            avoided_zone=zone / 2,
            uneven=zone / 4,
            earthwork_m3=(prices.cut_m3 + prices.fill_m3) / 2,
            dead_ground_m=s.dead_ground_m,
            # an open junction is worth a zone
            short_m=max(zone, s.dead_ground_m),
            nuisance_m=prices.nuisance_m,
            off_line_m=s.off_line_m,
        )
        return Needs(
            rules, weights, setback, clear, s.candidate_spacing_m, self.kinds[self.levels[0].head_type].beamwidth_az_deg
        )

    def on_line(self, course: Course) -> OnLine:
        """What a zone on the line of its course has to meet."""
        rules = self.needs(course).rules
        return OnLine(
            rules,
            self.obstacles,
            self.ctx.terrain.sample,
            distance_off(course.line, rules.fence_side),
            self.settings.off_line_m,
            self.site.prices.currency,
        )

    def _avoided(self, fence_id: str) -> np.ndarray:
        """Lengths of zone at which a pair of heads has no height out of a null, or a dead spot before a head is longer
        than beams run past their junctions though it is not at other lengths; every 0.5 m from 0.
        """
        levels, longest, settle_m = self.levels_of(fence_id), self.longest_m, self.settings.head_settlement_m
        nulls = [lengths_in_null(self.kinds[x.head_type], x.limits_m, longest, settle_m) for x in levels]
        judge = self.judge_of(fence_id)
        return np.any([*nulls, judge.level.missed_lengths(judge.stack_of(levels), longest, self.extension_m)], axis=0)

    def null_heights(self, fence_id: str, may_move: Callable[[Head], bool]) -> NullHeights:
        """What keeps heads beside one fence line out of ground-reflection nulls; ``may_move`` : heads it may set."""
        limits: dict[str, tuple[float, float]] = {level.level: level.limits_m for level in self.levels_of(fence_id)}
        null = NullRules(limits, self.settings.head_settlement_m, self.extension_m)
        return NullHeights(self.ctx.terrain, self.rules, null, may_move)

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

    def design(self, course: Course, gates: Sequence[tuple[float, float]], standing: Sequence[Zone] = ()) -> list[Zone]:
        """Zones of one course by the optimiser, the same whichever way its fence was drawn.

        Parameters
        ----------
        course : what is followed. gates : stretches with a zone of their own.
        standing : zones as they stand, in order, where something of them is locked.
        """
        told, drawn = in_one_way(course)
        held = held_zones(standing)
        try:
            laid, kept_clear = self._posted(told, drawn.stretches(gates), drawn.held(held))
            posted = drawn.zones(laid)
        except InfeasibleError:
            # the message names chainages as the fence was drawn
            try:
                posted, kept_clear = self._posted(course, gates, held)
            except InfeasibleError as problem:
                ways = self._unspanned_words(course), locked_names(standing)
                raise explain(problem, course.line, self.settings.clear_m, self.obstacles, *ways) from None
        if kept_clear < self.settings.fresnel_zones:
            self.ctx.warn(
                f"fence line {course.fence_id}: the corridor is too narrow for the whole beam somewhere; laid out with "
                f"{kept_clear:g} of the first Fresnel zone clear. Layer conflicts names the zones"
            )
        maker = ZoneMaker(self.levels_of(course.fence_id), self.kinds, self.level_at, standing)
        return maker.zones(course.fence_id, posted)

    def _held(self, spine: np.ndarray, reach_m: float) -> BandGrid | None:
        """Above 0 at places whose ground grading would leave alone, for they or the strip beside them are kept."""
        areas = kept_areas(self.site, self.ctx.read(FENCE), self.ctx.workspace.work_crs).geometries
        if not len(areas):
            return None
        around, beside_m = shapely.union_all(areas), self.site.grading.under_m
        return BandGrid(spine, reach_m, lambda x, y: beside_m - shapely.distance(around, shapely.points(x, y)))

    def _posted(
        self, course: Course, gates: Sequence[tuple[float, float]], standing: Sequence[HeldZone]
    ) -> tuple[list[PostedSpan], float]:
        try:
            return self._laid_out(course, gates, standing)
        except InfeasibleError:
            laid = self._beside_unknown(course, gates, standing)
            if laid is None:
                raise
            return laid

    def _span_limits(self, course: Course) -> SpanLimits:
        return SpanLimits(
            self.longest_m,
            self.settings.min_zone_m,
            self.extension_m,
            2 * max(1.0, self.ctx.terrain.cell_m),
            tuple(offsets_for(course, self.needs(course))[0]),
        )

    def _unspanned_words(self, course: Course) -> str:
        """Where along a course the terrain has no data and no zone can span that; empty where none is so."""
        stretches = next(self._span_limits(course).unspanned(course.line, self.ctx.terrain.sample), [])
        return unknown_words(stretches, course.line.length)

    def _beside_unknown(
        self, course: Course, gates: Sequence[tuple[float, float]], standing: Sequence[HeldZone]
    ) -> tuple[list[PostedSpan], float] | None:
        """The pieces of a course beside ground that no zone can span, laid out each by itself; None where none fits."""
        found = laid_beside(course, gates, self._span_limits(course), self.ctx.terrain.sample, self._laid_out, standing)
        if found is None:
            return None
        if found.gates_left:
            self.ctx.warn(
                f"fence line {course.fence_id}: {counted(found.gates_left, 'gate')} without a zone, for the terrain "
                "has no data about it: survey that stretch, or guard the gate by other means"
            )
        return found.zones, found.kept_clear

    def _laid_out(
        self, course: Course, gates: Sequence[tuple[float, float]], standing: Sequence[HeldZone]
    ) -> tuple[list[PostedSpan], float]:
        needs = self.needs(course)
        spine = shapely.get_coordinates(shapely.segmentize(course.line, 4.0))
        reach = 2 * self.extension_m + needs.clear_m
        ground = BandGrid(spine, reach, self.ctx.terrain.sample, cell_m=max(1.0, self.ctx.terrain.cell_m))
        beside = self.standoffs.closeness(course, self.judge.stack_of(self.levels_of(course.fence_id)), spine, reach)
        rules = replace(needs.rules, held=self._held(spine, reach), reached=beside, known=self.ctx.terrain.sample)
        needs = replace(needs, rules=rules, inward_m=0.0 if beside is None else beside.asks_m)
        stations = np.arange(0.0, course.line.length, 1.0)
        along = shapely.get_coordinates(shapely.line_interpolate_point(course.line, stations))
        level = ground(along[:, 0], along[:, 1])
        known = np.isfinite(level)
        profile = (stations[known], level[known]) if known.sum() > 1 else None
        return lay_out(course, needs, ground=ground, profile=profile, gates=gates, standing=standing)

    def extended(self, zone: Zone) -> Zone:
        """A zone with a pair of heads more for every level of the stack that it lacks."""
        shared = self.site.channels.shared_in_stack
        return with_missing_levels(zone, self.levels_of(zone.fence_id), self.kinds, channel_shared=shared)

    def widths(self, course: Course) -> FreeWidth:
        """Free width at every few metres."""
        return width_along(course.line, course.ground, course.obstacles, 2 * max(self.settings.clear_m, 10.0))
