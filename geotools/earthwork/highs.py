"""A mixed-integer linear programme handed to HiGHS.

Huangfu and Hall, Parallelizing the dual revised simplex method, Math. Prog. Comp. 10 (2018). By its own package, which
takes arrays as they are: through scipy's `milp` a small programme spends three times as long on its way there and
back as it takes to solve.
"""

from __future__ import annotations

from dataclasses import dataclass

import highspy
import numpy as np
import numpy.typing as npt
from scipy import sparse

__all__ = ["Linear", "UnfinishedError", "cheapest"]

Array = npt.NDArray[np.float64]

#: Share of the price by which a programme of whole numbers may miss its optimum; seconds until it is given up.
_GAP, _TIME_LIMIT_S = 1e-3, 20.0


class UnfinishedError(RuntimeError):
    """No answer, though none was ruled out; the text is the solver's word for it."""


@dataclass(frozen=True)
class Linear:
    """cost (n,) of columns that lie between `lower` and `upper`, (n,) each, and are whole numbers where `whole`, (n,).

    matrix : (m, n), whose rows times the columns lie between `low` and `high`, (m,) each.
    """

    cost: Array
    lower: Array
    upper: Array
    whole: npt.NDArray[np.bool_]
    matrix: sparse.csc_array
    low: Array
    high: Array


class _Solver(highspy.Highs):
    """HiGHS without a word on standard output, where results go; it greets as soon as its callbacks are on."""

    def enableCallbacks(self) -> None:
        self.setOptionValue("output_flag", False)
        super().enableCallbacks()


def cheapest(of: Linear) -> Array | None:
    """Columns, (n,), of the least cost, or the best known when the time ran out; None where none keep every limit.

    Raises
    ------
    UnfinishedError : the time ran out before any were found, or the numbers are none that can be solved.
    """
    some = bool(of.whole.any())
    solver = _Solver()
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("threads", 1)  # the programmes are small, and answers hang on no machine
    # without whole numbers there is little to take out: looking for it costs half as much as the solving
    solver.setOptionValue("presolve", "on" if some else "off")
    # metres and square metres are alike in size as they are, and few columns are priced: steepest edges cost more than
    # they save; together a quarter of the time
    solver.setOptionValue("simplex_scale_strategy", 0)
    solver.setOptionValue("simplex_dual_edge_weight_strategy", 1)
    solver.setOptionValue("mip_rel_gap", _GAP)
    solver.setOptionValue("time_limit", _TIME_LIMIT_S)
    columns = int(of.cost.size)
    status = solver.passModel(
        columns,
        int(of.low.size),
        int(of.matrix.nnz),
        int(highspy.MatrixFormat.kColwise),
        int(highspy.ObjSense.kMinimize),
        0.0,
        of.cost,
        of.lower,
        of.upper,
        of.low,
        of.high,
        of.matrix.indptr.astype(np.int32),
        of.matrix.indices.astype(np.int32),
        of.matrix.data,
        of.whole.astype(np.int32),
    )
    if status == highspy.HighsStatus.kError:
        raise UnfinishedError("the programme was not taken")
    solver.run()
    answer = solver.getModelStatus()
    if answer == highspy.HighsModelStatus.kInfeasible:
        return None
    values = np.array(solver.getSolution().col_value, dtype=float)
    feasible = solver.getInfo().primal_solution_status == int(highspy.SolutionStatus.kSolutionStatusFeasible)
    stopped = feasible and answer == highspy.HighsModelStatus.kTimeLimit
    if values.size != columns or not (stopped or answer == highspy.HighsModelStatus.kOptimal):
        raise UnfinishedError(solver.modelStatusToString(answer))
    return values
