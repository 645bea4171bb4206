"""Which straight beams are possible between candidate junctions, and what each costs.

A zone runs straight through two junctions and on past both, far enough that the dead spot of each of its heads lies
beyond the point where the neighbour's beam crosses. So whether a zone is possible, and what it costs, does not depend
on its neighbours.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import shapely
from numpy.typing import NDArray

from geotools.steps.layout.candidate_nodes import Candidates
from geotools.steps.layout.edgelist import Edges
from geotools.steps.layout.off_line import off_line, square_off
from geotools.steps.layout.width import beam_half_width
from geotools.steps.layout.zone_rules import Field, LayoutWeights, ZoneRules

__all__ = ["Field", "LayoutWeights", "ZoneRules", "look_up_reach_m", "possible_zones"]

_CHUNK = 500_000
#: A beam longer than half the longest stands for at most this many times its own length of the line: a right angle may
#: be cut off. Sharper corners are cut off by short beams alone.
_MOST_AROUND = 1.5
#: Places looked at together: few enough that what is worked out for them stays in the processor's cache.
_PLACES = 16_384


def runs_past(nodes: Candidates, node: NDArray, extension_m: float, *, last: bool, closed: bool) -> NDArray[np.float64]:
    """How far a beam should run on past its start or, with ``last``, its end, m."""
    # an open line's own ends have no neighbour to reach past
    end = nodes.n_stations - 1 if last else 0
    return np.where((nodes.station[node] == end) & (not closed), 0.0, extension_m)


def _followers(nodes: Candidates, length: float, *, closed: bool, reach: float) -> tuple[NDArray, NDArray]:
    """For each node the first that can end its zone, and how many: within reach along the line, over no forced one."""
    n = nodes.station.size
    chainage, station = nodes.chainage, nodes.station
    forced = np.unique(station[nodes.forced])
    n_stations = nodes.n_stations
    if closed:
        chainage = np.concatenate([chainage, chainage + length])
        station = np.concatenate([station, station + n_stations])
        forced = np.concatenate([forced, forced + n_stations])
    else:
        forced = np.append(forced, n_stations - 1)
    last = np.searchsorted(chainage, chainage[:n] + reach, side="right")
    first = np.searchsorted(station, station[:n], side="right")
    if forced.size:
        following = np.searchsorted(forced, station[:n], side="right")
        limit = np.where(following < forced.size, forced[np.minimum(following, forced.size - 1)], 2 * n_stations)
        last = np.minimum(last, np.searchsorted(station, limit, side="right"))
    if closed:
        # once round at most, back to the same station excluded
        last = np.minimum(last, np.searchsorted(station, station[:n] + n_stations, side="left"))
    return first, np.maximum(last - first, 0)


def _pairs(first: NDArray[np.intp], count: NDArray[np.intp]) -> Iterator[tuple[NDArray, NDArray]]:
    """Node pairs (start, end) in chunks, in order of start."""
    n = first.size
    total = np.cumsum(count)
    bounds = np.unique(np.searchsorted(total, np.arange(_CHUNK // 8, total[-1] + _CHUNK // 8, _CHUNK // 8), "left") + 1)
    lo = 0
    for hi in np.minimum(bounds, n):
        part = count[lo:hi]
        if part.sum():
            tail = np.repeat(np.arange(lo, hi), part)
            within = np.arange(part.sum()) - np.repeat(np.cumsum(part) - part, part)
            yield tail, np.mod(first[tail] + within, n)
        lo = hi


class _Judge:
    """Measures pairs of junctions against the rules; holds the fields that are looked up."""

    def __init__(self, rules: ZoneRules, prices: LayoutWeights, clear: Field, ground: Field | None) -> None:
        self.rules, self.prices, self.clear, self.ground = rules, prices, clear, ground
        self.barred: Field | None = None
        self.off_line: Field | None = None

    def _need(self, along: NDArray, total: NDArray) -> NDArray:
        rules = self.rules
        half = beam_half_width(
            along, total - along, rules.frequency_hz, zones=rules.fresnel_zones, margin_m=rules.margin_m
        )
        return half + np.abs(2 * along / total - 1) * rules.stagger_m / 2

    def spots(self, length: NDArray) -> tuple[int, int, int]:
        """How many places to look at on beams of these lengths: before, between and past the junctions."""
        between = int(np.clip(np.ceil(length.max() / 2.0), 4, 256))
        runs = int(np.ceil(max(self.rules.extension_m, 0.1) / 0.75)) + 1
        return runs, between, runs - 1

    def positions(self, length: NDArray, past: tuple[NDArray, NDArray], spots: tuple[int, int, int]) -> NDArray:
        """Where along each beam to look, (m, k), from its start: closely on the runs past the junctions."""
        runs, between, _ = spots
        start, end = past
        ahead = np.linspace(0, 1, runs, endpoint=False) * start[:, None]
        middle = start[:, None] + np.linspace(0, 1, between) * length[:, None]
        after = (start + length)[:, None] + np.linspace(0, 1, runs)[1:] * end[:, None]
        return np.concatenate([ahead, middle, after], axis=1)

    def measure(
        self, p: NDArray, q: NDArray, past: tuple[NDArray, NDArray], stretch: NDArray, spots: tuple[int, int, int]
    ) -> tuple[NDArray, ...]:
        """Possible or not, cost, lack of room past both ends, earthwork and dead ground of zones p to q (m, 2).

        stretch : length of the line that each stands for, m; all together are the line, however far off it they stand.
        """
        rules, prices = self.rules, self.prices
        chord = q - p
        length = np.hypot(chord[:, 0], chord[:, 1])
        u = chord / length[:, None]
        start, end = past
        total = length + start + end
        along = self.positions(length, past, spots)
        x = p[:, 0, None] + u[:, 0, None] * (along - start[:, None])
        y = p[:, 1, None] + u[:, 1, None] * (along - start[:, None])
        before = along < start[:, None] - 1e-9
        beyond = along > (start + length)[:, None] + 1e-9
        need = self._need(along, total[:, None])
        # past a junction, and at it where there is no room past it, is where the post may come to stand
        post = (
            before
            | beyond
            | (np.abs(along - start[:, None]) < 1e-9)
            | (np.abs(along - (start + length)[:, None]) < 1e-9)
        )
        need = np.where(post, np.maximum(need, rules.post_clear_m), need)
        blocked = self.clear(x, y) < need
        if self.barred is not None:
            blocked |= post & (self.barred(x, y) > -rules.post_reach_m)
        possible = ~np.any(blocked & ~before & ~beyond, axis=1)
        # room past a junction ends at the blocked point nearest to it
        room_start = start - np.max(np.where(blocked & before, along, -np.inf), axis=1, initial=-np.inf)
        room_start = np.clip(np.where(np.isfinite(room_start), room_start - 0.75, start), 0.0, start)
        room_end = np.min(np.where(blocked & beyond, along, np.inf), axis=1, initial=np.inf) - (start + length)
        room_end = np.clip(np.where(np.isfinite(room_end), room_end - 0.75, end), 0.0, end)
        short = (start - room_start) + (end - room_end)
        earth, dead, reached = np.zeros(length.size), np.zeros(length.size), np.zeros(length.size)
        if self.ground is not None:
            z = self.ground(x, y)
            held = np.zeros(x.shape, bool) if rules.held is None else np.nan_to_num(rules.held(x, y)) > 0
            earth, dead = self._earthwork(z, along, total, held)
            # no post can be set where the level of the ground is not known
            possible &= np.isfinite(z[:, 0]) & np.isfinite(z[:, -1])
        if rules.reached is not None and prices.nuisance_m > 0.0:
            beside = rules.reached(x, y, along / total[:, None], np.broadcast_to(total[:, None], x.shape))
            reached = np.sum(beside * _lengths(along), axis=1)
        aside = np.zeros(length.size)
        if self.off_line is not None and prices.off_line_m > 0.0:
            between = slice(spots[0], spots[0] + spots[1])
            aside = square_off(self.off_line, x[:, between], y[:, between], along[:, between])
        cost = (
            prices.zone
            + prices.short_zone * (total < rules.wanted_m)
            + prices.avoided_zone * rules.avoids(total - short)
            + prices.short_m * short
            + prices.dead_ground_m * dead
            + prices.earthwork_m3 * earth
            + prices.off_line_m * aside
            + prices.nuisance_m * reached
            + prices.uneven * (stretch / rules.longest_m) ** 2
        )
        return possible, cost, short, earth, dead

    def _earthwork(self, z: NDArray, along: NDArray, total: NDArray, held: NDArray) -> tuple[NDArray, NDArray]:
        """Earth to move and ground that is cheaper to leave blind, so that the rest is straight enough."""
        rules, prices = self.rules, self.prices
        line = z[:, :1] + (z[:, -1:] - z[:, :1]) * along / total[:, None]
        rise = np.nan_to_num(z - line)
        weight = _lengths(along)
        lift = np.maximum(np.abs(rise) - rules.straight_m, 0.0)
        volume = lift * rules.graded_width_m
        # more than the slopes beside the works have room for is not graded, nor is what must not be dug
        refused = (lift > rules.most_lift_m) | (held & (lift > 0))
        # a dip may stay as it is and be blind; a crest has to go, it hides everything behind it
        leave = (rise < 0) & (refused | (volume * prices.earthwork_m3 > prices.dead_ground_m))
        hidden = np.any(refused & (rise > 0), axis=1) * total / 2
        dead = np.maximum(np.sum(leave * weight, axis=1), hidden)
        return np.sum(np.where(leave | refused, 0.0, volume) * weight, axis=1), dead


def _lengths(along: NDArray) -> NDArray:
    """Length of beam that each place stands for, (m, k)."""
    step = np.diff(along, axis=1)
    return np.concatenate([step[:, :1] / 2, (step[:, 1:] + step[:, :-1]) / 2, step[:, -1:] / 2], axis=1)


def look_up_reach_m(nodes: Candidates, rules: ZoneRules) -> float:
    """How far from the line places of beams are looked up, m."""
    return 4 * rules.extension_m + float(np.max(np.abs(nodes.offset))) + 8.0


def possible_zones(
    nodes: Candidates,
    line: shapely.LineString,
    rules: ZoneRules,
    prices: LayoutWeights,
    *,
    clear: Field,
    ground: Field | None = None,
    barred: Field | None = None,
) -> Edges:
    """Every zone that the rules allow between candidate junctions, with its cost.

    Parameters
    ----------
    nodes : candidate junctions.
    line : the line they were made along, m.
    rules, prices : limits, and the weights of the choice.
    clear : clearance to the edge of the usable ground at any points, m.
    ground : ground height at any points, m; None leaves earthwork out.
    barred : distance to the edge of ground where no post may stand, positive inside, m; None where there is none.
    """
    closed = bool(line.is_closed)
    judge = _Judge(rules, prices, clear, ground)
    judge.barred = barred
    judge.off_line = off_line(line, look_up_reach_m(nodes, rules), rules.fence_side)
    followers = _followers(nodes, line.length, closed=closed, reach=1.3 * rules.longest_m)
    edges = Edges(int(followers[1].sum()))
    for tail, head in _pairs(*followers):
        past_start = runs_past(nodes, tail, rules.extension_m, last=False, closed=closed)
        past_end = runs_past(nodes, head, rules.extension_m, last=True, closed=closed)
        p, q = nodes.xy[tail], nodes.xy[head]
        length = np.hypot(*(q - p).T)
        total = length + past_start + past_end
        ok = (total <= rules.longest_m) & (total >= rules.shortest_m) & (length > 1e-6)
        # on a small site a beam across the yard would pass for one along the whole way round
        along = nodes.chainage[head] - nodes.chainage[tail]
        along = np.where(along < 0, along + line.length, along)
        beside = np.abs(nodes.offset[tail]) + np.abs(nodes.offset[head])
        ok &= along <= np.maximum(_MOST_AROUND * (length + beside), rules.longest_m / 2)
        if closed:
            # two straight beams there and back enclose nothing
            ok &= along < line.length / 2
        middle = (p + q) / 2
        half = beam_half_width(length / 2, length / 2, rules.frequency_hz, zones=rules.fresnel_zones)
        ok &= clear(middle[:, 0], middle[:, 1]) >= half + rules.margin_m
        pick = np.flatnonzero(ok)
        pick = pick[np.argsort(length[pick], kind="stable")]
        kept: list[tuple[NDArray, ...]] = []
        lo = 0
        while lo < pick.size:
            hi = min(pick.size, lo + 1 + int(_CHUNK / (length[pick[lo]] / 2 + 40)))
            part = pick[lo:hi]
            spots = judge.spots(length[part])
            step = _PLACES // sum(spots) + 1
            for few in np.split(part, np.arange(step, part.size, step)):
                possible, *found = judge.measure(p[few], q[few], (past_start[few], past_end[few]), along[few], spots)
                columns = (tail[few], head[few], *found)
                kept.append(tuple(column[possible] for column in columns))
            lo = hi
        if kept:
            edges.add(*(np.concatenate(column) for column in zip(*kept, strict=True)))
    return edges
