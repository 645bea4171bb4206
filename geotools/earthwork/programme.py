"""The cheapest works that bring the ground under a beam within tolerance of straight: a mixed-integer linear programme.

The ground is a set of square cells joined by neighbour pairs; each has a cut and a fill. A line of sight is the
straight line, one per zone, that the ground under the beam should follow; the levels of its two ends may move within
the heads' adjustment. Minimised is what everything costs together: cut, fill, haul, worked ground, heads set to other
heights and crossings of water. Earth under linear limits is convex, so its optimum is the least there is; a head is
moved or not and a crossing built or not, which are whole numbers. Worked ground has a price as soon as it is touched:
that is approached by weighing each cell's change by what its area costs over its last change, three solves (Candes,
Wakin and Boyd, Enhancing sparsity by reweighted l1 minimization, J. Fourier Anal. Appl. 14, 2008).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geotools.earthwork.known import Known
from geotools.earthwork.limits import Falls, SightLine
from geotools.earthwork.linear import Answer, Programme, explained
from geotools.earthwork.prices import Prices
from geotools.errors import InfeasibleError, NumericInputError
from geotools.terrain.cells import Cells

__all__ = ["Grading", "GradingRules", "grade"]

#: A change below this is the solver's rounding, m.
_NOTHING_M = 1e-4
#: Depth that a cell's price of area is spread over at first, and what is added to its last depth after that, m.
_FIRST_DEPTH_M, _SOFTEN_M = 0.15, 0.02


@dataclass(frozen=True)
class GradingRules:
    """What the engineer requires of the design surface, and what it costs.

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
                "Invalid limit of slope.",
                where="max_slope",
                found=self.max_slope,
                expected="above 0 (rise over run)",
                mend="Raise the steepest slope allowed.",
            )
        if not 0 <= self.build_m <= 0.5 or not 0 <= self.settle_m <= 0.5:
            raise NumericInputError(
                "The tolerance of building or the settlement is out of range.",
                where="build_m, settle_m",
                found=f"{self.build_m} and {self.settle_m} m",
                expected="0 to 0.5 m each",
            )
        if self.balance is not None and not 0.3 <= self.balance <= 2.0:
            raise NumericInputError(
                "The shrink or swell factor is out of range.",
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
class Weighing:
    """How worked ground is weighed in a programme that knows depths and not whether a cell is touched.

    Attributes
    ----------
    start : (n,) array or None
        Change of an earlier answer to much the same question, m, to weigh by at first.
    times : int
        Solves that weigh anew.
    known : Known or None
        Solves made before, which need not be made again.
    """

    start: np.ndarray | None = None
    times: int = 3
    known: Known | None = None


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
    weighing : how the worked ground is weighed. explain : False where it does not matter yet which limit gives way; see
        :func:`geotools.earthwork.linear.explained`.

    Returns
    -------
    Grading, with the design level of every cell and the level of both ends of every line.

    Raises
    ------
    InfeasibleError : no surface satisfies the limits; names the limit that gives way first and where.
    """
    try:
        return _weighed(cells, lines, rules or GradingRules(), falls, bounds, weighing)
    except InfeasibleError as problem:
        if not explain:
            raise
        raise explained(problem) from None


def _weighed(
    cells: Cells,
    lines: Sequence[SightLine],
    rules: GradingRules,
    falls: Falls | None,
    bounds: tuple[np.ndarray, np.ndarray] | None,
    weighing: Weighing,
) -> Grading:
    """The cheapest of the solves that weigh worked ground anew."""
    known = Known() if weighing.known is None else weighing.known
    programme = Programme(cells, lines, rules, falls)
    far = np.where(cells.movable, np.inf, 0.0)
    low, high = (-far, far) if bounds is None else bounds
    low, high = np.where(cells.movable, low, 0.0), np.where(cells.movable, high, 0.0)
    touched = rules.prices.area_m2 * cells.area
    ends = programme.now - programme.datum
    if not touched and not rules.build_m and not rules.settle_m:
        return _finished(programme, known.solve(programme, np.zeros(programme.n), ends, low, high))
    best: Grading | None = None
    # once from ground that is dear from the first touch, and once from the least earth, for either may miss the other
    firsts = (
        [np.full(programme.n, d) for d in (_FIRST_DEPTH_M, np.inf)]
        if weighing.start is None
        else [np.abs(weighing.start) + _SOFTEN_M]
    )
    for depth in firsts if touched else firsts[:1]:
        for _ in range(weighing.times):
            answer = known.solve(programme, touched / depth, ends, low, high)
            made = _finished(programme, answer)
            if best is None or made.cost < best.cost:
                best = made
            settled = np.allclose(answer.ends, ends, atol=1e-3)
            if not touched and settled:
                break
            ends = answer.ends
            depth = np.abs(answer.change) + _SOFTEN_M  # noqa: PLW2901 - the weights of the next solve
    assert best is not None  # at least one solve was made
    return best


def _finished(programme: Programme, answer: Answer) -> Grading:
    """The answer as a grading, with its price."""
    change = np.where(np.abs(answer.change) > 1e-9, answer.change, 0.0)
    cut, fill = np.maximum(-change, 0.0), np.maximum(change, 0.0)
    area = programme.cells.area
    worked = float((np.abs(change) > _NOTHING_M).sum() * area)
    prices = programme.rules.prices
    cost = prices.earth(float(cut.sum() * area), float(fill.sum() * area), worked)
    cost += prices.set_head * float(answer.moved.sum())
    water = 0.0 if programme.falls is None else float(programme.falls.prices[answer.crossings].sum())
    ends = answer.ends + programme.datum
    design = programme.cells.ground + change
    return Grading(cut, fill, design, ends, cost + water, area, answer.moved, answer.crossings, water)
