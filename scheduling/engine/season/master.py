"""The linear programme over generated paths whose dual values are the prices of hours and of order rules."""

import highspy
import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.capacity import Pools
from scheduling.engine.season.solver import QuietSolver, SolverError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_NO_INTS = np.zeros(0, dtype=np.int32)
_NO_FLOATS = np.zeros(0)


class Master:
    """Choose one column per block so that the hours of every team and pool suffice.

    Rows, in this order: one per block (its columns sum to 1); one per team (hours of visits minus hours
    drawn from pools <= 0); one per pool (hours drawn <= hours there are); then further rows (<= 0), added
    when violated: order rules, and bundles against the visits that they take.

    Parameters
    ----------
    blocks : int
    pools : Pools
    """

    def __init__(self, blocks: int, pools: Pools) -> None:
        self.blocks, self.pools = blocks, pools
        self.team_row = blocks
        self.pool_row = blocks + pools.teams
        self.extra_row = self.pool_row + len(pools.hours)
        self.solver = QuietSolver()
        self.weights = np.zeros(0)
        self.solver.setOptionValue("presolve", "off")
        lower = np.full(self.extra_row, -highspy.kHighsInf)
        lower[:blocks] = 1.0
        upper = np.concatenate([np.ones(blocks), np.zeros(pools.teams), pools.hours])
        self.solver.addRows(self.extra_row, lower, upper, 0, _NO_INTS, _NO_INTS, _NO_FLOATS)
        self._add_supplies()

    def add_columns(self, cost: Floats, starts: Ints, rows: Ints, values: Floats) -> None:
        """Add columns given by compressed entries (row numbers as described above)."""
        count = len(cost)
        self.solver.addCols(
            count,
            cost,
            np.zeros(count),
            np.full(count, highspy.kHighsInf),
            len(rows),
            starts[:-1].astype(np.int32),
            rows.astype(np.int32),
            values,
        )

    def add_rows(self, starts: Ints, columns: Ints, values: Floats) -> None:
        """Add rows ``sum <= 0`` over columns numbered in the order they were added."""
        count = len(starts) - 1
        self.solver.addRows(
            count,
            np.full(count, -highspy.kHighsInf),
            np.zeros(count),
            len(columns),
            starts[:-1].astype(np.int32),
            (columns + len(self.pools.links)).astype(np.int32),
            values,
        )

    def solve(self, seconds: float) -> bool:
        """Solve; False when the time ran out first.

        Raises
        ------
        SolverError
            When the solver ends in any other way than optimal or out of time.
        """
        self.solver.setOptionValue("time_limit", self.solver.getRunTime() + max(seconds, 0.01))
        self.solver.run()
        status = self.solver.getModelStatus()
        if status == highspy.HighsModelStatus.kTimeLimit:
            return False
        if status != highspy.HighsModelStatus.kOptimal:
            raise SolverError(f"the linear programme of the season ended as {status.name}")
        solution = self.solver.getSolution()
        self.duals = np.array(solution.row_dual)
        self.weights = np.array(solution.col_value)[len(self.pools.links) :]
        self.objective = float(self.solver.getInfo().objective_function_value)
        return True

    @property
    def pool_price(self) -> Floats:
        """Price of an hour in each pool [weighted d per h], never negative."""
        return np.asarray(np.maximum(0.0, -self.duals[self.pool_row : self.extra_row]))

    def extra_price(self, rows: Ints) -> Floats:
        """Price of further rows [weighted d], never negative."""
        return np.asarray(np.maximum(0.0, -self.duals[self.extra_row + rows]))

    def _add_supplies(self) -> None:
        links = self.pools.links
        rows = np.stack([self.team_row + links[:, 0], self.pool_row + links[:, 1]], axis=1).ravel()
        self.add_columns(
            np.zeros(len(links)), np.arange(len(links) + 1) * 2, rows, np.tile([-1.0, 1.0], len(links))
        )
