"""One strip's programme with what machines and water add to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from geotools.earthwork.buildable import Machine, buildable_bounds
from geotools.earthwork.conflicts import Held
from geotools.earthwork.falls import Drainage, WaterCrossing
from geotools.earthwork.known import Known
from geotools.earthwork.limits import Falls, SightLine
from geotools.earthwork.linear import Programme, UnfitError
from geotools.earthwork.programme import Grading, GradingRules, Weighing, grade
from geotools.earthwork.proof import LEAST_M
from geotools.errors import InfeasibleError
from geotools.terrain.cells import Cells

__all__ = ["Solver"]

#: What the thinnest works are that are left away, m.
_SPARE_M = 0.01
#: Ground so far out of what is required has to be worked for certain, m.
_OUT_M = 1e-3
#: Times that the crossings are settled anew from the start.
_MOST_AGAIN = 1
#: Crossings whose falls are tried in their place at a time.
_MOST_TAKEN_BACK = 5
#: Cells that worked ground is widened by, whether flow may have to go round the edge of a lift, and whether works may
#: be thinner than a lift: the first that works counts. What water stands then is looked for afterwards, and drained.
_TRIES = ((0, False, False), (0, True, False), (1, True, False), (2, True, False), (1, True, True))


class Solver:
    """The cheapest buildable grading for lines, on one strip; called once for every tolerance that is tried."""

    def __init__(
        self, cells: Cells, rules: GradingRules, machine: Machine, drainage: Drainage | None, known: Known
    ) -> None:
        self.cells, self.machine, self.drainage, self.known = cells, machine, drainage, known
        #: whether flow paths keep their falls; else every pond gets its crossing
        self.keep = True
        self.prices = rules.prices
        # which heads may move is settled before: that keeps the whole numbers out of the programme
        self.rules = replace(rules, prices=replace(rules.prices, set_head=0.0))
        self._spare = min(_SPARE_M, machine.least_lift_m)
        slope = max(self.rules.max_slope - self._spare / float(np.sqrt(cells.area)), self.rules.max_slope / 2)
        self._closer = replace(self.rules, max_slope=slope)
        self._held = Held(cells, self.rules)
        self._last: np.ndarray | None = None
        self._built: np.ndarray | None = None
        self._again = 0
        self._thin: set[int] = set()
        #: what was required of each design, which is kept so that no other takes its place
        self._asked: dict[int, tuple[np.ndarray, list[SightLine]]] = {}

    def rough(self, lines: Sequence[SightLine]) -> float:
        """Price of the cheapest earthworks without regard to machines and water."""
        self._refuse(lines, None)
        return grade(self.cells, lines, self.rules, weighing=Weighing(times=2, known=self.known), explain=False).cost

    def __call__(self, lines: Sequence[SightLine]) -> Grading:
        """The cheapest grading that a machine can make; InfeasibleError where no surface satisfies the limits."""
        falls = self._kept_falls(lines)
        try:
            return self._whole(lines, falls)
        except InfeasibleError:
            if self._built is None or self._again >= _MOST_AGAIN:
                raise
        self._again += 1
        self._built = None  # what was cheapest for a wider tolerance may be out of reach for a closer one
        return self._whole(lines, self._kept_falls(lines))

    def _whole(self, lines: Sequence[SightLine], falls: Falls | None) -> Grading:
        # a little closer than required, so that leaving the thinnest of it away breaks no limit
        told = [replace(line, low=line.low - self._spare, high=line.high - self._spare) for line in lines]
        # whatever satisfies that satisfies what is required; mostly nothing does, which takes no programme to see
        self._refuse(lines, falls)
        try:
            free = self._free(told, self._closer, falls)
        except InfeasibleError:
            free = self._free(lines, self.rules, falls)
        # the programme moves heads for nothing; beside other gradings it is compared with them priced
        free = replace(free, cost=free.cost + self.prices.set_head * float(free.moved.sum()))
        change = free.design - self.cells.ground
        self._last = change
        if not np.abs(change).max(initial=0.0) > 0:
            return free
        if not (self.machine.least_lift_m or self.machine.least_width_m):
            return self._without_dust(free)
        for wider, round_, thin in _TRIES:
            ease = self.machine.least_lift_m + _SPARE_M if round_ else 0.0
            low, high = buildable_bounds(
                self.cells, change, self.machine, wider=wider, max_slope=self.rules.max_slope, thin=thin
            )
            told = [self._for_machines(line, free.ends[k], low, high) for k, line in enumerate(lines)]
            try:
                made = grade(
                    self.cells,
                    told,
                    self.rules,
                    falls=None if falls is None else replace(falls, least=falls.least - ease),
                    bounds=(low, high),
                    weighing=Weighing(change, 1, self.known),
                    explain=False,
                )
            except InfeasibleError:
                continue
            made = replace(made, moved=free.moved, cost=self.price(replace(made, moved=free.moved), ()) + made.water)
            if thin:
                self._thin.add(id(made.design))
            self._asked[id(made.design)] = made.design, told
            return made
        self._thin.add(id(free.design))
        return free

    def _refuse(self, lines: Sequence[SightLine], falls: Falls | None) -> None:
        """UnfitError where it is plain that no surface satisfies the lines."""
        held = self._held if falls is None else Held(self.cells, self.rules, falls)
        if held.contradict(lines):
            programme = Programme(self.cells, lines, self.rules, falls)
            far = np.where(self.cells.movable, np.inf, 0.0)
            raise UnfitError(partial(programme.why_unfit, programme.now - programme.datum, -far, far))

    def _kept_falls(self, lines: Sequence[SightLine]) -> Falls | None:
        """The falls to keep, once it is settled which crossings are cheaper than keeping theirs.

        All are left out at first; of those that are lost then, the dearest crossing first, each is taken back where
        its fall costs less. That takes the whole numbers out of every later solve.
        """
        if self.drainage is None or not self.keep:
            return None
        falls = self.drainage.falls()
        known = np.zeros(0, bool) if self._built is None else self._built
        new = np.arange(len(falls.prices)) >= len(known)
        if not new.any():
            return falls.built(known)

        def tried(built: np.ndarray) -> tuple[float, np.ndarray]:
            try:
                made = grade(
                    self.cells,
                    lines,
                    self.rules,
                    falls=falls.built(built),
                    weighing=Weighing(self._last, 1, self.known),
                    explain=False,
                )
            except InfeasibleError:
                return np.inf, built
            needed = falls.lost(made.design)
            return made.cost + float(falls.prices[needed].sum()), needed

        price, built = tried(np.r_[known, new[len(known) :]])
        for number in sorted(np.flatnonzero(built & new), key=lambda j: -falls.prices[j])[:_MOST_TAKEN_BACK]:
            if built[number]:
                fewer = built.copy()
                fewer[number] = False
                other, needed = tried(fewer)
                if other <= price:
                    price, built = other, needed
        self._built = built
        return falls.built(built)

    def _free(self, lines: Sequence[SightLine], rules: GradingRules, falls: Falls | None) -> Grading:
        return self._grade(lines, rules, falls, 3 if self._last is None else 1)

    def _grade(self, lines: Sequence[SightLine], rules: GradingRules, falls: Falls | None, times: int) -> Grading:
        weighing = Weighing(self._last, times, self.known)
        return grade(self.cells, lines, rules, falls=falls, weighing=weighing, explain=False)

    def _without_dust(self, grading: Grading) -> Grading:
        """The grading without changes too thin to see; what is left is what the model is in question."""
        dust = np.abs(grading.design - self.cells.ground) < LEAST_M
        made = replace(
            grading,
            cut=np.where(dust, 0.0, grading.cut),
            fill=np.where(dust, 0.0, grading.fill),
            design=np.where(dust, self.cells.ground, grading.design),
        )
        return replace(made, cost=self.price(made, ()) + made.water)

    def _for_machines(self, line: SightLine, ends: np.ndarray, low: np.ndarray, high: np.ndarray) -> SightLine:
        """The line without what would have been worked by less than a machine can, and with room for a lift elsewhere.

        Whether the ground is straight enough then is for the model to say.
        """
        c = line.cells
        above = self.cells.ground[c] - ends[0] - line.fraction * (ends[1] - ends[0])
        still = (low[c] == 0) & (high[c] == 0)
        lift = self.machine.least_lift_m + self.rules.build_m
        more_high = np.where(low[c] > 0, np.maximum(line.high, above + lift), line.high)
        more_low = np.where(high[c] < 0, np.maximum(line.low, lift - above), line.low)
        low_, high_ = np.where(still, np.inf, more_low), np.where(still, np.inf, more_high)
        a, b = float(ends[0]), float(ends[1])
        return replace(line, low=low_, high=high_, ends=(a, b), reach=((a, a), (b, b)))

    def buildable(self, grading: Grading) -> bool:
        """Whether this grading, one of those made here, is no thinner and no narrower than the machine allows."""
        return id(grading.design) not in self._thin

    def bound(self, grading: Grading) -> float | None:
        """Price that no works with these heads, within the limits of this grading, stay below; None where nothing
        is kept of what was required.

        Earth by the linear programme without regard to area, lifts and water, whose optimum is certain; and the area of
        the cells that lie out of what was required and so have to be worked in any case.
        """
        if id(grading.design) not in self._asked:
            return None
        _, lines = self._asked[id(grading.design)]
        prices = replace(self.rules.prices, surface_m2=0.0, strip_m2=0.0)
        rules = replace(self.rules, prices=prices)
        earth = grade(self.cells, lines, rules, weighing=Weighing(times=1, known=self.known), explain=False).cost
        out = np.zeros(len(self.cells.ground), bool)
        for line in lines:
            a, b = line.ends
            above = self.cells.ground[line.cells] - a - line.fraction * (b - a)
            out[line.cells[(above < -line.low - _OUT_M) | (above > line.high + _OUT_M)]] = True
        area = self.prices.area_m2 * float(out.sum()) * self.cells.area
        return earth + area + self.prices.set_head * float(grading.moved.sum())

    def water(self, grading: Grading) -> tuple[list[WaterCrossing], list[np.ndarray]]:
        """Crossings the grading needs and ponds it leaves."""
        return ([], []) if self.drainage is None else self.drainage.after(grading.design, every=True)

    def dry(self, grading: Grading) -> bool:
        """False where water stands on the grading whose ways were not kept so far; they are from now on."""
        if self.drainage is None or not self.keep:
            return True
        _, ponds = self.drainage.after(grading.design)
        return not ponds or not self.drainage.keep_from(ponds)

    def price(self, grading: Grading, crossings: Sequence[WaterCrossing]) -> float:
        """Price with the crossings that are really needed, in place of those the programme reckoned with."""
        prices = self.prices
        earth = prices.earth(grading.cut_m3, grading.fill_m3, grading.worked_m2)
        return earth + prices.set_head * float(grading.moved.sum()) + sum(c.cost for c in crossings)
