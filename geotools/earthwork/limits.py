"""The limits of the grading programme as two-sided sparse rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

from geotools.terrain.cells import Cells

if TYPE_CHECKING:
    from geotools.earthwork.programme import GradingRules

__all__ = ["Falls", "Rows", "SightLine", "allowed", "limit_rows", "slope_limits"]

#: How much a fall may give way where a crossing is built, m: more than any works are deep.
_GIVE_M = 5.0


@dataclass(frozen=True)
class SightLine:
    """The straight line of one zone and how near the ground under the beam must come to it.

    cells : (k,) indices of the cells under the beam. fraction : (k,) 0 at the transmitter end, 1 at the receiver end.
    low, high : (k,) metres the ground may lie below and above the line; inf where nothing is required.
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
class Falls:
    """Falls that water needs: level of the upper cell less that of the lower at least `least`.

    upper, lower : (m,) cells. least : (m,) m, negative where the ground rises along the path today and may go on doing
    so. crossing : (m,) number of the crossing that, built, takes the water instead; -1 where nothing does.
    prices : (j,) price of each crossing.
    """

    upper: np.ndarray
    lower: np.ndarray
    least: np.ndarray
    crossing: np.ndarray
    prices: np.ndarray

    def built(self, crossings: npt.NDArray[np.bool_]) -> Falls:
        """What is left to keep where some of the crossings, (j,), are built and the others are not to be."""
        left = ~np.r_[crossings, False][self.crossing]
        none = np.full(int(left.sum()), -1)
        return Falls(self.upper[left], self.lower[left], self.least[left], none, np.zeros(0))

    def short(self, level: np.ndarray, by_m: float = 1e-9) -> npt.NDArray[np.bool_]:
        """Falls, (m,), that (n,) levels do not have, by more than `by_m`."""
        return np.asarray(level[self.upper] - level[self.lower] < self.least - by_m)

    def lost(self, design: np.ndarray) -> npt.NDArray[np.bool_]:
        """Crossings, (j,), that a design of (n,) levels needs."""
        gone = self.short(design, 1e-4)
        needed = np.zeros(len(self.prices), bool)
        needed[self.crossing[gone & (self.crossing >= 0)]] = True
        return needed


@dataclass
class Rows:
    """Two-sided sparse rows, gathered family by family so that a failing one can be named."""

    columns: int
    low: list[np.ndarray] = field(default_factory=list)
    high: list[np.ndarray] = field(default_factory=list)
    families: list[tuple[str, np.ndarray]] = field(default_factory=list)
    _row: list[np.ndarray] = field(default_factory=list)
    _column: list[np.ndarray] = field(default_factory=list)
    _value: list[np.ndarray] = field(default_factory=list)
    _count: int = 0

    def add(self, family: str, cell: np.ndarray, entries: Sequence[tuple], low: np.ndarray, high: np.ndarray) -> None:
        """Append rows; entries are pairs of column indices and values, one a row; cell says where each row is."""
        rows = len(low)
        if not rows:
            return
        numbers = np.arange(self._count, self._count + rows)
        for column, value in entries:
            self._row.append(numbers)
            self._column.append(_each(column, rows, int))
            self._value.append(_each(value, rows))
        self._bound(family, cell, low, high, rows)

    def put(self, family: str, column: np.ndarray, value: np.ndarray, low: float, high: float) -> None:
        """Append one row of many columns."""
        self._row.append(np.full(len(column), self._count))
        self._column.append(column)
        self._value.append(value)
        self._bound(family, np.array([-1]), np.array([low]), np.array([high]), 1)

    def _bound(self, family: str, cell: np.ndarray, low: np.ndarray, high: np.ndarray, rows: int) -> None:
        self.low.append(_each(low, rows))
        self.high.append(_each(high, rows))
        self.families.append((family, _each(cell, rows, int)))
        self._count += rows

    def matrix(self, able: npt.NDArray[np.bool_] | None = None) -> sparse.csc_array:
        """All rows, (rows, columns); `able` : (columns,), those of the columns that are kept."""
        keep = np.ones(self.columns, bool) if able is None else able
        place = np.cumsum(keep) - 1
        row, column, value = (np.concatenate(parts) for parts in (self._row, self._column, self._value))
        there = keep[column]
        entries = value[there], (row[there], place[column[there]])
        return sparse.csc_array(entries, shape=(self._count, int(keep.sum())))


def _each(values: npt.ArrayLike, rows: int, kind: npt.DTypeLike = float) -> npt.NDArray[Any]:
    """One value for each row; numpy's own broadcasting takes as long for it as all else that is done with a row."""
    made = np.asarray(values, kind)
    return made if made.shape == (rows,) else np.full(rows, made)


def limit_rows(
    cells: Cells,
    lines: Sequence[SightLine],
    rules: GradingRules,
    falls: Falls | None,
    datum: float,
    ends: np.ndarray,
) -> Rows:
    """Every limit as rows over [cut, fill, ends, end moves, heads moved, haul, crossings].

    Levels are taken from `datum` to keep numbers small. ends : (k, 2) levels of the lines' ends in the last answer less
    the datum; they tell which ground has to be worked, and so needs the tolerances of building on top.
    """
    n, k = len(cells.ground), len(lines)
    rows = Rows(2 * n + 6 * k + 1 + (0 if falls is None else len(falls.prices)))
    for j in range(k):
        _line_rows(rows, cells, lines, j, rules, datum, ends[j])
    g = cells.ground - datum
    p, q, limit = slope_limits(cells, rules.max_slope)
    rise = g[p] - g[q]
    rows.add("slope between cells", p, [*_level(n, p), *_level(n, q, -1.0)], -limit - rise, limit - rise)
    if falls is not None and len(falls.upper):
        p, q = falls.upper, falls.lower
        give = np.where(falls.crossing >= 0, _GIVE_M, 0.0)
        column = 2 * n + 6 * k + 1 + np.maximum(falls.crossing, 0)
        entries = [*_level(n, p), *_level(n, q, -1.0)]
        if len(falls.prices):
            entries.append((column, give))
        rows.add("fall of a flow path", p, entries, falls.least - (g[p] - g[q]), np.full(len(p), np.inf))
    _earth_rows(rows, n, k, cells.area, rules)
    return rows


def slope_limits(cells: Cells, max_slope: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pairs of cells of which one may be moved, (m,) each, and the most by which their levels may differ, (m,) m.

    A pair that is steeper today than `max_slope` may stay so.
    """
    p, q = cells.pairs.T
    loose = cells.movable[p] | cells.movable[q]
    p, q = p[loose], q[loose]
    return p, q, np.maximum(max_slope * cells.distance[loose], np.abs(cells.ground[p] - cells.ground[q]))


def allowed(
    line: SightLine, ground: np.ndarray, rules: GradingRules, ends: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Cells of which a line requires something, (m,), their fraction along it, and how far below and above it they lie
    at most, (m,) m each, with the tolerances of building.

    ground : (n,) levels above some datum. ends : (2,) levels of the line's ends above the same datum in the last
    answer; they decide which ground has to be worked, and so needs the tolerances of building on top.
    """
    asked = np.isfinite(line.low) | np.isfinite(line.high)
    c, t, low, high = line.cells[asked], line.fraction[asked], line.low[asked], line.high[asked]
    above = ground[c] - (1.0 - t) * ends[0] - t * ends[1]
    # built low by build_m, or settled: the worse of the two on fill; cut does not settle
    low = np.where(
        above < -low, low - max(rules.build_m, rules.settle_m), np.where(above > high, low - rules.build_m, low)
    )
    high = np.where((above < -low) | (above > high), high - rules.build_m, high)
    middle = (low - high) / 2
    pinched = low + high < 0
    return c, t, np.where(pinched, middle, low), np.where(pinched, -middle, high)


def _level(n: int, index: np.ndarray, sign: float = 1.0) -> list[tuple]:
    return [(index, -sign), (n + index, sign)]  # design = ground - cut + fill


def _line_rows(
    rows: Rows,
    cells: Cells,
    lines: Sequence[SightLine],
    j: int,
    rules: GradingRules,
    datum: float,
    ends: np.ndarray,
) -> None:
    """Ground near the line, ends within what the heads were moved by, heads moved or not."""
    n, k, line, g = len(cells.ground), len(lines), lines[j], cells.ground - datum
    a, b = 2 * n + 2 * j, 2 * n + 2 * j + 1
    c, t, low, high = allowed(line, g, rules, ends)
    rows.add(
        f"straightness of {line.name}",
        c,
        [*_level(n, c), (np.full(len(c), a), t - 1.0), (np.full(len(c), b), -t)],
        -low - g[c],
        high - g[c],
    )
    one, none = np.array([1.0]), np.array([-1])
    for end in range(2):  # |end - end now| <= move, and move <= reach * moved
        move, moved = 2 * n + 2 * k + 2 * j + end, 2 * n + 4 * k + 2 * j + end
        for sign in (1.0, -1.0):
            here = sign * (line.ends[end] - datum)
            entries = [(np.array([2 * n + 2 * j + end]), sign), (np.array([move]), -1.0)]
            rows.add(f"ends of {line.name}", none, entries, -np.inf * one, here * one)
        span = max(line.ends[end] - line.reach[end][0], line.reach[end][1] - line.ends[end], 0.0)
        if rules.prices.set_head > 0 and span > 1e-9:
            entries = [(np.array([move]), 1.0), (np.array([moved]), -span)]
            rows.add(f"heads of {line.name}", none, entries, -np.inf * one, 0.0 * one)


def _earth_rows(rows: Rows, n: int, k: int, area: float, rules: GradingRules) -> None:
    """Balance of cut and fill, and the haul of what is over."""
    every = np.arange(2 * n)  # cut, then fill
    if rules.balance is not None:
        rows.put("balance of cut and fill", every, np.r_[np.full(n, rules.balance), np.full(n, -1.0)], 0.0, 0.0)
    if rules.prices.haul_m3 > 0:
        for sign in (1.0, -1.0):  # haul >= |fill - cut|
            values = np.r_[np.full(n, sign * area), np.full(n, -sign * area), 1.0]
            rows.put("haul", np.r_[every, 2 * n + 6 * k], values, 0.0, np.inf)
