"""The integer plan chosen among generated paths: the near ties decided together, the rest left alone."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from scheduling.engine.season.hour_rows import hour_rows
from scheduling.engine.season.pricing import Answer, Prices, Pricing
from scheduling.engine.season.relaxation import last_visit
from scheduling.engine.season.solver import IntegerProgramme, solve_integer

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Candidates:
    """Paths to choose from: job (k,), visits (k, W), cost (k,); every job has at least one."""

    job: Ints
    visits: Bools
    cost: Floats


def gather_candidates(
    pricing: Pricing, prices: Prices, best: Answer, sets: list[Bools], most: int, always: Bools
) -> Candidates:
    """Paths of least reduced cost at the final prices, each once.

    Parameters
    ----------
    pricing, prices, best
        The subproblem, the final prices and the best paths under them.
    sets : list of ndarray of bool, shape (n, W)
        Paths met so far.
    most : int
        Most paths besides each job's best and ``always``.
    always : ndarray of bool, shape (n, W)
        A plan whose paths are kept whatever their reduced cost.
    """
    size = pricing.table.size
    kept = _Sieve(pricing, prices, best.value)
    for visits in (best.visits, always, *sets):
        kept.add(visits)
    job, visits, cost, reduced = kept.all()
    forced = 2 * size
    # the best and the standing plan come first, so that dropping repeats keeps them
    _, first = np.unique(_fingerprint(job, visits), return_index=True)
    first = np.sort(first)
    base, rest = first[first < forced], first[first >= forced]
    rest = rest[np.argsort(reduced[rest], kind="stable")][:most]
    chosen = np.concatenate([base, rest])
    chosen = chosen[np.isfinite(cost[chosen])]
    return Candidates(job[chosen], visits[chosen], cost[chosen])


class _Sieve:
    def __init__(self, pricing: Pricing, prices: Prices, value: Floats) -> None:
        self.pricing, self.prices, self.value = pricing, prices, value
        self.price = pricing.visit_price(prices)
        self.parts: list[tuple[Ints, Bools, Floats, Floats]] = []

    def add(self, visits: Bools) -> None:
        jobs = np.arange(len(visits))
        cost = self.pricing.table.cost(jobs, visits)
        reduced = cost + (self.price * visits).sum(axis=1) - self._earned(visits) - self.value
        self.parts.append((jobs, visits, cost, reduced))

    def all(self) -> tuple[Ints, Bools, Floats, Floats]:
        job, visits, cost, reduced = zip(*self.parts, strict=True)
        return np.concatenate(job), np.concatenate(visits), np.concatenate(cost), np.concatenate(reduced)

    def _earned(self, visits: Bools) -> Floats:
        earned = np.zeros(len(visits))
        used = np.flatnonzero(self.prices.rule.any(axis=1))
        if len(used):
            on = self.pricing.rule_on[used]
            numbers, weeks = np.ogrid[: len(used), : visits.shape[1]]
            allows = self.pricing.allowed[used[numbers], last_visit(visits[on]), weeks]
            np.add.at(earned, on, (allows * self.prices.rule[used]).sum(axis=1))
        return earned


def _fingerprint(job: Ints, visits: Bools) -> NDArray[np.void]:
    bits = np.packbits(visits, axis=1)
    table = np.ascontiguousarray(np.concatenate([job[:, None].astype("<i8").view(np.uint8), bits], axis=1))
    return table.view(np.dtype((np.void, table.shape[1]))).ravel()


def choose(
    pricing: Pricing,
    candidates: Candidates,
    start: Bools,
    seconds: float,
    gap: float,
    must_stop: Callable[[], bool] | None = None,
) -> Bools | None:
    """Solve the integer programme over the candidates; visits (n, W), or None when the time was too short.

    Parameters
    ----------
    pricing : Pricing
    candidates : Candidates
    start : ndarray of bool, shape (n, W)
        A feasible plan among the candidates.
    seconds, gap, must_stop
        Limits of the search, the gap relative to the whole plan's cost.
    """
    free, settled = _split(pricing.table.size, candidates)
    made = np.zeros((len(pricing.kinds.hours), pricing.problem.weeks), dtype=np.int64)
    np.add.at(made, pricing.kinds.of_job[candidates.job[settled]], candidates.visits[settled])
    programme = _programme(pricing, candidates, free, settled, made)
    first = np.flatnonzero((candidates.visits[free] == start[candidates.job[free]]).all(axis=1))
    x0 = np.zeros(len(free))
    x0[first] = 1.0
    answer = solve_integer(programme, seconds, gap, x0, must_stop)
    if answer.x is None:
        return None
    taken = np.concatenate([settled, free[answer.x[: len(free)] > 0.5]])
    visits = np.zeros(pricing.team.shape, dtype=bool)
    visits[candidates.job[taken]] = candidates.visits[taken]
    return visits


def _split(size: int, candidates: Candidates) -> tuple[Ints, Ints]:
    """Candidates of jobs that have several, and of jobs that have one."""
    several = np.bincount(candidates.job, minlength=size)[candidates.job] > 1
    return np.flatnonzero(several), np.flatnonzero(~several)


def _programme(
    pricing: Pricing, candidates: Candidates, free: Ints, settled: Ints, made: Ints
) -> IntegerProgramme:
    weeks, kinds = pricing.problem.weeks, pricing.kinds
    jobs, one_of = np.unique(candidates.job[free], return_inverse=True)
    pick = sparse.csr_matrix((np.ones(len(free)), (one_of, np.arange(len(free)))), (len(jobs), len(free)))
    path, week = np.nonzero(candidates.visits[free])
    kind = kinds.of_job[candidates.job[free[path]]]
    visits = sparse.csr_matrix(
        (np.ones(len(path)), (kind * weeks + week, path)), (len(kinds.hours) * weeks, len(free))
    )
    bundle, when = _bundles(pricing, candidates)
    hours = hour_rows(pricing.problem, kinds, pricing.bundling.columns(bundle, when, visits), made)
    order, limit = _order_rows(pricing, candidates, free, settled)
    linked, taken, there = _link_rows(pricing, candidates, (free, settled), bundle, when)
    matrix = sparse.bmat(
        [
            [pick, None, None],
            [hours.visits_part[:, : len(free)], hours.visits_part[:, len(free) :], hours.counts_part],
            [order, None, None],
            [linked, taken, None],
        ],
        format="csc",
    )
    counts, few = hours.counts_part.shape[1], len(limit) + len(there)
    lower = np.concatenate([np.ones(len(jobs)), hours.lower, np.full(few, -np.inf)])
    upper = np.concatenate([np.ones(len(jobs)), hours.upper, limit, there])
    cost = np.concatenate([candidates.cost[free], np.zeros(len(bundle) + counts)])
    most = np.concatenate([np.ones(len(free) + len(bundle)), np.full(counts, np.inf)])
    offset = float(candidates.cost[settled].sum())
    whole = np.ones(len(most), dtype=bool)
    return IntegerProgramme(cost, matrix, lower, upper, most, whole, offset)


def _bundles(pricing: Pricing, candidates: Candidates) -> tuple[Ints, Ints]:
    """Bundles and weeks (from 0) in which candidates of every job make their visits."""
    some = np.zeros((pricing.table.size + 1, pricing.problem.weeks), dtype=bool)
    np.logical_or.at(some, candidates.job, candidates.visits)
    some[-1] = True
    bundling = pricing.bundling
    bundle, week = np.nonzero(bundling.possible & some[bundling.member].all(axis=1))
    return bundle, week


def _link_rows(
    pricing: Pricing, candidates: Candidates, parts: tuple[Ints, Ints], bundle: Ints, when: Ints
) -> tuple[sparse.csr_matrix, sparse.csr_matrix, Floats]:
    """Bundles that take a visit less candidates that make it, and 1 where it is made anyway."""
    (free, settled), weeks = parts, pricing.problem.weeks
    jobs, week, taken = pricing.bundling.links(bundle, when)
    row = np.full(pricing.table.size * weeks, -1, dtype=np.int64)
    row[jobs * weeks + week] = np.arange(len(jobs))
    path, day = np.nonzero(candidates.visits[free])
    place = row[candidates.job[free[path]] * weeks + day]
    keep = place >= 0
    shape = (len(jobs), len(free))
    linked = sparse.csr_matrix((-np.ones(int(keep.sum())), (place[keep], path[keep])), shape)
    there = np.zeros(pricing.team.shape)
    there[candidates.job[settled]] = candidates.visits[settled]
    return linked, taken, there[jobs, week]


def _order_rows(
    pricing: Pricing, candidates: Candidates, free: Ints, settled: Ints
) -> tuple[sparse.csr_matrix, Floats]:
    """Visits made less visits allowed, by rule and week, for rows that candidates could break."""
    if not len(pricing.rule_job):
        return sparse.csr_matrix((0, len(free))), np.zeros(0)
    table = _order_table(pricing, candidates, free)
    fixed = np.asarray(_order_table(pricing, candidates, settled).sum(axis=1)).ravel()
    breakable = np.asarray(table.maximum(0).sum(axis=1)).ravel() + np.maximum(fixed, 0) > 0
    rows = np.flatnonzero(breakable & (fixed > -1) & (np.diff(table.indptr) > 0))
    return sparse.csr_matrix(table[rows]), -fixed[rows]


def _order_table(pricing: Pricing, candidates: Candidates, chosen: Ints) -> sparse.csr_matrix:
    """Coefficient of each candidate in each rule and week (row r W + w - 1)."""
    weeks, size = pricing.problem.weeks, pricing.table.size
    by_job = np.argsort(candidates.job[chosen], kind="stable")
    first = np.searchsorted(candidates.job[chosen][by_job], np.arange(size + 1))
    rows, columns, values = [], [], []
    for jobs, sign in ((pricing.rule_job, 1.0), (pricing.rule_on, -1.0)):
        count = first[jobs + 1] - first[jobs]
        rule = np.repeat(np.arange(len(jobs)), count)
        inside = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        column = by_job[first[jobs[rule]] + inside]
        visits = candidates.visits[chosen[column]]
        if sign < 0:
            visits = pricing.allowed[rule[:, None], last_visit(visits), np.arange(weeks)[None, :]]
        entry, week = np.nonzero(visits)
        rows.append(rule[entry] * weeks + week)
        columns.append(column[entry])
        values.append(np.full(len(entry), sign))
    shape = (len(pricing.rule_job) * weeks, len(chosen))
    entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns)))
    return sparse.coo_matrix(entries, shape).tocsr()
