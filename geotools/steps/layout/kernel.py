"""The layout of one course: candidates, the cheapest zones, where their posts stand, and which end sends."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from geotools.beam.interference import HeadArray, reception
from geotools.errors import InfeasibleError
from geotools.steps.layout.edges import Field, LayoutWeights, ZoneRules
from geotools.steps.layout.held import HeldZone, with_held
from geotools.steps.layout.lines import PostOffsets, candidates, crests
from geotools.steps.layout.roles import alternate_roles, roles_around
from geotools.steps.layout.usable import Course
from geotools.steps.layout.zoning import CandidateSpan, choose_zones

__all__ = ["Needs", "PostedSpan", "gate_stretch", "lay_out", "offsets_for", "posts"]


@dataclass(frozen=True)
class Needs:
    """What a layout has to meet; metres.

    rules, prices : limits, and the weights of the choice. setback_m, clear_m : of the line and of the clear ground.
    candidate_spacing_m : spacing of candidate posts. beamwidth_deg : of the heads that decide a mixed junction.
    inward_m : how far from the line, inward, beams may have to stand to be out of reach of what lives beside the fence.
    """

    rules: ZoneRules
    prices: LayoutWeights
    setback_m: float
    clear_m: float
    candidate_spacing_m: float
    beamwidth_deg: float
    inward_m: float = 0.0


@dataclass(frozen=True)
class PostedSpan:
    """A zone with its posts, in the direction of the fence; metres.

    start, end : (2,) posts. chainage : (2,) of its junctions along the course's line. starts_with_tx : which end sends.
    room, wanted : (2,) how far the beam runs past each junction, and how far it should.
    earthwork_m3, dead_m : expected on this zone.
    """

    start: NDArray[np.float64]
    end: NDArray[np.float64]
    chainage: NDArray[np.float64]
    starts_with_tx: bool
    room: NDArray[np.float64]
    wanted: NDArray[np.float64]
    earthwork_m3: float
    dead_m: float

    @property
    def length(self) -> float:
        """Between the posts, m."""
        return float(np.hypot(*(self.end - self.start)))


def offsets_for(course: Course, needs: Needs) -> tuple[list[float], list[float]]:
    """Offsets of candidate posts to the left of the line, m: everywhere, and at corners.

    At a corner a beam must run on past the junction, towards the next fence, by the whole extension: so that depth is
    offered as well.
    """
    rules = needs.rules
    edge = max(rules.margin_m + 0.3, rules.post_clear_m)
    inner, outer = needs.clear_m - needs.setback_m - edge, needs.setback_m - edge
    deep = rules.extension_m + max(rules.margin_m + rules.stagger_m / 2, rules.post_clear_m) + 0.1 - needs.setback_m
    step = max(1.0, (max(inner, 0.0) + max(outer, 0.0)) / 6)
    ladder = np.arange(-10, 11) * step
    held = ladder[(ladder >= -max(outer, 0.0)) & (ladder <= max(inner, 0.0))]
    bends = {*held.tolist(), *([deep] if 0 < deep <= inner else []), *([deep + 1.0] if 0 < deep + 1.0 <= inner else [])}
    usual = [offset for offset in held.tolist() if -step - 1e-9 <= offset <= max(step, needs.inward_m + step) + 1e-9]
    return [course.inward * o for o in usual], [course.inward * o for o in sorted(bends)]


def gate_stretch(course: Course, gate: shapely.Geometry, margin_m: float) -> tuple[float, float]:
    """The stretch of the course's line that a gate takes, with a margin on both sides, m; it may run over the seam."""
    at = shapely.line_locate_point(course.line, shapely.points(shapely.get_coordinates(gate)))
    if course.line.is_closed:
        # measured from the gate's own middle, so that a gate over the seam is not the whole way round
        length = course.line.length
        middle = course.line.project(gate.centroid)
        about = (at - middle + length / 2) % length - length / 2
        return (middle + about.min() - margin_m) % length, (middle + about.max() + margin_m) % length
    return max(0.0, float(at.min()) - margin_m), min(course.line.length, float(at.max()) + margin_m)


def _in_order(zones: list[CandidateSpan], length: float, *, closed: bool) -> list[CandidateSpan]:
    """A loop numbered from where its line starts."""
    if not closed:
        return zones
    first = min(range(len(zones)), key=lambda k: zones[k].chainage[0] % length)
    return zones[first:] + zones[:first]


def _off_axis(post: NDArray, start: NDArray, end: NDArray) -> float:
    """Distance of a post from the axis of a beam, m."""
    u = (end - start) / np.hypot(*(end - start))
    return abs(float((post - start)[0] * u[1] - (post - start)[1] * u[0]))


def posts(zones: Sequence[CandidateSpan], rules: ZoneRules, *, closed: bool) -> list[tuple[NDArray, NDArray]]:
    """Start and end post of every zone: beams in line stand aside of each other, so that no post stands in an axis.

    Where the beams cross at an angle there is no need to. At a small angle moving apart brings one of the two posts
    nearer to the other axis, so the way that leaves the nearer one farthest is taken.
    """
    placed = [(zone.ends[0].copy(), zone.ends[1].copy()) for zone in zones]
    pairs = list(itertools.pairwise(range(len(zones))))
    if closed and len(zones) > 1:
        pairs.append((len(zones) - 1, 0))
    for before, after in pairs:
        u, v = (np.diff(zones[k].junctions, axis=0)[0] for k in (before, after))
        left = [np.array([-d[1], d[0]]) / np.hypot(*d) * rules.stagger_m / 2 for d in (u, v)]
        # a post that stays does not move aside: the other moves by the whole distance
        stays = zones[before].held[1], zones[after].held[0]
        if any(stays):
            left = [0.0 * way if own else 2 * way for way, own in zip(left, stays, strict=True)]
        options = []
        for side in (0.0, 1.0, -1.0):
            end, start = placed[before][1] + side * left[0], placed[after][0] - side * left[1]
            gaps = _off_axis(start, placed[before][0], end), _off_axis(end, start, placed[after][1])
            options.append((min(gaps), -max(gaps), end, start))
        # far enough off the axis, then no farther than need be: between beams far apart somebody could pass
        enough = [option for option in options if option[0] >= 0.4 * rules.stagger_m]
        best = max(enough, key=lambda option: option[1]) if enough else max(options, key=lambda option: option[0])
        placed[before][1][:], placed[after][0][:] = best[2], best[3]
    return placed


def _mixed_margins(placed: Sequence[tuple[NDArray, NDArray]], needs: Needs) -> NDArray[np.float64]:
    """Margin of the receiver beside a foreign transmitter at each junction, both ways round, dB, (count, 2)."""
    count = len(placed)
    width = np.full(count, needs.beamwidth_deg)

    def heads(at: NDArray, towards: NDArray) -> HeadArray:
        aim = np.degrees(np.arctan2(*(towards - at).T))
        level = np.column_stack([at, np.ones(count)])
        carrier = np.full(count, needs.rules.frequency_hz)
        return HeadArray(level, aim, np.zeros(count), carrier, width, width, np.ones(count, dtype=bool))

    start, end = (np.array([pair[k] for pair in placed]) for k in range(2))
    starts, ends = heads(start, end), heads(end, start)
    margin = np.empty((count, 2))
    for column, (receivers, transmitters, receiver_of) in enumerate(
        # the zone starts with receivers beside the transmitters at the end of the zone before; and the other way round
        ((starts, ends, "start"), (ends, starts, "end"))
    ):
        level = reception(receivers, transmitters).level_db
        k = np.arange(count)
        own = level[k, k]
        foreign = level[k, k - 1] if receiver_of == "start" else level[k - 1, k]
        mine = own if receiver_of == "start" else own[k - 1]
        margin[:, column] = mine - foreign
    return margin


def _roles(
    zones: Sequence[CandidateSpan], placed: Sequence[tuple[NDArray, NDArray]], needs: Needs, *, closed: bool
) -> NDArray[np.bool_]:
    """Which zones start with their transmitters; those whose roles are held keep them."""
    held = [zone.starts_with_tx for zone in zones]
    if any(one is not None for one in held):
        return roles_around(held, closed=closed)
    margins = _mixed_margins(placed, needs) if closed and len(zones) % 2 else None
    return alternate_roles(len(zones), closed=closed, margin_db=margins)


def lay_out(
    course: Course,
    needs: Needs,
    *,
    ground: Field | None = None,
    profile: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
    gates: Sequence[tuple[float, float]] = (),
    standing: Sequence[HeldZone] = (),
) -> tuple[list[PostedSpan], float]:
    """Lay out one course.

    Parameters
    ----------
    course, needs : what to follow, and how.
    ground : ground height at any points, m; None leaves earthwork out.
    profile : chainage and ground along the course's line, for the crests worth a split; None for none.
    gates : stretches of the line that get a zone of their own.
    standing : zones as they stand, in the direction of the line; what they hold stays where it is.

    Returns
    -------
    The zones in order, and the radii of the first Fresnel zone that were kept clear: less than requested where the
    ground is too narrow for the whole beam.

    Raises
    ------
    InfeasibleError : not even a thin beam of an allowed length fits; the message names the place.
    """
    closed = bool(course.line.is_closed)
    usual, bends = offsets_for(course, needs)
    forced = sorted({chainage for stretch in gates for chainage in stretch})
    nodes = candidates(
        course.line,
        course.ground,
        step_m=needs.candidate_spacing_m,
        beside=PostOffsets(usual, bends, 2 * needs.clear_m),
        forced=forced,
        wanted=[] if profile is None else crests(*profile).tolist(),
    )
    if standing:
        nodes = with_held(nodes, course.line, standing, needs.rules.extension_m)
    problem: InfeasibleError | None = None
    for share in (1.0, 0.6, 0.0):
        rules = replace(
            needs.rules,
            no_posts=None if course.no_posts.is_empty else course.no_posts,
            fresnel_zones=share * needs.rules.fresnel_zones,
            margin_m=share * needs.rules.margin_m,
            stagger_m=needs.rules.stagger_m if share else 0.0,
            post_clear_m=share * needs.rules.post_clear_m,
        )
        try:
            zones = choose_zones(nodes, course.line, course.ground, rules, needs.prices, ground=ground)
        except InfeasibleError as found:
            problem = problem or found
            continue
        zones = _in_order(zones, course.line.length, closed=closed)
        placed = posts(zones, replace(rules, stagger_m=needs.rules.stagger_m), closed=closed)
        roles = _roles(zones, placed, needs, closed=closed)
        done = [
            PostedSpan(a, b, zone.chainage, bool(tx), zone.room, zone.wanted, zone.earthwork_m3, zone.dead_m)
            for zone, (a, b), tx in zip(zones, placed, roles, strict=True)
        ]
        return done, rules.fresnel_zones
    assert problem is not None
    raise problem
