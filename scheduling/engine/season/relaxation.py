"""Column generation: the prices that prove the lower bound, and the paths a good plan is made of."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from scheduling.engine.season.master import Master
from scheduling.engine.season.pricing import Answer, Prices, Pricing

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

JOB_BLOCKS = 1200
"""Jobs up to which each has its own row in the master programme; more are gathered in blocks."""
MANY_BLOCKS = 400
"""Blocks of a large fleet: the linear programme stays small while the pricing grows with the fleet."""
RULE_JOBS = 8000
"""Jobs up to which order rules enter the master programme; a bound without them is still a bound."""
RULES_PER_ROUND = 200
"""Most order rules whose rows are added at a time."""
BUNDLES_PER_ROUND = 300
"""Most bundles whose weeks are opened at a time."""
TOLERANCE = 1e-7


@dataclass
class Relaxed:
    """What the relaxation found.

    ``bound`` is proven; ``prices`` and ``answer`` are those of the best bound; ``paths`` are all sets of
    visits (n, W) met on the way, in order; ``likely`` (n, W) is each block's path of greatest weight in the
    linear programme, and ``value`` its objective (at least the bound).
    """

    bound: float
    prices: Prices
    answer: Answer
    likely: Bools
    value: float
    paths: list[Bools] = field(default_factory=list)


class Relaxation:
    """Dantzig-Wolfe decomposition of the season: one block of jobs, one convex combination of its paths.

    Parameters
    ----------
    pricing : Pricing
    seconds_left : callable
        Seconds until the search must end; 0 or less stops it.
    with_rules : bool
        Whether order rules become rows when they are violated.
    """

    def __init__(self, pricing: Pricing, seconds_left: Callable[[], float], with_rules: bool = True) -> None:
        self.pricing, self.seconds_left = pricing, seconds_left
        size = pricing.table.size
        self.with_rules = with_rules and len(pricing.rule_job) > 0 and size <= RULE_JOBS
        single = size <= JOB_BLOCKS or self.with_rules
        self.blocks = size if single else MANY_BLOCKS
        self.block = np.arange(size) % max(self.blocks, 1)
        self.gather = sparse.csr_matrix((np.ones(size), (self.block, np.arange(size))), (self.blocks, size))
        self.smoothing = 0.5 if single else 0.8
        self.master = Master(self.blocks, pricing.pools)
        self.paths: list[Bools] = []
        self.column_of: list[Ints] = []
        self.columns = 0
        self.with_bundles = single and len(pricing.bundling) > 0
        none = np.zeros(0, dtype=np.int64)
        # rows below the pools, in the order they came: order rules by week, and visits that bundles take
        self.rows_rule, self.rows_week, self.rows_rule_at = none, none, none
        self.links_job, self.links_week, self.links_at = none, none, none
        self.opened = np.zeros((size, pricing.problem.weeks), dtype=bool)
        self.slack: Floats | None = None

    def run(self, start: Prices, known: list[Bools], target: float) -> Relaxed:
        """Improve the bound until it is within ``target`` of the linear programme, or time is up.

        Parameters
        ----------
        start : Prices
            First prices to try.
        known : list of ndarray of bool, shape (n, W)
            Paths to begin with; the first must respect the hours (held visits only).
        target : float
            Relative distance between bound and linear programme at which to stop.
        """
        for visits in known:
            self._add(visits, None)
        if known and len(self.pricing.bundling):
            # held visits may fit into their week only together
            made = np.vstack([known[0], np.ones((1, known[0].shape[1]), dtype=bool)])
            bundling = self.pricing.bundling
            self._open_weeks(*np.nonzero(bundling.possible & made[bundling.member].all(axis=1)))
        start = self._with_earnings(start)
        best = (self.pricing.answer(start), start)
        self._add(best[0].visits, None)
        value = np.inf
        while self.seconds_left() > 0 and self.master.solve(self.seconds_left()):
            value = self.master.objective
            best, added = self._improve(best)
            done = value - best[0].bound <= target * abs(value) + 1e-9
            if not (done or not added) or self._separate():
                continue
            if done or not self._open():
                break
        return Relaxed(best[0].bound, best[1], best[0], self._likely(), value, self.paths)

    def _likely(self) -> Bools:
        visits = self.paths[0].copy()
        most = np.zeros(self.blocks)
        for paths, numbers in zip(self.paths, self.column_of, strict=True):
            weight = np.where((numbers >= 0) & (numbers < len(self.master.weights)), 1.0, 0.0)
            weight[weight > 0] = self.master.weights[numbers[weight > 0]]
            better = np.flatnonzero((weight > most)[self.block])
            visits[better] = paths[better]
            most = np.maximum(most, weight)
        return visits

    def _improve(self, best: tuple[Answer, Prices]) -> tuple[tuple[Answer, Prices], int]:
        """Price out once: near the best prices first, at the master's own where that brings no column."""
        current = Prices(self.master.pool_price, self._rule_prices(), self._earnings())
        added = 0
        for share in (1 - self.smoothing, 1.0):
            prices = self._with_earnings(best[1].towards(current, share))
            answer = self.pricing.answer(prices)
            self.asked = (answer, prices)
            if answer.bound > best[0].bound:
                best = (answer, prices)
            else:
                self.slack = None
            added = self._add(answer.visits, self.master.duals)
            if added:
                break
        return best, added

    def _with_earnings(self, prices: Prices) -> Prices:
        """Earnings chosen where bundles are not in the master; the slack of earlier prices serves a while."""
        if not len(self.pricing.bundling):
            return prices
        if self.slack is None:
            bare = np.where(self.opened, prices.earned, 0.0)
            self.slack = self.pricing.slack(replace(prices, earned=bare))
        return self.pricing.with_earnings(prices, self.slack, self.opened)

    def _rule_prices(self) -> Floats:
        prices = np.zeros((len(self.pricing.rule_job), self.pricing.problem.weeks))
        prices[self.rows_rule, self.rows_week] = self.master.extra_price(self.rows_rule_at)
        return prices

    def _earnings(self) -> Floats:
        earned = np.zeros(self.opened.shape)
        earned[self.links_job, self.links_week] = self.master.extra_price(self.links_at)
        return earned

    def _add(self, visits: Bools, duals: Floats | None) -> int:
        """Add the blocks of one set of visits as columns, all of them or those of negative reduced cost."""
        cost = self.gather @ self.pricing.table.cost(np.arange(len(visits)), visits)
        entries = self._entries(visits)
        if duals is None:
            new = self._unknown(visits)
        else:
            width = entries.shape[1]
            reduced = cost - duals[: self.blocks] - entries @ duals[self.blocks : self.blocks + width]
            new = reduced < -TOLERANCE * (1 + np.abs(cost))
        chosen = np.flatnonzero(new)
        if len(chosen):
            own = sparse.csr_matrix(
                (np.ones(len(chosen)), (np.arange(len(chosen)), chosen)), (len(chosen), self.blocks)
            )
            table = sparse.hstack([own, entries[chosen]], format="csr")
            self.master.add_columns(cost[chosen], table.indptr, table.indices, table.data)
            numbers = np.full(self.blocks, -1, dtype=np.int64)
            numbers[chosen] = self.columns + np.arange(len(chosen))
            self.columns += len(chosen)
            self.paths.append(visits)
            self.column_of.append(numbers)
        return len(chosen)

    def _unknown(self, visits: Bools) -> Bools:
        """Blocks that have no column with these visits yet."""
        new = np.ones(self.blocks, dtype=bool)
        for paths, numbers in zip(self.paths, self.column_of, strict=True):
            differs = np.bincount(self.block, (paths != visits).any(axis=1), self.blocks) > 0
            new &= differs | (numbers < 0)
        return new

    def _entries(self, visits: Bools) -> sparse.csr_matrix:
        """Coefficients of each block in the rows below the block rows."""
        jobs, weeks = np.nonzero(visits)
        width = self.master.extra_row - self.blocks
        rows, columns = [self.block[jobs]], [self.pricing.team[jobs, weeks]]
        values = [self.pricing.hours[jobs]]
        if len(self.rows_rule):
            blocks, amounts = self._rule_entries(visits, self.rows_rule, self.rows_week)
            numbers = np.tile(width + self.rows_rule_at, 2)
            rows, columns, values = [*rows, blocks], [*columns, numbers], [*values, amounts]
        if len(self.links_job):
            made = visits[self.links_job, self.links_week]
            rows, columns = [*rows, self.block[self.links_job[made]]], [*columns, width + self.links_at[made]]
            values = [*values, -np.ones(int(made.sum()))]
        shape = (self.blocks, width + len(self.rows_rule) + len(self.links_job))
        table = sparse.coo_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape
        ).tocsr()
        table.eliminate_zeros()
        return table

    def _rule_entries(self, visits: Bools, rules: Ints, weeks: Ints) -> tuple[Ints, Floats]:
        """Blocks and amounts of the visits made (+1) and allowed (-1) in given order rows."""
        pricing = self.pricing
        last = last_visit(visits)
        made = visits[pricing.rule_job[rules], weeks].astype(float)
        on = pricing.rule_on[rules]
        allows = pricing.allowed[rules, last[on, weeks], weeks].astype(float)
        blocks = np.concatenate([self.block[pricing.rule_job[rules]], self.block[on]])
        return blocks, np.concatenate([made, -allows])

    def _separate(self) -> bool:
        """Add the order rows that the master's solution breaks most; False when it breaks none."""
        if not self.with_rules or self.seconds_left() <= 0:
            return False
        excess = np.zeros((len(self.pricing.rule_job), self.pricing.problem.weeks))
        for visits, numbers in zip(self.paths, self.column_of, strict=True):
            # paths that entered after the last solve have no weight yet
            solved = (numbers >= 0) & (numbers < len(self.master.weights))
            weight = np.where(solved, self.master.weights[np.where(solved, numbers, 0)], 0.0)
            if weight.any():
                last = last_visit(visits)[self.pricing.rule_on]
                rules, weeks = np.ogrid[: excess.shape[0], : excess.shape[1]]
                excess += weight[self.block[self.pricing.rule_job], None] * visits[self.pricing.rule_job]
                allows = self.pricing.allowed[rules, last, weeks]
                excess -= weight[self.block[self.pricing.rule_on], None] * allows
        excess[self.rows_rule, self.rows_week] = 0.0
        worst = excess.max(axis=1)
        rules = np.argsort(-worst)[:RULES_PER_ROUND]
        rules = rules[worst[rules] > 1e-6]
        if not len(rules):
            return False
        # a visit forbidden in one week only moves to the next: all weeks of a violated rule at once
        known = np.zeros(excess.shape, dtype=bool)
        known[self.rows_rule, self.rows_week] = True
        place, weeks = np.nonzero(~known[rules])
        self._add_rows(rules[place], weeks)
        return True

    def _add_rows(self, rules: Ints, weeks: Ints) -> None:
        rows: list[Ints] = []
        columns: list[Ints] = []
        values: list[Floats] = []
        for visits, numbers in zip(self.paths, self.column_of, strict=True):
            blocks, amounts = self._rule_entries(visits, rules, weeks)
            keep = (numbers[blocks] >= 0) & (amounts != 0)
            rows.append(np.tile(np.arange(len(rules)), 2)[keep])
            columns.append(numbers[blocks][keep])
            values.append(amounts[keep])
        table = sparse.coo_matrix(
            (np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))),
            (len(rules), self.columns),
        ).tocsr()
        self.master.add_rows(table.indptr, table.indices, table.data)
        self.rows_rule_at = np.concatenate([self.rows_rule_at, self._next_rows(len(rules))])
        self.rows_rule = np.concatenate([self.rows_rule, rules])
        self.rows_week = np.concatenate([self.rows_week, weeks])

    def _next_rows(self, count: int) -> Ints:
        return len(self.rows_rule) + len(self.links_job) + np.arange(count, dtype=np.int64)

    def _open(self) -> bool:
        """Let bundles into the master programme where they could save; False when no further one could.

        First come those whose visits its solution makes in one week already, then those for which visits of
        the last pricing were paid.
        """
        if not self.with_bundles or self.seconds_left() <= 0:
            return False
        bundling = self.pricing.bundling
        made = np.vstack([self._made(), np.ones((1, self.opened.shape[1]))])
        closed = bundling.possible & ~self.opened[bundling.member[:, 0]]
        gain = np.where(closed, made[bundling.member].min(axis=1) * bundling.worth(self.master.pool_price), 0)
        if gain.max() <= TOLERANCE:
            answer, prices = self.asked
            paid = np.vstack(
                [np.where(answer.visits, prices.earned, 0.0), np.zeros((1, self.opened.shape[1]))]
            )
            gain = np.where(closed, paid[bundling.member].max(axis=1), 0.0)
        order = np.argsort(-gain, axis=None)[:BUNDLES_PER_ROUND]
        order = order[gain.ravel()[order] > TOLERANCE]
        if not len(order):
            return False
        self._open_weeks(*np.unravel_index(order, gain.shape))
        return True

    def _open_weeks(self, some: Ints, week: Ints) -> None:
        """Let every bundle of the groups of some bundles into the master programme in their weeks."""
        if not len(some):
            return
        bundling, group = self.pricing.bundling, self.pricing.savings.group
        wanted = np.zeros((len(self.pricing.savings.members), self.opened.shape[1]), dtype=bool)
        wanted[group[bundling.member[some, 0]], week] = True
        self._add_bundles(*np.nonzero(bundling.possible & wanted[group[bundling.member[:, 0]]]))
        self.opened[np.flatnonzero(group >= 0)] |= wanted[group[group >= 0]]

    def _made(self) -> Floats:
        """Visits of each job and week in the master's solution, shape (n, W)."""
        made = np.zeros(self.opened.shape)
        for visits, numbers in zip(self.paths, self.column_of, strict=True):
            solved = (numbers >= 0) & (numbers < len(self.master.weights))
            weight = np.where(solved, self.master.weights[np.where(solved, numbers, 0)], 0.0)
            if weight.any():
                made += weight[self.block][:, None] * visits
        return made

    def _add_bundles(self, bundle: Ints, week: Ints) -> None:
        """Add a column for each bundle and week, and a row for each visit that they take."""
        bundling = self.pricing.bundling
        place, seat = np.nonzero(bundling.known[bundle])
        jobs = bundling.member[bundle[place], seat]
        teams = np.concatenate([self.pricing.team[jobs, week[place]], bundling.team[bundle, week]])
        hours = np.concatenate([-self.pricing.hours[jobs], bundling.hours[bundle, week]])
        columns = np.concatenate([place, np.arange(len(bundle))])
        table = sparse.csr_matrix(
            (hours, (columns, self.master.team_row + teams)), (len(bundle), self.master.pool_row)
        )
        self.master.add_columns(np.zeros(len(bundle)), table.indptr, table.indices, table.data)
        first = self.columns
        self.columns += len(bundle)
        links_job, links_week, taken = bundling.links(bundle, week)
        taken = sparse.coo_matrix(taken)
        rows, numbers, values = [taken.row], [first + taken.col], [taken.data]
        for visits, number in zip(self.paths, self.column_of, strict=True):
            own = number[self.block[links_job]]
            keep = (own >= 0) & visits[links_job, links_week]
            rows.append(np.flatnonzero(keep))
            numbers.append(own[keep])
            values.append(-np.ones(int(keep.sum())))
        entries = (np.concatenate(values), (np.concatenate(rows), np.concatenate(numbers)))
        table = sparse.coo_matrix(entries, (len(links_job), self.columns)).tocsr()
        self.master.add_rows(table.indptr, table.indices, table.data)
        self.links_at = np.concatenate([self.links_at, self._next_rows(len(links_job))])
        self.links_job = np.concatenate([self.links_job, links_job])
        self.links_week = np.concatenate([self.links_week, links_week])


def last_visit(visits: Bools) -> Ints:
    """Node of the latest visit up to and including each week (0 = before the season), shape (n, W)."""
    weeks = np.arange(1, visits.shape[1] + 1, dtype=np.int64)
    return np.asarray(np.maximum.accumulate(np.where(visits, weeks, 0), axis=1), dtype=np.int64)
