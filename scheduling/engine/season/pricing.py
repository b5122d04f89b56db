"""Prices of hours and order rules, the best paths under them, and the lower bound they prove."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.bundling import Bundling
from scheduling.engine.season.capacity import Kinds, Pools
from scheduling.engine.season.paths import ArcChange, PathTable
from scheduling.engine.season.problem import SeasonProblem

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Prices:
    """Price of an hour in each pool [weighted d per h] and of each rule and week (R, W) [weighted d].

    ``earned`` (n, W) [weighted d] is what each visit is paid for the hours that it lets a bundle save.
    """

    pool: Floats
    rule: Floats
    earned: Floats

    def towards(self, other: "Prices", share: float) -> "Prices":
        """A mixture, ``share`` of the other."""
        pairs = ((self.pool, other.pool), (self.rule, other.rule), (self.earned, other.earned))
        return Prices(*((1 - share) * mine + share * theirs for mine, theirs in pairs))


@dataclass(frozen=True)
class Answer:
    """Best paths under some prices: the proven bound, each job's value and its visits (n, W)."""

    bound: float
    value: Floats
    visits: Bools


class Pricing:
    """The relaxation's subproblem: every job for itself, hours and rules paid for.

    Parameters
    ----------
    problem : SeasonProblem
    kinds : Kinds
    pools : Pools
    with_moves : bool
        Whether leaving a visit of the former plan costs the moving price.
    """

    def __init__(self, problem: SeasonProblem, kinds: Kinds, pools: Pools, with_moves: bool = True) -> None:
        self.problem, self.kinds, self.pools = problem, kinds, pools
        self.savings = kinds.savings
        self.hours = kinds.hours[kinds.of_job] if len(kinds.of_job) else np.zeros(0)
        self.team = pools.team_of[kinds.of_job]
        self.possible = possible_weeks(problem, self.team)
        self.bundling = Bundling(kinds, pools, self.possible)
        self.table = PathTable(problem, self.possible, with_moves)
        self.rule_job = np.array([rule.job for rule in problem.rules], dtype=np.int64)
        self.rule_on = np.array([rule.on for rule in problem.rules], dtype=np.int64)
        self.allowed = rule_tables(problem)

    def no_prices(self) -> Prices:
        """Everything for nothing."""
        weeks = self.problem.weeks
        rule, earned = np.zeros((len(self.rule_job), weeks)), np.zeros((self.table.size, weeks))
        return Prices(np.zeros(len(self.pools.hours)), rule, earned)

    def visit_price(self, prices: Prices) -> Floats:
        """Price of a visit of each job in each week, shape (n, W) [weighted d]."""
        team_price = np.append(self.pools.team_price(prices.pool), 0.0)
        price = self.hours[:, None] * team_price[self.team]
        if len(self.rule_job):
            np.add.at(price, self.rule_job, prices.rule)
        return np.asarray(price - prices.earned, dtype=np.float64)

    def arc_change(self, prices: Prices) -> ArcChange | None:
        """What the arcs of deciding jobs earn by allowing visits of others."""
        used = np.flatnonzero(prices.rule.any(axis=1))
        if not len(used):
            return None
        weeks = self.problem.weeks
        earned = np.zeros((len(used), weeks + 2, weeks + 2))
        earned[:, :-1, 2:] = np.cumsum(self.allowed[used] * prices.rule[used][:, None, :], axis=2)
        rows, place = np.unique(self.rule_on[used], return_inverse=True)
        amount = np.zeros((len(rows), weeks + 2, weeks + 2))
        np.subtract.at(amount, place, earned)
        return ArcChange(rows, amount)

    def answer(self, prices: Prices) -> Answer:
        """Best paths and the bound: the sum of their values less what the hours are worth at those prices.

        Notes
        -----
        Lagrangian relaxation: for any prices >= 0 the bound is at most the cost of every feasible plan. A
        bundle that saves more than its visits are paid lowers the bound by the rest in every week.
        """
        value, visits = self.table.best(self.visit_price(prices), self.arc_change(prices))
        unpaid = float(self.bundling.unpaid(prices.pool, prices.earned).sum())
        return Answer(float(value.sum() - prices.pool @ self.pools.hours - unpaid), value, visits)

    def slack(self, prices: Prices) -> Floats:
        """By how much a path through each visit costs more than its job's best, shape (n, W) [weighted d]."""
        price, change = self.visit_price(prices), self.arc_change(prices)
        forward, backward = self.table.forward(price, change), self.table.backward(price, change)
        return np.asarray(forward[:, 1:-1] + backward[:, 1:-1] - forward[:, -1:])

    def with_earnings(self, prices: Prices, slack: Floats, settled: Bools) -> Prices:
        """The prices with earnings at which no bundle saves more than its visits are paid.

        Parameters
        ----------
        prices : Prices
        slack : ndarray, shape (n, W)
            As from `slack` at these prices without earnings, or at prices near them; it steers who is paid.
        settled : ndarray of bool, shape (n, W)
            Where the earnings given stand; elsewhere they are chosen anew.
        """
        earned = np.where(settled, prices.earned, 0.0)
        return replace(prices, earned=self.bundling.pay(prices.pool, earned, slack, settled))


def possible_weeks(problem: SeasonProblem, team: Ints) -> Bools:
    """Weeks in which a visit can happen: somebody can make it and the week is not barred, or it is held."""
    possible = np.asarray(team >= 0)
    for index, job in enumerate(problem.jobs):
        possible[index, [week - 1 for week in job.barred if week not in job.held]] = False
    return possible


def rule_tables(problem: SeasonProblem) -> Bools:
    """All rules' tables, shape (R, W+1, W); weeks in which the conditional job is held are always allowed."""
    weeks = problem.weeks
    tables = np.zeros((len(problem.rules), weeks + 1, weeks), dtype=bool)
    reachable = np.arange(weeks + 1)[:, None] <= np.arange(1, weeks + 1)[None, :]
    for index, rule in enumerate(problem.rules):
        tables[index] = rule.allowed & reachable
        for week in problem.jobs[rule.job].held:
            tables[index, : week + 1, week - 1] = True
    return tables
