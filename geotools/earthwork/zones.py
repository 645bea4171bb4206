"""The cheapest works for the zones of a perimeter, each surface tested by a new run of the detection."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from geotools.detection.perimeter import Perimeter, straight_ground
from geotools.earthwork.buildable import Machine
from geotools.earthwork.disturb import State, Tolerances, edge_states
from geotools.earthwork.falls import Drainage, WaterCrossing, WaterRules
from geotools.earthwork.limits import SightLine
from geotools.earthwork.programme import Grading, GradingRules
from geotools.earthwork.proof import Proof, ProvenGrading, Search, grade_until_clear, spread, tightened
from geotools.earthwork.solving import Solver
from geotools.errors import InfeasibleError
from geotools.plan.model import Zone
from geotools.terrain.design import DesignSurface, Kept, StripCells

__all__ = ["GradeSettings", "ZoneGrading", "grade_group", "strip_groups"]

# how much nearer today's ground may come to a beam that is lowered, where the model has not complained yet
_MORE_CREST_M = 0.05
#: Ground beside a dead spot that is held too in the first round, m.
_REACH_M = 6.0
#: States at the edges of tolerance that are looked at before the others: built low, built high, settled.
_FIRST_STATES = 3
_POST_RADIUS_M = 0.6  # foundations keep their ground (common practice, no source)


@dataclass(frozen=True)
class GradeSettings:
    """How zones are graded.

    rules : slopes, prices, balance. under_m : half width of the ground that has to follow the line, about the radius of
    the first Fresnel zone. batter_m : ground on both sides of it that may be worked to tie in.
    tolerance_m : metres from straight first asked for, by threat. height_limits : lowest and highest head height by
    level; a level that is missing keeps its heads where they are. headroom : share of the threshold that graded ground
    keeps in hand. tolerances : how far works and heads may be off while the zone stays clear. machine : what can be
    made. accuracy_m : works thinner than what the survey is good for are not made. water : what flow paths keep; None
    leaves water out of account. draws : draws of each kind of uneven building that a surface is tried in.
    """

    rules: GradingRules
    tolerance_m: Mapping[str, float]
    under_m: float = 1.0
    batter_m: float = 2.0
    height_limits: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    max_rounds: int = 10
    headroom: float = 0.1
    tolerances: Tolerances = field(default_factory=Tolerances)
    machine: Machine = field(default_factory=Machine)
    accuracy_m: float = 0.0
    water: WaterRules | None = None
    draws: int = 2

    @property
    def clear_words(self) -> str:
        """What is said of a surface that the model agrees with in every state tried."""
        t = self.tolerances
        if not t.build_m and not t.settle_m:
            return "clear in a re-run"
        return f"clear in a re-run, built within +-{t.build_m * 100:.0f} cm, settled {t.settle_m * 100:.0f} cm"


@dataclass(frozen=True)
class ZoneGrading:
    """What grading a group of zones came to.

    zones : the zones with their heads at the heights the design stands on. strip : cells; design : (n,) levels,
    existing where nothing was found. proofs : one per zone, by the model on the design and on what may become of it.
    made : None where no surface satisfies the limits; reason says why or what the re-run said. crossings : ways for
    water through the works. price : of everything, crossings and moved heads included, 0 where nothing was found.
    ponds_m3 : new standing water that the works leave. buildable : False where the limits could only be met with works
    thinner or narrower than asked.
    """

    zones: tuple[Zone, ...]
    strip: StripCells
    design: np.ndarray
    proofs: tuple[Proof, ...]
    proven: bool
    rounds: int
    reason: str
    made: ProvenGrading | None
    crossings: tuple[WaterCrossing, ...] = ()
    price: float = 0.0
    dry: bool = True
    buildable: bool = True

    @property
    def state(self) -> State:
        """The zones on the design, to be disturbed."""
        return State(self.zones, self.strip, self.design)

    def own(self, zone_id: str) -> npt.NDArray[np.bool_]:
        """The cells of the strip that are nearest to one of the zones."""
        away = []
        for zone in self.zones:
            along, off = zone.line.from_map(self.strip.x, self.strip.y)
            away.append(np.hypot(off, np.maximum(np.maximum(-along, along - zone.line.length), 0.0)))
        return np.argmin(away, axis=0) == [zone.zone_id for zone in self.zones].index(zone_id)

    def volumes(self, mine: npt.NDArray[np.bool_] | None = None) -> tuple[float, float, float, float]:
        """Cut m3, fill m3, worked area m2 and greatest depth m, over all cells or those given."""
        change = self.design - self.strip.cells.ground
        if mine is not None:
            change = change[mine]
        a = self.strip.cells.area
        moved = np.abs(change) > 1e-4
        depth = float(np.abs(change).max()) if len(change) else 0.0
        cut = np.abs(change[change < 0]).sum() * a  # no minus before nothing
        return float(cut), float(change[change > 0].sum() * a), float(moved.sum() * a), depth


@dataclass(frozen=True)
class _Demand:
    """What a zone's surface has to stand up to.

    hopeless, tight, edge : by threat, stations that would let it through on straight ground too, at the threshold, with
    the headroom, and with heads off by their tolerance; no grading mends those. near : stations that must keep the
    headroom.
    """

    hopeless: Mapping[str, npt.NDArray[np.bool_]]
    tight: Mapping[str, npt.NDArray[np.bool_]]
    edge: Mapping[str, npt.NDArray[np.bool_]]
    near: npt.NDArray[np.bool_]


Modulation = dict[str, np.ndarray]


def _proof(
    perimeter: Perimeter,
    zone: Zone,
    own: Modulation | None,
    edges: Sequence[Modulation],
    demand: _Demand,
    headroom: float,
) -> Proof:
    """What the model says of a zone to the grading loop.

    own : modulation of its heads on the ground as designed, None to leave that out. edges : at the edges of tolerance.
    """
    at = perimeter.grids[zone.zone_id].chainage_m
    mend, lost = np.zeros(len(at), bool), np.zeros(len(at), bool)
    if own is not None:
        for threat, d in perimeter.dead(zone.zone_id, own).items():
            mend |= d & ~demand.hopeless[threat]
            lost |= d & demand.hopeless[threat]
    if own is not None and headroom > 0:
        for threat, d in perimeter.dead(zone.zone_id, own, headroom=headroom).items():
            mend |= demand.near & d & ~demand.tight[threat]
    for edge in edges:
        for threat, d in perimeter.dead(zone.zone_id, edge).items():
            mend |= d & ~demand.edge[threat]
    return Proof(at, mend, lost & ~mend)


def grade_group(
    perimeter: Perimeter,
    surface: DesignSurface,
    zones: Sequence[Zone],
    settings: GradeSettings,
    *,
    keep: Kept | None = None,
) -> ZoneGrading:
    """Grade one zone, or several whose strips overlap, with one programme; `surface` is not changed.

    zones : with their heads as they would stand; the lowest pair is the one whose line the ground follows.
    keep : read by rows and columns of the surface, True where nothing may be moved.
    """
    half = settings.under_m
    near = dict.fromkeys(n for z in zones for n in (z.zone_id, *perimeter.neighbours(z.zone_id)))
    lines_of = [perimeter.zones[n].line for n in near if n in perimeter.zones] + [z.line for z in zones]
    posts = [(x, y, _POST_RADIUS_M) for li in lines_of for x, y in ((li.x0, li.y0), (li.x1, li.y1))]
    strip = surface.strip_cells({z.zone_id: z.line for z in zones}, half + settings.batter_m, keep=keep, keep_off=posts)
    trial = _Group(perimeter, surface, zones, strip, settings)
    # without a thought for water first: where nothing is dammed, or to drain what is costs least, that is the answer
    best = trial.run(frozenset(), keep_falls=False)
    keep_falls = False
    if best.crossings or not best.dry:
        best, keep_falls = min(
            ((best, False), (trial.run(frozenset(), keep_falls=True), True)), key=lambda pair: _rank(pair[0])
        )
    held_is_good = best.proven and best.dry and best.buildable
    for heads, least in trial.choices()[: 1 if held_is_good else None]:
        if best.proven and best.dry and least >= best.price - sum(c.cost for c in best.crossings):
            break
        best = min((best, trial.run(heads, keep_falls=keep_falls)), key=_rank)
    return best


def _rank(grading: ZoneGrading) -> tuple[bool, bool, bool, float]:
    """What comes first is to be taken: a surface that is there, clear, dry and cheap, in this order."""
    return grading.made is None, not grading.proven, not grading.dry, grading.price


#: Heads that may be moved: number of the zone, and 0 for the transmitter's end or 1 for the receiver's.
Heads = frozenset[tuple[int, int]]


class _Group:
    """Zones on one strip: what they are asked, and the cheapest works with heads held or free."""

    def __init__(
        self,
        perimeter: Perimeter,
        surface: DesignSurface,
        zones: Sequence[Zone],
        strip: StripCells,
        settings: GradeSettings,
    ) -> None:
        self.perimeter, self.surface, self.zones, self.strip, self.settings = perimeter, surface, zones, strip, settings
        levels = {z.zone_id: perimeter.levels(z.zone_id, surface) for z in zones}
        margin, ground = settings.headroom, strip.cells.ground
        straight = [_straight(perimeter, z, settings) for z in zones]
        today = State(tuple(zones), strip, ground)
        # nothing is worked yet: only the heads can be off
        edges = [s for s in edge_states(today, 0, settings.tolerances) if s.zones is not today.zones]
        now, *off = self._solved([today, *edges], surface)
        self.demands = []
        for number, (zone, (flat, _, flat_off)) in enumerate(zip(zones, straight, strict=True)):
            open_ = np.any(list(perimeter.dead(zone.zone_id, now[number]).values()), axis=0)
            hopeless = perimeter.dead(zone.zone_id, flat)
            edge = {t: h.copy() for t, h in hopeless.items()}
            for case in flat_off:
                for t, d in perimeter.dead(zone.zone_id, case).items():
                    edge[t] |= d
            tight = perimeter.dead(zone.zone_id, flat, headroom=margin)
            chainage = perimeter.grids[zone.zone_id].chainage_m
            self.demands.append(_Demand(hopeless, tight, edge, spread(chainage, open_, _REACH_M)))
        self.first = self._judged(now, *off)
        self.tolerance = min(settings.tolerance_m[t] for t in perimeter.rules.targets)
        self.free_lines = [
            _sight_line(z, levels[z.zone_id], strip, settings.under_m, self.tolerance, move)
            for z, (_, move, _) in zip(zones, straight, strict=True)
        ]
        tolerances = settings.tolerances
        self.rules = replace(settings.rules, build_m=tolerances.build_m, settle_m=tolerances.settle_m)
        self.drainage = None
        if settings.water is not None:
            self.drainage = Drainage(surface, strip, settings.water, settings.rules.prices)

    def _lines(self, free: Heads) -> list[SightLine]:
        """The lines of sight, with only the ends of these heads free."""
        return [
            replace(line, reach=(_reach(line, 0, (k, 0) in free), _reach(line, 1, (k, 1) in free)))
            for k, line in enumerate(self.free_lines)
        ]

    def _solver(self) -> Solver:
        machine = self.settings.machine
        lift = max(machine.least_lift_m, self.settings.accuracy_m)
        return Solver(self.strip.cells, self.rules, replace(machine, least_lift_m=lift), self.drainage)

    def _solved(self, states: Sequence[State], ground: DesignSurface | None = None) -> list[list[Modulation]]:
        """Modulation of every zone in each of the states, on a ground or, if none is given, on their design."""
        cases = []
        for each in states:
            there = ground
            if there is None:
                there = self.surface.around(self.strip)
                there.apply(self.strip, each.design)
            cases += [(z, self.perimeter.strip(z.zone_id, there)) for z in each.zones]
        solved = self.perimeter.modulations(cases)
        k = len(self.zones)
        return [solved[i : i + k] for i in range(0, len(solved), k)]

    def _judged(self, now: list[Modulation] | None, *off: list[Modulation]) -> list[Proof]:
        """Proofs from the modulation on the ground as designed, None to leave that out, and at the edges."""
        margin = self.settings.headroom
        return [
            _proof(self.perimeter, z, None if now is None else now[k], [each[k] for each in off], d, margin)
            for k, (z, d) in enumerate(zip(self.zones, self.demands, strict=True))
        ]

    def _settled(self, ends: np.ndarray) -> tuple[Zone, ...]:
        return tuple(_with_ends(z, line, e) for z, line, e in zip(self.zones, self.free_lines, ends, strict=True))

    def _prove(self, grading: Grading) -> list[Proof]:
        state = State(self._settled(grading.ends), self.strip, grading.design)
        states = edge_states(state, self.settings.draws, self.settings.tolerances)
        # what fails first fails soonest: the rest is not asked then
        made = self._judged(*self._solved([state, *states[:_FIRST_STATES]]))
        if any(p.open.any() for p in made) or len(states) <= _FIRST_STATES:
            return made
        rest = self._judged(None, *self._solved(states[_FIRST_STATES:]))
        return [replace(a, dead=a.dead | b.dead) for a, b in zip(made, rest, strict=True)]

    def choices(self) -> list[tuple[Heads, float]]:
        """Sets of heads worth moving, each with a price that its works will hardly be below, the lowest first.

        The price is that of the first tolerances, without regard to machines and water.
        """
        able = [
            (k, end)
            for k, line in enumerate(self.free_lines)
            for end, (low, high) in enumerate(line.reach)
            if high - low > 1e-6
        ]
        sets = {frozenset(able), *(frozenset([head]) for head in able if len(self.zones) == 1)} - {frozenset()}
        asked = [np.where(spread(p.chainage, p.open, _REACH_M), self.tolerance, np.inf) for p in self.first]
        lengths = [z.line.length for z in self.zones]
        found = []
        for heads in sets:
            try:
                earth = self._solver().rough(tightened(self._lines(heads), lengths, self.first, asked))
            except InfeasibleError:
                earth = 0.0
            found.append((heads, earth + self.settings.rules.prices.set_head * len(heads)))
        return sorted(found, key=lambda item: (item[1], sorted(item[0])))

    def run(self, free: Heads, *, keep_falls: bool) -> ZoneGrading:
        """The cheapest works with these heads free to move and the others held."""
        settings, strip = self.settings, self.strip
        solver = self._solver()
        solver.keep = keep_falls
        search = Search(self.tolerance, _REACH_M, max_rounds=settings.max_rounds)
        lengths = [z.line.length for z in self.zones]
        lines = self._lines(free)
        try:
            made = grade_until_clear(lines, lengths, solver, self._prove, self.first, search, solver.dry)
        except InfeasibleError as problem:
            reason = f"{problem.what} At {problem.where}: {problem.found}."
            ground = strip.cells.ground.copy()
            return ZoneGrading(tuple(self.zones), strip, ground, tuple(self.first), False, 0, reason, None)
        crossings, ponds = solver.water(made.grading)
        price = solver.price(made.grading, crossings)
        reason = made.reason if not made.proven else settings.clear_words
        if ponds:
            reason += f"; {len(ponds)} place(s) where water would stand and no crossing drains it"
        return ZoneGrading(
            self._settled(made.grading.ends),
            strip,
            made.grading.design,
            tuple(made.proofs),
            made.proven,
            made.rounds,
            reason,
            made,
            tuple(crossings),
            price,
            not ponds,
            solver.buildable(made.grading),
        )


def strip_groups(zones: Sequence[Zone], reach_m: float, most: int = 4) -> list[list[Zone]]:
    """Runs of zones whose strips overlap, at most `most` together: one programme each."""
    groups: list[list[Zone]] = []
    for zone in zones:
        area = zone.line.rectangle(0.0, zone.line.length, reach_m)
        last = groups[-1] if groups else None
        near = last is not None and last[-1].line.rectangle(0.0, last[-1].line.length, reach_m).intersects(area)
        if last is not None and near and len(last) < most:
            last.append(zone)
        else:
            groups.append([zone])
    return groups


def _straight(
    perimeter: Perimeter, zone: Zone, settings: GradeSettings
) -> tuple[Modulation, tuple[float, float], list[Modulation]]:
    """The zone's modulation on straight ground; how far down (negative) and up its lowest heads may move; and the
    modulation with all heads off by their tolerance.

    A move that would blind straight ground beside the heads is no use: then half, then a quarter of the way to the
    limit is tried, and none where that does too.
    """
    pair = zone.pairs[0]
    rest = replace(zone, pairs=zone.pairs[1:])
    heights = np.array([pair.tx_height_m, pair.rx_height_m])
    low, high = settings.height_limits.get(pair.level, (float(heights.min()), float(heights.max())))
    span = min(low - float(heights.min()), 0.0), max(high - float(heights.max()), 0.0)
    moves = [share * end for end in span for share in (1.0, 0.5, 0.25) if end]
    flat = straight_ground(perimeter.grids[zone.zone_id], perimeter.levels(zone.zone_id))
    alone = replace(zone, pairs=(pair,))
    cases = [alone.with_heights(pair.level, *(heights + move)) for move in (0.0, *moves)]
    if rest.pairs:
        cases.append(rest)
    h = settings.tolerances.heads_m
    off = [_off(zone, tx, rx) for tx, rx in ((-h, -h), (h, h), (-h, h), (h, -h))] if h else []
    solved = perimeter.modulations([(case, flat) for case in [*cases, *off]])
    flat_off = solved[len(cases) :]
    solved = solved[: len(cases)]
    others = solved.pop() if rest.pairs else None
    owns = [m if others is None else {t: np.maximum(m[t], others[t]) for t in m} for m in solved]
    blind = [np.any(list(perimeter.dead(zone.zone_id, own).values()), axis=0) for own in owns]
    fits = [move for move, b in zip(moves, blind[1:], strict=True) if not (b & ~blind[0]).any()]
    return owns[0], (min([0.0, *fits]), max([0.0, *fits])), flat_off


def _off(zone: Zone, tx: float, rx: float) -> Zone:
    return replace(
        zone,
        pairs=tuple(replace(p, tx_height_m=p.tx_height_m + tx, rx_height_m=p.rx_height_m + rx) for p in zone.pairs),
    )


def _sight_line(
    zone: Zone, level: np.ndarray, strip: StripCells, half: float, clearance: float, move: tuple[float, float]
) -> SightLine:
    along, off = zone.line.from_map(strip.x, strip.y)
    under = np.flatnonzero((np.abs(off) <= half) & (along >= 0) & (along <= zone.line.length) & strip.cells.movable)
    fraction = along[under] / zone.line.length
    middle = level[:, level.shape[1] // 2]
    feet = float(middle[0]), float(middle[-1])
    reach = [(foot + move[0], foot + move[1]) for foot in feet]
    above = strip.cells.ground[under] - (feet[0] + fraction * (feet[1] - feet[0]))
    return SightLine(
        zone.zone_id,
        under,
        fraction,
        np.full(len(under), np.inf),
        np.maximum(clearance, above + _MORE_CREST_M),
        feet,
        (reach[0], reach[1]),
    )


def _reach(line: SightLine, end: int, free: bool) -> tuple[float, float]:
    return line.reach[end] if free else (line.ends[end], line.ends[end])


def _with_ends(zone: Zone, line: SightLine, ends: np.ndarray) -> Zone:
    pair = zone.pairs[0]
    return zone.with_heights(
        pair.level,
        pair.tx_height_m + float(ends[0] - line.ends[0]),
        pair.rx_height_m + float(ends[1] - line.ends[1]),
    )
