"""HiGHS without its printing, and one way to run an integer programme that can be stopped."""

from collections.abc import Callable
from dataclasses import dataclass

import highspy
import numpy as np
from numpy.typing import NDArray
from scipy import sparse

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class SolverError(RuntimeError):
    """The solver ended without an answer."""


class QuietSolver(highspy.Highs):
    """HiGHS that prints nothing.

    Notes
    -----
    The library prints a line when it is constructed, at the moment callbacks are enabled; commands that
    promise nothing but a document on standard output need the flag set before.
    """

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]

    def enableCallbacks(self) -> None:  # noqa: N802, the library's name
        """Silence the solver before the first thing that prints."""
        self.setOptionValue("output_flag", False)
        super().enableCallbacks()  # type: ignore[no-untyped-call]


@dataclass(frozen=True)
class IntegerProgramme:
    """Minimise ``cost @ x`` with ``lower <= matrix @ x <= upper``, ``0 <= x <= most``, ``x`` whole where
    said.

    ``offset`` is added to the cost.
    """

    cost: Floats
    matrix: sparse.csc_matrix
    lower: Floats
    upper: Floats
    most: Floats
    whole: Bools
    offset: float = 0.0

    def model(self) -> highspy.HighsLp:
        """The programme as HiGHS takes it."""
        matrix = sparse.csc_matrix(self.matrix)
        model = highspy.HighsLp()
        model.num_col_, model.num_row_ = len(self.cost), len(self.lower)
        model.col_cost_, model.col_lower_, model.col_upper_ = self.cost, np.zeros(len(self.cost)), self.most
        model.offset_ = self.offset
        model.row_lower_, model.row_upper_ = self.lower, self.upper
        model.a_matrix_.format_ = highspy.MatrixFormat.kColwise
        model.a_matrix_.start_, model.a_matrix_.index_ = matrix.indptr, matrix.indices
        model.a_matrix_.value_ = matrix.data
        kinds = (highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger)
        model.integrality_ = [kinds[int(whole)] for whole in self.whole]
        return model


@dataclass(frozen=True)
class IntegerAnswer:
    """``x`` (None when nothing was found), its cost, the proven bound, whether the search was finished."""

    x: Floats | None
    cost: float
    bound: float
    finished: bool


def solve_integer(
    programme: IntegerProgramme,
    seconds: float,
    relative_gap: float = 0.0,
    start: Floats | None = None,
    must_stop: Callable[[], bool] | None = None,
) -> IntegerAnswer:
    """Solve within a time limit.

    Parameters
    ----------
    programme : IntegerProgramme
    seconds : float
        Time limit [s].
    relative_gap : float
        Proven gap at which the search is finished.
    start : ndarray, optional
        A feasible solution to begin with.
    must_stop : callable, optional
        Asked now and then; True ends the search.

    Raises
    ------
    SolverError
        When the solver fails, or finds that no solution exists.
    """
    solver = QuietSolver()
    solver.setOptionValue("time_limit", max(seconds, 0.01))
    solver.setOptionValue("mip_rel_gap", relative_gap)
    solver.setOptionValue("mip_abs_gap", 1e-9)
    solver.passModel(programme.model())
    if start is not None:
        solver.setSolution(len(start), np.arange(len(start), dtype=np.int32), start)
    if must_stop is not None:
        solver.cbMipInterrupt.subscribe(lambda event: event.interrupt() if must_stop() else None)
    solver.run()
    return _read(solver)


def _read(solver: QuietSolver) -> IntegerAnswer:
    status, info = solver.getModelStatus(), solver.getInfo()
    states = highspy.HighsModelStatus
    if status not in (states.kOptimal, states.kTimeLimit, states.kInterrupt):
        raise SolverError(f"the integer programme of the season ended as {status.name}")
    found = info.primal_solution_status == int(highspy.SolutionStatus.kSolutionStatusFeasible)
    x = np.array(solver.getSolution().col_value) if found else None
    cost = float(info.objective_function_value) if found else np.inf
    bound = float(info.mip_dual_bound)
    return IntegerAnswer(x, cost, bound, status == states.kOptimal)
