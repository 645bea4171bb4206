"""Zones on one strip: what is required of them, and the cheapest works with heads held or free."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import replace

import numpy as np

from geotools.beam.strip import Strip
from geotools.detection.perimeter import Perimeter
from geotools.earthwork.demand import Demand, Modulation, proof_of, reach_of, sight_line, straight_case, with_ends
from geotools.earthwork.disturb import State, Tolerances, edge_states
from geotools.earthwork.falls import Drainage
from geotools.earthwork.known import Known
from geotools.earthwork.limits import SightLine
from geotools.earthwork.programme import Grading
from geotools.earthwork.proof import CheckedGrading, Proof, Search, grade_until_clear, spread, tightened
from geotools.earthwork.solving import Solver
from geotools.earthwork.zone_grading import TOO_THIN, GradeSettings, ZoneGrading
from geotools.errors import InfeasibleError, counted
from geotools.plan.model import Zone
from geotools.terrain.design import DesignSurface, StripCells

__all__ = ["Heads", "ZoneGroup"]

#: Ground beside a dead spot that is held too in the first round, m.
_REACH_M = 6.0
#: States at the edges of tolerance that are looked at before the others: built low, built high, settled.
_FIRST_STATES = 3

#: Heads that may be moved: number of the zone, and 0 for the transmitter's end or 1 for the receiver's.
Heads = frozenset[tuple[int, int]]


class ZoneGroup:
    """Zones on one strip: what is required of them, and the cheapest works with heads held or free."""

    def __init__(
        self,
        perimeter: Perimeter,
        surface: DesignSurface,
        zones: Sequence[Zone],
        strip: StripCells,
        settings: GradeSettings,
        known: Known,
    ) -> None:
        self.known, self._proofs = known, dict[tuple[bytes, bytes], list[Proof]]()
        self.perimeter, self.surface, self.zones, self.strip, self.settings = perimeter, surface, zones, strip, settings
        self.built = _with_others_works(surface, zones, strip, settings)
        levels = {z.zone_id: perimeter.levels(z.zone_id, surface) for z in zones}
        margin, ground = settings.headroom, strip.cells.ground
        straight = [straight_case(perimeter, z, settings) for z in zones]
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
            self.demands.append(Demand(hopeless, tight, edge, spread(chainage, open_, _REACH_M)))
        self.first = self._judged(now, *off)
        self.tolerance = min(settings.tolerance_m[t] for t in perimeter.rules.targets)
        self.free_lines = [
            sight_line(z, levels[z.zone_id], strip, settings.under_m, self.tolerance, move)
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
            replace(line, reach=(reach_of(line, 0, (k, 0) in free), reach_of(line, 1, (k, 1) in free)))
            for k, line in enumerate(self.free_lines)
        ]

    def _solver(self) -> Solver:
        machine = self.settings.machine
        lift = max(machine.least_lift_m, self.settings.accuracy_m)
        return Solver(self.strip.cells, self.rules, replace(machine, least_lift_m=lift), self.drainage, self.known)

    def _solved(
        self,
        states: Sequence[State],
        ground: DesignSurface | None = None,
        pairs: slice = slice(None),
        strips: dict[int, list[Strip]] | None = None,
    ) -> list[list[Modulation]]:
        """Modulation of every zone in each of the states, on a ground or, if none is given, on their design.

        pairs : those of each zone's pairs of heads that are computed, the lowest first. strips : of the zones, by the
        identity of the design; those that are not there are made.
        """
        known = {} if strips is None else strips
        cases = []
        for each in states:
            levels = each.design if ground is None else ground
            # heads that are off stand on the same ground as those that are not
            if id(levels) not in known:
                known[id(levels)] = self._strips_on(ground, each.design)
            strips_now = zip(each.zones, known[id(levels)], strict=True)
            cases += [(replace(zone, pairs=zone.pairs[pairs]), strip) for zone, strip in strips_now]
        solved = self.perimeter.modulations(cases)
        k = len(self.zones)
        return [solved[i : i + k] for i in range(0, len(solved), k)]

    def _above(self, of: Sequence[tuple[State, int]], strips: dict[int, list[Strip]]) -> list[Modulation]:
        """What the heads above the lowest of zones in states give; strips : as of `_solved`, all of them made."""
        cases = [(state.zones[k], strips[id(state.design)][k]) for state, k in of]
        return self.perimeter.modulations([(replace(zone, pairs=zone.pairs[1:]), strip) for zone, strip in cases])

    def _strips_on(self, ground: DesignSurface | None, design: np.ndarray) -> list[Strip]:
        """Every zone's strip on a ground or, if none is given, on a design."""
        there = ground
        if there is None:
            there = self.surface.around(self.built)
            there.apply(self.built, design)
        return [self.perimeter.strip(zone.zone_id, there) for zone in self.zones]

    def _judged(self, now: list[Modulation] | None, *off: list[Modulation]) -> list[Proof]:
        """Proofs from the modulation on the ground as designed, None to leave that out, and at the edges."""
        margin = self.settings.headroom
        return [
            proof_of(self.perimeter, z, None if now is None else now[k], [each[k] for each in off], d, margin)
            for k, (z, d) in enumerate(zip(self.zones, self.demands, strict=True))
        ]

    def _settled(self, ends: np.ndarray) -> tuple[Zone, ...]:
        return tuple(with_ends(z, line, e) for z, line, e in zip(self.zones, self.free_lines, ends, strict=True))

    def _prove(self, grading: Grading) -> list[Proof]:
        """What the model says of a grading, built as designed and at every edge of tolerance."""
        key = grading.design.tobytes(), grading.ends.tobytes()
        if key not in self._proofs:
            state = State(self._settled(grading.ends), self.built, grading.design)
            states = edge_states(state, self.settings.draws, self.settings.tolerances)
            # what fails first fails soonest: the rest is not computed then
            made = self._proven(state, states[:_FIRST_STATES])
            if not any(p.open.any() for p in made) and len(states) > _FIRST_STATES:
                rest = self._proven(None, states[_FIRST_STATES:])
                made = [replace(a, dead=a.dead | b.dead) for a, b in zip(made, rest, strict=True)]
            self._proofs[key] = made
        return self._proofs[key]

    def _proven(self, state: State | None, edges: Sequence[State]) -> list[Proof]:
        """Proofs of the ground as designed, None to leave that out, and at the edges of tolerance.

        The lowest heads are solved first, one zone after the other: where nobody gets past them alone, the heads above
        them are not needed for the answer.
        """
        first = 0 if state is None else 1
        states = [*edges] if state is None else [state, *edges]
        strips: dict[int, list[Strip]] = {}
        found = self._solved(states, pairs=slice(0, 1), strips=strips)

        def proofs(*which: int) -> list[Proof]:
            designed = [found[i] for i in which if i < first]
            return self._judged(designed[0] if designed else None, *[found[i] for i in which if i >= first])

        made = proofs(*range(len(states)))
        if not _anybody(made):
            return made
        not_alone = [(i, k) for i in range(len(states)) for k, one in enumerate(proofs(i)) if _anybody([one])]
        above = self._above([(states[i], k) for i, k in not_alone], strips)
        for (i, k), high in zip(not_alone, above, strict=True):
            found[i][k] = {t: np.maximum(low, high[t]) for t, low in found[i][k].items()}
        return proofs(*range(len(states)))

    def choices(self, most: float) -> list[tuple[Heads, float]]:
        """Sets of heads worth moving, each with a price that its works will hardly be below, the lowest first.

        The price is that of the first tolerances, without regard to machines and water. Sets that come to `most` are
        left out.
        """
        able = [
            (k, end)
            for k, line in enumerate(self.free_lines)
            for end, (low, high) in enumerate(line.reach)
            if high - low > 1e-6
        ]
        if not able:
            return []
        one = self.settings.rules.prices.set_head
        every = frozenset(able)
        earth = self._rough(every)
        found = [(every, earth + one * len(able))]
        # with fewer heads free there is no less earth to move
        if len(self.zones) == 1 and len(able) > 1 and earth + one < most:
            found += [(frozenset([head]), self._rough(frozenset([head])) + one) for head in able]
        return sorted([f for f in found if f[1] < most], key=lambda item: (item[1], sorted(item[0])))

    def _rough(self, heads: Heads) -> float:
        """Price of the earthworks at the first tolerances with these heads free; 0 where nothing is found."""
        asked = [np.where(spread(p.chainage, p.open, _REACH_M), self.tolerance, np.inf) for p in self.first]
        lengths = [z.line.length for z in self.zones]
        try:
            return self._solver().rough(tightened(self._lines(heads), lengths, self.first, asked))
        except InfeasibleError:
            return 0.0

    def run(self, free: Heads, *, keep_falls: bool, most: float = np.inf) -> ZoneGrading:
        """The cheapest works with these heads free to move and the others held.

        most : price from which on nobody wants them.
        """
        settings, strip = self.settings, self.strip
        solver = self._solver()
        solver.keep = keep_falls
        search = Search(self.tolerance, _REACH_M, max_rounds=settings.max_rounds, most=most)
        lengths = [z.line.length for z in self.zones]
        lines = self._lines(free)
        try:
            made = grade_until_clear(lines, lengths, solver, self._prove, self.first, search, solver.dry)
        except InfeasibleError as problem:
            ground = strip.cells.ground.copy()
            return ZoneGrading(tuple(self.zones), strip, ground, tuple(self.first), False, 0, "", None, unfit=problem)
        return self._finished(made, solver)

    def _finished(self, made: CheckedGrading, solver: Solver) -> ZoneGrading:
        """A surface with its water and its price."""
        crossings, ponds = solver.water(made.grading)
        price = solver.price(made.grading, crossings)
        reason = made.reason if not made.clear else self.settings.clear_words
        buildable = solver.buildable(made.grading)
        if not buildable:
            reason += f"; {TOO_THIN}"
        if ponds:
            reason += f"; {counted(len(ponds), 'place')} where water would stand and no crossing drains it"
        return ZoneGrading(
            self._settled(made.grading.ends),
            self.strip,
            made.grading.design,
            tuple(made.proofs),
            made.clear,
            made.rounds,
            reason,
            made,
            tuple(crossings),
            price,
            not ponds,
            buildable,
            bound=solver.bound(made.grading),
            unfit=made.unfit,
        )

    def with_robustness(self, best: ZoneGrading) -> ZoneGrading:
        """Works with what they would cost, the same heads moved, if everything turned out as drawn."""
        if best.made is None or not best.clear:
            return best
        drawn = copy(self)
        drawn.settings = replace(self.settings, tolerances=Tolerances(0.0, 0.0, 0.0))
        drawn.rules = replace(self.rules, build_m=0.0, settle_m=0.0)
        drawn._proofs = {}
        moved = frozenset((int(k), int(end)) for k, end in np.argwhere(best.made.grading.moved))
        other = drawn.run(moved, keep_falls=False)
        price = other.price if other.clear and other.dry else best.price
        return replace(best, as_drawn=min(price, best.price))


def _with_others_works(
    surface: DesignSurface, zones: Sequence[Zone], strip: StripCells, settings: GradeSettings
) -> StripCells:
    """The strip on the ground without works: what others do there may turn out as uneven as what is looked for."""
    if not surface.change_at(strip.x, strip.y).any():
        return strip
    return surface.blank().strip_cells({z.zone_id: z.line for z in zones}, settings.reach_m)


def _anybody(proofs: Sequence[Proof]) -> bool:
    """Whether somebody gets through anywhere, be it where grading can mend it or not."""
    return any(p.dead.any() or p.hopeless.any() for p in proofs)
