"""One solve of the grading programme, over no more of the strip than it takes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse

from geotools.earthwork.highs import Linear, UnfinishedError, cheapest
from geotools.earthwork.limits import Falls, Rows, SightLine, limit_rows
from geotools.earthwork.window import Window, asking, widened, window_of
from geotools.errors import GeotoolsError, InfeasibleError, NumericInputError
from geotools.terrain.cells import Cells

if TYPE_CHECKING:
    from geotools.earthwork.programme import GradingRules

__all__ = ["Answer", "Programme", "UnfitError", "explained"]

# A head moved for nothing is still work: this breaks ties between equally cheap end levels (cost units per metre).
_END_TIE = 1e-3
#: Cells around ground out of tolerance that are looked at first; how many more where works reach the rim; how often a
#: window is taken.
_STEPS, _MORE_STEPS, _WIDENINGS = 5, 8, 4
#: A strip of which a window takes more than this share is taken as a whole.
_MOST_OF_IT = 0.75


@dataclass(frozen=True)
class Answer:
    """One solve: change (n,) of level, ends (k, 2) less the datum, moved (k, 2), crossings (j,)."""

    change: np.ndarray
    ends: np.ndarray
    moved: np.ndarray
    crossings: np.ndarray


class UnfitError(InfeasibleError):
    """No works satisfy every limit; which gives way first is looked for when it is needed."""

    def __init__(self, why: Callable[[], InfeasibleError]) -> None:
        super().__init__("No grading satisfies every limit.")
        self._why = why

    def explained(self) -> InfeasibleError:
        """The error that names the limit and the place."""
        return self._why()


class Programme:
    """Columns: cut n, fill n, ends 2k, moves 2k, heads moved 2k, haul 1, crossings j."""

    def __init__(self, cells: Cells, lines: Sequence[SightLine], rules: GradingRules, falls: Falls | None) -> None:
        self.cells, self.lines, self.rules, self.falls = cells, lines, rules, falls
        self.n, self.k = len(cells.ground), len(lines)
        self.j = 0 if falls is None else len(falls.prices)
        self.datum = float(np.mean(cells.ground))
        reach = np.array([line.reach for line in lines]).reshape(-1, 2)
        if (reach[:, 0] > reach[:, 1]).any():
            raise NumericInputError(
                "The lowest level of a line end lies above its highest.",
                found=reach[reach[:, 0] > reach[:, 1]][0],
                expected="lowest, highest",
            )
        self.reach = reach - self.datum
        self.now = np.array([line.ends for line in lines]).reshape(-1, 2)
        self._window: Window | None = None

    def solve(self, weight: np.ndarray, ends: np.ndarray, low: np.ndarray, high: np.ndarray) -> Answer:
        """The cheapest works.

        Parameters
        ----------
        weight : (n,) price of each cell's change, on top of that of its earth.
        ends : (k, 2) levels of the lines' ends in the last answer, less the datum.
        low, high : (n,) bounds of each cell's change, m; both 0 where nothing may be moved.

        Raises
        ------
        InfeasibleError : no works satisfy every limit.
        """
        prices = self.rules.prices
        # earth that is balanced, or whose haul is dearer than itself, may be needed anywhere
        if self.rules.balance is None and prices.haul_m3 <= min(prices.cut_m3, prices.fill_m3):
            answer = self._in_window(weight, ends, low, high)
            if answer is not None:
                return answer
        return self._whole(weight, ends, low, high)

    def why_unfit(self, ends: np.ndarray, low: np.ndarray, high: np.ndarray) -> InfeasibleError:
        """Which limit gives way first where it is known that no works satisfy them all; `solve`'s parameters."""
        return diagnose(self.cells, *self._limits(ends, low, high))

    def _in_window(self, weight: np.ndarray, ends: np.ndarray, low: np.ndarray, high: np.ndarray) -> Answer | None:
        """The answer by way of a window, None where it takes the whole strip."""
        able = (low < 0) | (high > 0)
        if ((low > 0) | (high < 0)).any():
            return self._in_bounds(weight, ends, low, high, able)
        if self._window is None:
            wanted = asking(self.cells, self.lines, ends + self.datum)
            wanted |= asking(self.cells, self.lines, self.now)
            if self.falls is not None:
                short = self.falls.short(self.cells.ground)
                wanted[self.falls.upper[short]] = wanted[self.falls.lower[short]] = True
            if not self._look_at(wanted & able, _STEPS):
                return None
        for _ in range(_WIDENINGS):
            window = self._window
            assert window is not None  # looked at above
            try:
                answer = self._solved(window, weight, ends, low, high)
            except InfeasibleError:
                break  # the whole strip has to say whether that is so
            needs = asking(self.cells, self.lines, answer.ends + self.datum) & ~window.inside
            if not needs.any() and window.holds(answer.change[window.index]):
                return answer
            if (needs & ~able).any() or not self._look_at(window.inside | needs, _MORE_STEPS):
                break
        return None

    def _in_bounds(
        self, weight: np.ndarray, ends: np.ndarray, low: np.ndarray, high: np.ndarray, able: np.ndarray
    ) -> Answer | None:
        """The answer where only some cells, `able`, may be moved; None where that takes the whole strip."""
        if self._window is None:
            self._window = window_of(self.cells, self.lines, self.falls, able)
        answer = self._solved(self._window, weight, ends, low, high)
        # what lies outside stays as it is: is that good enough for the lines?
        missed = asking(self.cells, self.lines, answer.ends + self.datum) & ~able
        return None if missed.any() else answer

    def _look_at(self, inside: np.ndarray, steps: int) -> bool:
        """Take a window of these cells and those around; False where there is none, or it is no smaller than all."""
        wide = widened(self.cells, inside, steps, self.rules.max_slope, self.falls)
        last = self._window
        if not wide.any() or wide.mean() > _MOST_OF_IT or (last is not None and (wide == last.inside).all()):
            self._window = None
            return False
        self._window = window_of(self.cells, self.lines, self.falls, wide)
        return True

    def _solved(
        self, window: Window, weight: np.ndarray, ends: np.ndarray, low: np.ndarray, high: np.ndarray
    ) -> Answer:
        part = Programme(window.cells, window.lines, self.rules, window.falls)
        part.datum, part.reach = self.datum, self.reach
        at = window.index
        held = ~window.cells.movable
        answer = part._whole(weight[at], ends, np.where(held, 0.0, low[at]), np.where(held, 0.0, high[at]))
        return replace(answer, change=window.spread(answer.change, self.n))

    def _whole(self, weight: np.ndarray, ends: np.ndarray, low: np.ndarray, high: np.ndarray) -> Answer:
        """`solve` with all cells of the strip."""
        n, k, j, cells, prices = self.n, self.k, self.j, self.cells, self.rules.prices
        rows, lower, upper = self._limits(ends, low, high)
        cost = np.r_[
            prices.cut_m3 * cells.area + weight,
            prices.fill_m3 * cells.area + weight,
            np.zeros(2 * k),
            np.full(2 * k, _END_TIE * prices.cut_m3),
            np.full(2 * k, prices.set_head),
            prices.haul_m3,
            np.zeros(0) if self.falls is None else self.falls.prices,
        ]
        can_move = upper[2 * n + 4 * k : 2 * n + 6 * k] > 0
        whole = np.r_[np.zeros(2 * n + 4 * k, bool), can_move, False, np.ones(j, bool)]
        able = (lower != 0) | (upper != 0)  # what is nothing in any case needs no column
        low_, high_ = np.concatenate(rows.low), np.concatenate(rows.high)
        matrix = rows.matrix(able)
        found = _cheapest(Linear(cost[able], lower[able], upper[able], whole[able], matrix, low_, high_))
        if found is None:
            raise UnfitError(partial(diagnose, cells, rows, lower, upper))
        x = np.zeros(len(cost))
        x[able] = found
        change = np.maximum(x[n : 2 * n], 0.0) - np.maximum(x[:n], 0.0)
        at = x[2 * n : 2 * n + 2 * k].reshape(k, 2)
        moved = np.abs(at + self.datum - self.now) > 5e-3
        return Answer(change, at, moved, x[2 * n + 6 * k + 1 :] > 0.5)

    def _limits(self, ends: np.ndarray, low: np.ndarray, high: np.ndarray) -> tuple[Rows, np.ndarray, np.ndarray]:
        """The limits as rows, and the least and the most of each column."""
        rows = limit_rows(self.cells, self.lines, self.rules, self.falls, self.datum, ends)
        lower = np.r_[np.maximum(-high, 0), np.maximum(low, 0), self.reach[:, 0], np.zeros(4 * self.k + 1 + self.j)]
        span = np.abs(self.reach.reshape(-1, 2) - (self.now - self.datum).reshape(-1, 1)).max(axis=1, initial=0.0)
        can_move = (span > 1e-9) & (self.rules.prices.set_head > 0)
        upper = np.r_[
            np.maximum(-low, 0),
            np.maximum(high, 0),
            self.reach[:, 1],
            np.full(2 * self.k, np.inf),
            can_move.astype(float),
            np.inf,
            np.ones(self.j),
        ]
        return rows, lower, upper


def _cheapest(programme: Linear) -> np.ndarray | None:
    try:
        return cheapest(programme)
    except UnfinishedError as problem:
        raise GeotoolsError(
            "The grading programme did not finish.", found=problem, mend="Grade fewer zones at once."
        ) from None


def explained(problem: InfeasibleError) -> InfeasibleError:
    """The error with the limit that gives way first, where that was not looked for yet."""
    return problem.explained() if isinstance(problem, UnfitError) else problem


def diagnose(cells: Cells, rows: Rows, lower: np.ndarray, upper: np.ndarray) -> InfeasibleError:
    """Let every row give way at a price, and report the one that has to give most."""
    matrix = rows.matrix()
    m = matrix.shape[0]
    soft = sparse.hstack([matrix, sparse.eye_array(m), -sparse.eye_array(m)], format="csc")
    found = _cheapest(
        Linear(
            np.r_[np.zeros(rows.columns), np.ones(2 * m)],
            np.r_[lower, np.zeros(2 * m)],
            np.r_[upper, np.full(2 * m, np.inf)],
            np.zeros(rows.columns + 2 * m, bool),
            soft,
            np.concatenate(rows.low),
            np.concatenate(rows.high),
        )
    )
    assert found is not None  # every row may give way
    give = found[rows.columns :].reshape(2, m).sum(axis=0)
    worst = int(np.argmax(give))
    starts = np.cumsum([0, *(len(cell) for _, cell in rows.families)])
    which = int(np.searchsorted(starts, worst, side="right") - 1)
    family, where = rows.families[which]
    cell = int(where[worst - starts[which]])
    place = "the whole strip" if cell < 0 else cells.where(cell)
    return InfeasibleError(
        f"No grading satisfies every limit: {family} cannot be met.",
        where=place,
        found=f"it would have to give way by {give[worst]:.3f} m",
        expected="0 m",
        mend="Widen the strip, allow a steeper slope or more head movement, loosen the tolerance or free no-dig cells.",
    )
