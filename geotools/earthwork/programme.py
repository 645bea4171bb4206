"""The least earthwork that brings the ground under a beam within tolerance of straight: a linear programme.

The ground is a set of square cells joined by neighbour pairs; each has a cut and a fill. A line of sight is the
straight line, one per zone, that the ground under the beam should follow; the levels of its two ends may move within
the heads' adjustment, so a line that suits the ground costs nothing to choose. Minimising cost over cuts, fills and end
levels under linear limits is convex, so the answer is the least there is, not the best that was tried.

Solved by HiGHS through `scipy.optimize.milp` with no integer variable (it takes two-sided rows, `linprog` does not).
Method: Huangfu and Hall, Parallelizing the dual revised simplex method, Math. Prog. Comp. 10 (2018).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from geotools.errors import GeotoolsError, InfeasibleError, NumericInputError
from geotools.terrain.cells import Cells

__all__ = ["Grading", "GradingRules", "SightLine", "grade"]

# A head moved for nothing is still work: this breaks ties between equally cheap end levels (cost units per metre).
_END_TIE = 1e-3


@dataclass(frozen=True)
class SightLine:
    """The straight line of one zone and how near the ground under the beam must come to it.

    cells : (k,) indices of the cells under the beam. fraction : (k,) 0 at the transmitter end, 1 at the receiver end.
    low, high : (k,) metres the ground may lie below and above the line; inf where nothing is asked.
    ends : levels of the two ends as the heads stand now. reach : (2, 2) lowest and highest level of each end.
    """

    name: str
    cells: np.ndarray
    fraction: np.ndarray
    low: np.ndarray
    high: np.ndarray
    ends: tuple[float, float]
    reach: tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True)
class GradingRules:
    """What the engineer asks of the design surface.

    cut_cost, fill_cost : cost of one cubic metre, both above zero. max_slope : rise over run between neighbours; a pair
    that is steeper today may stay so. receiver : (n,) the cell each cell drains to, itself where it leaves the strip,
    or None; min_fall : fall along that path, rise over run, kept where the ground has it and never worsened where it
    has not; drain : True to give ponding cells that fall too. balance : compacted fill that one bank cubic metre of
    cut makes (0.9 for 10 % shrinkage), fill is then fed by cut alone; None where soil may come and go.
    """

    cut_cost: float = 1.0
    fill_cost: float = 1.0
    max_slope: float = 0.33
    receiver: np.ndarray | None = None
    min_fall: float = 0.0
    drain: bool = False
    balance: float | None = None

    def __post_init__(self) -> None:
        for name, value in (("cut_cost", self.cut_cost), ("fill_cost", self.fill_cost)):
            if not value > 0:
                raise NumericInputError(
                    "Earthwork needs a price above zero.",
                    where=name,
                    found=value,
                    expected="a cost per cubic metre above 0",
                    mend="Set the price in the site file.",
                )
        if not self.max_slope > 0 or self.min_fall < 0 or self.min_fall >= self.max_slope:
            raise NumericInputError(
                "The slope limits contradict each other.",
                where="max_slope, min_fall",
                found=f"max_slope {self.max_slope}, min_fall {self.min_fall}",
                expected="0 <= min_fall < max_slope (rise over run)",
                mend="Raise the steepest slope allowed or ask for less fall.",
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
    """A design surface: cut, fill (n,) metres, never both in a cell; design (n,) level; ends (k, 2) line levels."""

    cut: np.ndarray
    fill: np.ndarray
    design: np.ndarray
    ends: np.ndarray
    cost: float
    area: float

    @property
    def cut_m3(self) -> float:
        """Volume of cut, bank measure."""
        return float(self.cut.sum() * self.area)

    @property
    def fill_m3(self) -> float:
        """Volume of fill, compacted measure."""
        return float(self.fill.sum() * self.area)


@dataclass
class _Rows:
    """Two-sided sparse rows, gathered family by family so that a failing one can be named."""

    columns: int
    blocks: list[sparse.csr_array] = field(default_factory=list)
    low: list[np.ndarray] = field(default_factory=list)
    high: list[np.ndarray] = field(default_factory=list)
    families: list[tuple[str, np.ndarray]] = field(default_factory=list)

    def add(self, family: str, cell: np.ndarray, entries: Sequence[tuple], low: np.ndarray, high: np.ndarray) -> None:
        """Append rows; entries are pairs of column indices and values, one a row; cell says where each row is."""
        rows = len(low)
        if not rows:
            return
        index = np.tile(np.arange(rows), len(entries))
        cols = np.concatenate([np.broadcast_to(c, rows) for c, _ in entries])
        vals = np.concatenate([np.broadcast_to(np.asarray(v, float), rows) for _, v in entries])
        self.blocks.append(sparse.csr_array((vals, (index, cols)), shape=(rows, self.columns)))
        self.low.append(np.broadcast_to(np.asarray(low, float), rows))
        self.high.append(np.broadcast_to(np.asarray(high, float), rows))
        self.families.append((family, np.broadcast_to(cell, rows)))


def _rows(cells: Cells, lines: Sequence[SightLine], rules: GradingRules, datum: float) -> _Rows:
    """Every limit as rows over [cut, fill, ends, end moves]; levels are taken from `datum` to keep numbers small."""
    n, k = len(cells.ground), len(lines)
    g = cells.ground - datum
    rows = _Rows(2 * n + 4 * k)

    def level(index: np.ndarray, sign: float = 1.0) -> list[tuple]:
        return [(index, -sign), (n + index, sign)]  # design = ground - cut + fill

    for j, line in enumerate(lines):
        c, t = line.cells, line.fraction
        a, b = 2 * n + 2 * j, 2 * n + 2 * j + 1
        asked = np.isfinite(line.low) | np.isfinite(line.high)
        c, t, low, high = c[asked], t[asked], line.low[asked], line.high[asked]
        rows.add(
            f"straightness of {line.name}",
            c,
            [*level(c), (np.full(len(c), a), t - 1.0), (np.full(len(c), b), -t)],
            -low - g[c],
            high - g[c],
        )
        for end in range(2):  # |end - end now| <= move
            for sign in (1.0, -1.0):
                here = sign * (line.ends[end] - datum)
                rows.add(
                    f"ends of {line.name}",
                    np.array([-1]),
                    [(np.array([2 * n + 2 * j + end]), sign), (np.array([2 * n + 2 * k + 2 * j + end]), -1.0)],
                    np.array([-np.inf]),
                    np.array([here]),
                )

    p, q = cells.pairs.T
    loose = cells.movable[p] | cells.movable[q]
    p, q = p[loose], q[loose]
    rise = g[p] - g[q]
    limit = np.maximum(rules.max_slope * cells.distance[loose], np.abs(rise))
    rows.add("slope between cells", p, [*level(p), *level(q, -1.0)], -limit - rise, limit - rise)

    if rules.receiver is not None:
        p = np.flatnonzero((rules.receiver != np.arange(n)) & (cells.movable | cells.movable[rules.receiver]))
        q = rules.receiver[p]
        step = np.hypot(*(cells.place[p] - cells.place[q]).T)
        drop, wanted = g[p] - g[q], rules.min_fall * step
        fall = np.where((drop < 0) & rules.drain, wanted, np.minimum(drop, wanted))
        rows.add("fall for drainage", p, [*level(p), *level(q, -1.0)], fall - drop, np.full(len(p), np.inf))

    if rules.balance is not None:
        every = np.arange(n)
        row = sparse.csr_array(
            (np.r_[np.full(n, rules.balance), np.full(n, -1.0)], (np.zeros(2 * n, int), np.r_[every, n + every])),
            shape=(1, rows.columns),
        )
        rows.blocks.append(row)
        rows.low.append(np.zeros(1))
        rows.high.append(np.zeros(1))
        rows.families.append(("balance of cut and fill", np.array([-1])))
    return rows


def grade(cells: Cells, lines: Sequence[SightLine], rules: GradingRules | None = None) -> Grading:
    """Find the cheapest cut and fill that satisfy every limit.

    Parameters
    ----------
    cells : the ground, n cells. lines : one line of sight per zone that lies on these cells. rules : the engineer's
    limits.

    Returns
    -------
    Grading, with the design level of every cell and the level of both ends of every line.

    Raises
    ------
    InfeasibleError : no surface satisfies the limits; names the limit that gives way first and where.
    """
    rules = rules or GradingRules()
    n, k = len(cells.ground), len(lines)
    datum = float(np.mean(cells.ground))
    rows = _rows(cells, lines, rules, datum)
    earth = np.where(cells.movable, np.inf, 0.0)
    reach = np.array([line.reach for line in lines]).reshape(-1, 2) - datum
    if (reach[:, 0] > reach[:, 1]).any():
        raise NumericInputError(
            "The lowest level of a line end lies above its highest.",
            found=reach[reach[:, 0] > reach[:, 1]][0] + datum,
            expected="lowest, highest",
        )
    lower = np.r_[np.zeros(2 * n), reach[:, 0], np.zeros(2 * k)]
    upper = np.r_[earth, earth, reach[:, 1], np.full(2 * k, np.inf)]
    cost = np.r_[
        np.full(n, rules.cut_cost * cells.area),
        np.full(n, rules.fill_cost * cells.area),
        np.zeros(2 * k),
        np.full(2 * k, _END_TIE * rules.cut_cost),
    ]
    result = milp(
        cost,
        bounds=Bounds(lower, upper),
        constraints=LinearConstraint(
            sparse.vstack(rows.blocks, format="csc"), np.concatenate(rows.low), np.concatenate(rows.high)
        ),
        options={"presolve": False},  # there is little to take out: looking for it costs half as much as the solving
    )
    if result.status == 2:
        raise _diagnose(cells, rows, lower, upper)
    if result.x is None or result.status != 0:
        raise GeotoolsError(
            "The grading programme did not finish.", found=result.message, mend="Grade fewer zones at once."
        )
    cut, fill = np.maximum(result.x[:n], 0.0), np.maximum(result.x[n : 2 * n], 0.0)
    both = np.minimum(cut, fill)  # an exact optimum has none; the solver's last 1e-9 m may
    cut, fill = cut - both, fill - both
    ends = result.x[2 * n : 2 * n + 2 * k].reshape(k, 2) + datum
    earth_cost = float(cells.area * (rules.cut_cost * cut.sum() + rules.fill_cost * fill.sum()))
    return Grading(cut, fill, cells.ground - cut + fill, ends, earth_cost, cells.area)


def _diagnose(cells: Cells, rows: _Rows, lower: np.ndarray, upper: np.ndarray) -> InfeasibleError:
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
