"""Zones of least cost along a line: the choice, and its proof against the exact outline of the usable ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from geotools.errors import InfeasibleError
from geotools.steps.layout.candidate_nodes import Candidates
from geotools.steps.layout.chain import Chain, cheapest_chain, cheapest_loop
from geotools.steps.layout.edgelist import Edges
from geotools.steps.layout.edges import Field, LayoutWeights, ZoneRules, look_up_reach_m, possible_zones, runs_past
from geotools.steps.layout.walls import Walls
from geotools.steps.layout.width import beam_half_width, beam_outline
from geotools.terrain.band_grid import clearance_grid

__all__ = ["CandidateSpan", "choose_zones"]

#: Look-up and exact outline may differ by this much without a fault.
_TOUCH_M = 0.03
#: Room past the junctions of a zone that the look-up may promise too much.
_LACK_M = 0.2
#: Finest look-up tried.
_FINEST_M = 0.3


@dataclass(frozen=True)
class CandidateSpan:
    """One chosen zone, in the direction of the line; metres.

    junctions : (2, 2) the points it shares with its neighbours.
    ends : (2, 2) where its heads stand before they are staggered.
    chainage : (2,) of the junctions along the line.
    room, wanted : (2,) how far the beam runs past each junction, and how far it should.
    earthwork_m3, dead_m : expected on this zone.
    held : which of its posts stay where they stood. starts_with_tx : which sends, where that is held; else None.
    """

    junctions: NDArray[np.float64]
    ends: NDArray[np.float64]
    chainage: NDArray[np.float64]
    room: NDArray[np.float64]
    wanted: NDArray[np.float64]
    earthwork_m3: float
    dead_m: float
    held: tuple[bool, bool] = (False, False)
    starts_with_tx: bool | None = None


def _exact_room(
    region: BaseGeometry, p: NDArray, q: NDArray, wanted: NDArray, rules: ZoneRules
) -> NDArray[np.float64] | None:
    """How far the beam can run past both junctions by the exact outline; None where it cannot even join them."""
    length = float(np.hypot(*(q - p)))
    u = (q - p) / length

    edge = region.boundary

    def fits(start: float, end: float) -> bool:
        a, b = p - start * u, q + end * u
        if any(shapely.dwithin(edge, shapely.Point(post), rules.post_clear_m - _TOUCH_M) for post in (a, b)):
            return False
        if rules.no_posts is not None and any(
            shapely.dwithin(rules.no_posts, shapely.Point(post), rules.post_reach_m - _TOUCH_M) for post in (a, b)
        ):
            return False
        # where the neighbour's post is locked, this one moves the whole way
        if not rules.stands(np.array([a, b]), rules.stagger_m * np.array([-u[1], u[0]])):
            return False
        # as it is, and with its posts moved aside the way posts in line are
        return all(
            region.covers(
                beam_outline(
                    a - aside, b + aside, rules.frequency_hz, zones=rules.fresnel_zones, margin_m=rules.margin_m
                )
            )
            for aside in ((0.0 * u, rules.stagger_m / 2 * np.array([-u[1], u[0]])) if rules.stagger_m else (0.0 * u,))
        )

    def longest(of: int, other: float) -> float:
        low, high = 0.0, float(wanted[of])
        while high - low > 0.05:
            mid = (low + high) / 2
            if fits(*((mid, other) if of == 0 else (other, mid))):
                low = mid
            else:
                high = mid
        return low

    if fits(*wanted):
        return np.array(wanted)
    if not fits(0.0, 0.0):
        return None
    end = float(wanted[1]) if fits(0.0, float(wanted[1])) else longest(1, 0.0)
    start = float(wanted[0]) if fits(float(wanted[0]), end) else longest(0, end)
    return np.array([start, end])


def choose_zones(
    nodes: Candidates,
    line: shapely.LineString,
    region: BaseGeometry,
    rules: ZoneRules,
    prices: LayoutWeights,
    *,
    ground: Field | None = None,
    cell_m: float = 1.0,
) -> list[CandidateSpan]:
    """The cheapest zones that cover a line from end to end, or once round.

    Parameters
    ----------
    nodes : candidate junctions along ``line``.
    line : the line to follow, m.
    region : ground that beams may use, m.
    rules, prices : limits, and the weights of the choice.
    ground : ground height at any points, m; None leaves earthwork out.
    cell_m : spacing of the clearance look-up; chosen zones are checked against the exact outline.

    Raises
    ------
    InfeasibleError : no chain of straight beams fits; the message names the place where it breaks off. Or no post can
        stand anywhere.
    """
    if not nodes.offset.size:
        raise InfeasibleError(
            "there is no ground for a post along the whole line",
            expected="places within layout.clear_m, layout.post_clear_m away from fence and keep-outs, with a height",
            mend="compare layout.setback_m with layout.clear_m; look at the keep-outs and at holes of the terrain",
        )
    reach = look_up_reach_m(nodes, rules)
    spine = shapely.get_coordinates(shapely.segmentize(line, 4.0))
    clear = clearance_grid(region, spine, reach, cell_m=cell_m)
    barred = None if rules.no_posts is None else clearance_grid(rules.no_posts, spine, reach, cell_m=cell_m)
    edges = possible_zones(nodes, line, rules, prices, clear=clear, ground=ground, barred=barred)
    for span in sorted(nodes.held.spans):
        edges.hold(*span, prices.zone)
    closed = bool(line.is_closed)
    walls = Walls(nodes, edges, region, rules, prices, closed)
    shapely.prepare(region)
    for _ in range(60):
        chain = _solve(nodes, edges, closed=closed)
        if chain is None:
            raise _broken(nodes, edges, line, rules)
        zones = [_exact_zone(nodes, edges, int(k), region, rules, closed=closed) for k in chain.edges]
        settled = True
        for k, zone in zip(chain.edges.tolist(), zones, strict=True):
            if zone is None:
                walls.refuse(k)
                settled = False
            elif walls.lacks(k, float(zone.room.sum())) > _LACK_M:
                # the look-up promised more room past the junctions than there is: price that, and choose again
                walls.shorten(k, float(zone.room.sum()))
                settled = False
        if settled:
            return [zone for zone in zones if zone is not None]
    if cell_m > _FINEST_M:
        # in a tight corridor a coarse look-up lets too many beams through that touch its edge
        return choose_zones(nodes, line, region, rules, prices, ground=ground, cell_m=cell_m / 2)
    raise InfeasibleError(
        "the layout did not settle: too many beams that seemed to fit touch the edge of the corridor",
        mend="give the beams a little more room: a wider corridor, or a smaller layout.margin_m",
    )


def _solve(nodes: Candidates, edges: Edges, *, closed: bool) -> Chain | None:
    if closed:
        return cheapest_loop(nodes.n_stations, nodes.station, edges.tail, edges.head, edges.cost)
    return cheapest_chain(nodes.station, edges.tail, edges.head, edges.cost)


def _exact_zone(
    nodes: Candidates, edges: Edges, k: int, region: BaseGeometry, rules: ZoneRules, *, closed: bool
) -> CandidateSpan | None:
    ends = edges.tail[k], edges.head[k]
    p, q = nodes.xy[ends[0]], nodes.xy[ends[1]]
    wanted = np.array(
        [runs_past(nodes, node, rules.extension_m, last=bool(last), closed=closed) for last, node in enumerate(ends)]
    )
    first, last = nodes.held.starts.get(int(ends[0])), nodes.held.ends.get(int(ends[1]))
    # what is locked stands as it does, whether it fits or not: the checks say so
    fixed = (int(ends[0]), int(ends[1])) in nodes.held.spans
    room = wanted if fixed else _exact_room(region, p, q, wanted, rules)
    if room is None:
        return None
    u = (q - p) / np.hypot(*(q - p))
    start, end = p - room[0] * u, q + room[1] * u
    sends = first.sends if first else None if last is None else not last.sends
    return CandidateSpan(
        junctions=np.array([p, q]),
        ends=np.array([first.at if first else start, last.at if last else end]),
        chainage=nodes.chainage[list(ends)],
        room=room,
        wanted=wanted,
        earthwork_m3=edges.earthwork_m3(k),
        dead_m=edges.lack_and_dead_m(k)[1],
        held=(first is not None, last is not None),
        starts_with_tx=sends,
    )


def _broken(nodes: Candidates, edges: Edges, line: shapely.LineString, rules: ZoneRules) -> InfeasibleError:
    """Name the stretch that no zone spans: the first gap between stations that no possible zone runs over."""
    n = nodes.n_stations
    cover = np.zeros(2 * n + 1, dtype=np.int64)
    alive = np.isfinite(edges.cost)
    a, b = nodes.station[edges.tail[alive]], nodes.station[edges.head[alive]]
    b = np.where(b <= a, b + n, b)
    np.add.at(cover, a, 1)
    np.add.at(cover, b, -1)
    running = np.cumsum(cover)
    per_gap = running[:n] + running[n : 2 * n]
    gaps = per_gap if line.is_closed else per_gap[: n - 1]
    bare = np.flatnonzero(gaps == 0)
    chainage = nodes.chainage[np.searchsorted(nodes.station, np.arange(n))]
    if bare.size:
        start = chainage[bare[0]]
        end = chainage[(bare[0] + 1) % n] if line.is_closed else chainage[bare[0] + 1]
        at = nodes.xy[np.searchsorted(nodes.station, bare[0])]
        where = f"chainage {start:.1f} to {end:.1f} m (x {at[0]:.1f}, y {at[1]:.1f})"
    else:
        where = "between stations that single zones reach, but no chain of them joins"
    half = float(
        beam_half_width(rules.longest_m / 2, rules.longest_m / 2, rules.frequency_hz, zones=rules.fresnel_zones)
    )
    return InfeasibleError(
        "no straight beam of an allowed length fits in the corridor",
        where=where,
        expected=f"a strip {2 * (half + rules.margin_m):.2f} m wide at the longest zone, "
        f"{rules.shortest_m:g} to {rules.longest_m:g} m from head to head, {rules.extension_m:.1f} m past a junction",
        mend="widen the corridor there, allow shorter zones, or take a stack with a narrower beam; no post can stand "
        "where the terrain has no data",
    )
