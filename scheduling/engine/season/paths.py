"""Shortest paths through the weeks, for all jobs at once."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.problem import Job, SeasonProblem

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class ArcChange:
    """Amounts added to the arcs of some jobs: ``rows`` (k,) and ``amount`` (k, W+2, W+2)."""

    rows: Ints
    amount: Floats


class PathTable:
    """The arcs of every job, infinite where a visit or a stretch without one is not allowed.

    Parameters
    ----------
    problem : SeasonProblem
    possible : ndarray of bool, shape (n, W)
        Weeks in which each job can be visited at all.
    with_moves : bool
        Whether leaving a visit of the former plan costs the moving price.
    """

    def __init__(self, problem: SeasonProblem, possible: Bools, with_moves: bool = True) -> None:
        self.weeks = problem.weeks
        self.size = len(problem.jobs)
        table = np.zeros((self.size, self.weeks + 2, self.weeks + 2))
        for index, job in enumerate(problem.jobs):
            table[index] = job.cost
            if with_moves and job.previous:
                table[index] += problem.moving_price * _skipped(job.previous, self.weeks)
        for week in range(1, self.weeks + 1):
            table[~possible[:, week - 1], :, week] = np.inf
        for index, job in enumerate(problem.jobs):
            if job.held or job.spacing > 1:
                table[index][_forbidden(job, self.weeks)] = np.inf
        # arcs[e] holds the arcs into node e, one job after the other: what one step of the recursion reads
        self.arcs = [np.ascontiguousarray(table[:, :e, e]) for e in range(1, self.weeks + 2)]

    def best(self, price: Floats, change: ArcChange | None = None) -> tuple[Floats, Bools]:
        """Cheapest path of every job when a visit costs ``price`` on top.

        Parameters
        ----------
        price : ndarray, shape (n, W)
            Price of a visit in each week [weighted d].
        change : ArcChange, optional
            Amounts added to some arcs.

        Returns
        -------
        value : ndarray, shape (n,)
            Cost of the path, prices included.
        visits : ndarray of bool, shape (n, W)
        """
        value = np.zeros((self.size, self.weeks + 2))
        before = np.zeros((self.size, self.weeks + 2), dtype=np.int64)
        rows = np.arange(self.size)
        for end in range(1, self.weeks + 2):
            total = value[:, :end] + self._into(end, change)
            choice = total.argmin(axis=1)
            before[:, end] = choice
            value[:, end] = total[rows, choice]
            if end <= self.weeks:
                value[:, end] += price[:, end - 1]
        return value[:, -1], self._trace(before)

    def through(self, price: Floats) -> Floats:
        """Cheapest path of every job that visits in a given week, shape (n, W), prices included."""
        return self.forward(price)[:, 1:-1] + self.backward(price)[:, 1:-1]

    def forward(self, price: Floats, change: ArcChange | None = None) -> Floats:
        """Cheapest way to each node from the start, the node's own price included, shape (n, W+2)."""
        value = np.zeros((self.size, self.weeks + 2))
        for end in range(1, self.weeks + 2):
            value[:, end] = (value[:, :end] + self._into(end, change)).min(axis=1)
            if end <= self.weeks:
                value[:, end] += price[:, end - 1]
        return value

    def backward(self, price: Floats, change: ArcChange | None = None) -> Floats:
        """Cheapest way from each node to the end, the node's own price excluded, shape (n, W+2)."""
        value = np.full((self.size, self.weeks + 2), np.inf)
        value[:, -1] = 0.0
        for end in range(self.weeks + 1, 0, -1):
            onward = value[:, end] + (price[:, end - 1] if end <= self.weeks else 0.0)
            np.minimum(value[:, :end], self._into(end, change) + onward[:, None], out=value[:, :end])
        return value

    def reduced(self, price: Floats, change: ArcChange | None = None) -> list[Floats]:
        """Cheapest path through each arc less the cheapest of all: an array (n, e) per end node 1..W+1."""
        forward, backward = self.forward(price, change), self.backward(price, change)
        onward = backward + np.pad(price, ((0, 0), (1, 1)))
        least = forward[:, -1:]
        return [
            forward[:, :end] + self._into(end, change) + onward[:, end, None] - least
            for end in range(1, self.weeks + 2)
        ]

    def cost(self, jobs: Ints, visits: Bools) -> Floats:
        """Cost of given paths; infinite where a path is not allowed.

        Parameters
        ----------
        jobs : ndarray of int, shape (k,)
        visits : ndarray of bool, shape (k, W)
        """
        total = np.zeros(len(jobs))
        last = np.zeros(len(jobs), dtype=np.int64)
        for week in range(1, self.weeks + 1):
            here = np.flatnonzero(visits[:, week - 1])
            total[here] += self.arcs[week - 1][jobs[here], last[here]]
            last[here] = week
        return total + self.arcs[self.weeks][jobs, last]

    def arcs_into_visits(self, job: int) -> Floats:
        """Arcs from the last service before the season into each week's visit, shape (W,)."""
        return np.array([self.arcs[week][job, 0] for week in range(self.weeks)])

    def _into(self, end: int, change: ArcChange | None) -> Floats:
        arcs = self.arcs[end - 1]
        if change is None or not len(change.rows):
            return arcs
        changed = arcs.copy()
        changed[change.rows] += change.amount[:, :end, end]
        return changed

    def _trace(self, before: Ints) -> Bools:
        visits = np.zeros((self.size, self.weeks), dtype=bool)
        rows, node = np.arange(self.size), np.full(self.size, self.weeks + 1)
        while True:
            node = before[rows, node]
            rows, node = rows[node > 0], node[node > 0]
            if not len(rows):
                return visits
            visits[rows, node - 1] = True


def _skipped(previous: tuple[int, ...], weeks: int) -> Floats:
    """How many of the former visits lie strictly between two nodes."""
    upto = np.zeros(weeks + 2)
    upto[list(previous)] = 1.0
    upto = np.cumsum(upto)
    before = np.concatenate([[0.0], upto[:-1]])
    return np.triu(before[None, :] - upto[:, None], k=1)


def _forbidden(job: Job, weeks: int) -> Bools:
    """Arcs that jump over a held visit or come too soon after another."""
    starts, ends = np.meshgrid(np.arange(weeks + 2), np.arange(weeks + 2), indexing="ij")
    forbidden = np.zeros(starts.shape, dtype=bool)
    for week in job.held:
        forbidden |= (starts < week) & (week < ends)
    near = (starts >= 1) & (ends <= weeks) & (ends - starts < job.spacing) & (ends > starts)
    both_held = np.isin(starts, job.held) & np.isin(ends, job.held)
    return forbidden | (near & ~both_held)
