"""The cheapest works that bring the ground under a beam within tolerance of straight: a mixed-integer linear programme.

The ground is a set of square cells joined by neighbour pairs; each has a cut and a fill. A line of sight is the
straight line, one per zone, that the ground under the beam should follow; the levels of its two ends may move within
the heads' adjustment. Minimised is what everything costs together: cut, fill, haul, worked ground, heads set to other
heights and crossings of water. Earth under linear limits is convex, so its optimum is the least there is; a head is
moved or not and a crossing built or not, which are whole numbers. Worked ground has a price as soon as it is touched:
that is approached by weighing each cell's change by what its area costs over its last change, three solves (Candes,
Wakin and Boyd, Enhancing sparsity by reweighted l1 minimization, J. Fourier Anal. Appl. 14, 2008).

Solved by HiGHS through `scipy.optimize.milp`: Huangfu and Hall, Parallelizing the dual revised simplex method, Math.
Prog. Comp. 10 (2018).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from geotools.earthwork.limits import Falls, Rows, SightLine, limit_rows
from geotools.earthwork.prices import Prices
from geotools.errors import GeotoolsError, InfeasibleError, NumericInputError
from geotools.terrain.cells import Cells

__all__ = ["Grading", "GradingRules", "grade"]

# A head moved for nothing is still work: this breaks ties between equally cheap end levels (cost units per metre).
_END_TIE = 1e-3
#: A change below this is the solver's rounding, m.
_NOTHING_M = 1e-4
#: Depth that a cell's price of area is spread over at first, and what is added to its last depth after that, m.
_FIRST_DEPTH_M, _SOFTEN_M = 0.15, 0.02


@dataclass(frozen=True)
class GradingRules:
    """What the engineer asks of the design surface, and what it costs.

    prices : of earth, ground, heads and crossings. max_slope : rise over run between neighbours; a pair that is steeper
    today may stay so. balance : compacted fill that one bank cubic metre of cut makes (0.9 for 10 % shrinkage), fill is
    then fed by cut alone; None where soil may come and go. build_m : how far built ground may lie off the design.
    settle_m : how far fill settles. Where the ground has to be worked to keep within a line's limits, it is worked so
    far that it still does when it is built low by build_m or has settled, or is built high.
    """

    prices: Prices = field(default_factory=Prices)
    max_slope: float = 0.33
    balance: float | None = None
    build_m: float = 0.0
    settle_m: float = 0.0

    def __post_init__(self) -> None:
        if not self.max_slope > 0:
            raise NumericInputError(
                "The steepest slope allowed is no slope.",
                where="max_slope",
                found=self.max_slope,
                expected="above 0 (rise over run)",
                mend="Raise the steepest slope allowed.",
            )
        if not 0 <= self.build_m <= 0.5 or not 0 <= self.settle_m <= 0.5:
            raise NumericInputError(
                "The tolerance of building or the settlement is not believable.",
                where="build_m, settle_m",
                found=f"{self.build_m} and {self.settle_m} m",
                expected="0 to 0.5 m each",
            )
        if self.balance is not None and not 0.3 <= self.balance <= 2.0:
            raise NumericInputError(
                "The shrink or swell factor is not believable.",
                where="balance",
                found=self.balance,
                expected="0.3 to 2.0 m3 of compacted fill from one bank m3 of cut",
                mend="Give 0.9 for 10 % shrinkage, 1.1 for 10 % swell.",
            )


@dataclass(frozen=True)
class Grading:
    """A design surface: cut, fill (n,) metres, never both in a cell; design (n,) level; ends (k, 2) line levels.

    moved : (k, 2) heads that stand at another height than today. crossings : (j,) which of the crossings of water are
    built. cost : what cut, fill, haul, worked ground, moved heads and crossings cost together, water :
    the crossings alone.
    """

    cut: np.ndarray
    fill: np.ndarray
    design: np.ndarray
    ends: np.ndarray
    cost: float
    area: float
    moved: npt.NDArray[np.bool_]
    crossings: npt.NDArray[np.bool_]
    water: float = 0.0

    @property
    def cut_m3(self) -> float:
        """Volume of cut, bank measure."""
        return float(self.cut.sum() * self.area)

    @property
    def fill_m3(self) -> float:
        """Volume of fill, compacted measure."""
        return float(self.fill.sum() * self.area)

    @property
    def worked_m2(self) -> float:
        """Ground that is touched."""
        return float(((self.cut + self.fill) > _NOTHING_M).sum() * self.area)


@dataclass(frozen=True)
class _Answer:
    """One solve: change (n,) of level, ends (k, 2) less the datum, moved (k, 2), crossings (j,)."""

    change: np.ndarray
    ends: np.ndarray
    moved: np.ndarray
    crossings: np.ndarray


class _Programme:
    """Columns: cut n, fill n, ends 2k, moves 2k, heads moved 2k, haul 1, crossings j."""

    def __init__(
        self, cells: Cells, lines: Sequence[SightLine], rules: GradingRules, falls: Falls | None, explain: bool
    ) -> None:
        self.explain = explain
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

    def solve(
        self, weight: np.ndarray, ends: np.ndarray, low: np.ndarray, high: np.ndarray, gap: float = 1e-3
    ) -> _Answer:
        """One solve with `weight` on each cell's change, the ends as they were last, bounds of each cell's change."""
        n, k, j, cells, prices = self.n, self.k, self.j, self.cells, self.rules.prices
        rows = limit_rows(cells, self.lines, self.rules, self.falls, self.datum, ends)
        lower = np.r_[np.maximum(-high, 0), np.maximum(low, 0), self.reach[:, 0], np.zeros(4 * k + 1 + j)]
        span = np.abs(self.reach.reshape(-1, 2) - (self.now - self.datum).reshape(-1, 1)).max(axis=1, initial=0.0)
        can_move = (span > 1e-9) & (prices.set_head > 0)
        upper = np.r_[
            np.maximum(-low, 0),
            np.maximum(high, 0),
            self.reach[:, 1],
            np.full(2 * k, np.inf),
            can_move.astype(float),
            np.inf,
            np.ones(j),
        ]
        cost = np.r_[
            prices.cut_m3 * cells.area + weight,
            prices.fill_m3 * cells.area + weight,
            np.zeros(2 * k),
            np.full(2 * k, _END_TIE * prices.cut_m3),
            np.full(2 * k, prices.set_head),
            prices.haul_m3,
            np.zeros(0) if self.falls is None else self.falls.prices,
        ]
        whole = np.r_[np.zeros(2 * n + 4 * k), can_move.astype(float), 0.0, np.ones(j)]
        some = bool(whole.any())
        result = milp(
            cost,
            integrality=whole if some else None,
            bounds=Bounds(lower, upper),
            constraints=LinearConstraint(
                sparse.vstack(rows.blocks, format="csc"), np.concatenate(rows.low), np.concatenate(rows.high)
            ),
            # without whole numbers there is little to take out: looking for it costs half as much as the solving
            options={"presolve": some, "mip_rel_gap": gap, "time_limit": 20.0},
        )
        if result.status == 2 and not self.explain:
            raise InfeasibleError("No grading satisfies every limit.")
        if result.status == 2:
            raise diagnose(cells, rows, lower, upper)
        if result.x is None:
            raise GeotoolsError(
                "The grading programme did not finish.", found=result.message, mend="Grade fewer zones at once."
            )
        x = result.x
        change = np.maximum(x[n : 2 * n], 0.0) - np.maximum(x[:n], 0.0)
        at = x[2 * n : 2 * n + 2 * k].reshape(k, 2)
        moved = np.abs(at + self.datum - self.now) > 5e-3
        return _Answer(change, at, moved, x[2 * n + 6 * k + 1 :] > 0.5)

    def finished(self, answer: _Answer) -> Grading:
        """The answer as a grading, with its price."""
        change = np.where(np.abs(answer.change) > 1e-9, answer.change, 0.0)
        cut, fill = np.maximum(-change, 0.0), np.maximum(change, 0.0)
        area = self.cells.area
        worked = float((np.abs(change) > _NOTHING_M).sum() * area)
        prices = self.rules.prices
        cost = prices.earth(float(cut.sum() * area), float(fill.sum() * area), worked)
        cost += prices.set_head * float(answer.moved.sum())
        water = 0.0 if self.falls is None else float(self.falls.prices[answer.crossings].sum())
        ends = answer.ends + self.datum
        design = self.cells.ground + change
        return Grading(cut, fill, design, ends, cost + water, area, answer.moved, answer.crossings, water)


@dataclass(frozen=True)
class Weighing:
    """How worked ground is weighed in a programme that knows depths and not whether a cell is touched.

    Attributes
    ----------
    start : (n,) array or None
        Change of an earlier answer to much the same question, m, to weigh by at first.
    times : int
        Solves that weigh anew.
    """

    start: np.ndarray | None = None
    times: int = 3


THREE_WEIGHINGS = Weighing()


def grade(
    cells: Cells,
    lines: Sequence[SightLine],
    rules: GradingRules | None = None,
    *,
    falls: Falls | None = None,
    bounds: tuple[np.ndarray, np.ndarray] | None = None,
    weighing: Weighing = THREE_WEIGHINGS,
    explain: bool = True,
) -> Grading:
    """Find the cheapest works that satisfy every limit.

    Parameters
    ----------
    cells : the ground, n cells. lines : one line of sight per zone that lies on these cells. rules : the engineer's
        limits and the prices.
    falls : falls that flow paths keep, unless a crossing is built. bounds : lowest and highest change of each cell, m,
        (n,) each, negative down; as far as is needed if not given.
    weighing : how the worked ground is weighed. explain : False where nobody asks which limit gives way.

    Returns
    -------
    Grading, with the design level of every cell and the level of both ends of every line.

    Raises
    ------
    InfeasibleError : no surface satisfies the limits; names the limit that gives way first and where.
    """
    rules = rules or GradingRules()
    programme = _Programme(cells, lines, rules, falls, explain)
    far = np.where(cells.movable, np.inf, 0.0)
    low, high = (-far, far) if bounds is None else bounds
    low, high = np.where(cells.movable, low, 0.0), np.where(cells.movable, high, 0.0)
    touched = rules.prices.area_m2 * cells.area
    ends = programme.now - programme.datum
    if not touched and not rules.build_m and not rules.settle_m:
        return programme.finished(programme.solve(np.zeros(programme.n), ends, low, high))
    best: Grading | None = None
    # once from ground that is dear from the first touch, and once from the least earth, for either may miss the other
    firsts = (
        [np.full(programme.n, d) for d in (_FIRST_DEPTH_M, np.inf)]
        if weighing.start is None
        else [np.abs(weighing.start) + _SOFTEN_M]
    )
    for depth in firsts if touched else firsts[:1]:
        for _ in range(weighing.times):
            answer = programme.solve(touched / depth, ends, low, high)
            made = programme.finished(answer)
            if best is None or made.cost < best.cost:
                best = made
            settled = np.allclose(answer.ends, ends, atol=1e-3)
            if not touched and settled:
                break
            ends = answer.ends
            depth = np.abs(answer.change) + _SOFTEN_M  # noqa: PLW2901 - the weights of the next solve
    assert best is not None  # at least one solve was made
    return best


def diagnose(cells: Cells, rows: Rows, lower: np.ndarray, upper: np.ndarray) -> InfeasibleError:
    """Let every row give way at a price, and report the one that has to give most."""
    matrix = sparse.vstack(rows.blocks, format="csc")
    m = matrix.shape[0]
    soft = sparse.hstack([matrix, sparse.eye_array(m), -sparse.eye_array(m)], format="csc")
    result = milp(
        np.r_[np.zeros(rows.columns), np.ones(2 * m)],
        bounds=Bounds(np.r_[lower, np.zeros(2 * m)], np.r_[upper, np.full(2 * m, np.inf)]),
        constraints=LinearConstraint(soft, np.concatenate(rows.low), np.concatenate(rows.high)),
    )
    give = result.x[rows.columns :].reshape(2, m).sum(axis=0)
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
