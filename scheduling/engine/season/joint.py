"""A tighter bound under order rules: each instrument whose jobs wait for each other solved as a whole."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from scheduling.engine.season.capacity import make_pools, visit_kinds
from scheduling.engine.season.draft import broken_rules
from scheduling.engine.season.flow import all_arcs, flow_model
from scheduling.engine.season.pricing import Answer, Prices, Pricing
from scheduling.engine.season.problem import Job, SeasonProblem
from scheduling.engine.season.solver import solve_integer

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

GROUP_SECONDS = 2.0
"""Longest search for one instrument [s]; what is proven until then counts."""


@dataclass(frozen=True)
class Joint:
    """The tighter bound, how much each job's group added to it (n,), and visits (n, W) keeping the rules."""

    bound: float
    added: Floats
    visits: Bools


def solve_groups(
    pricing: Pricing, prices: Prices, answer: Answer, seconds_left: Callable[[], float]
) -> Joint:
    """Solve each group of jobs tied by rules exactly at the prices of the hours.

    Notes
    -----
    Rules tie only jobs of one group, so with the hours priced the groups are independent, and the sum of
    their least costs is a bound at least as high as with the rules priced too. Groups whose best paths keep
    the rules without being paid for it are left as they are.

    References
    ----------
    Geoffrion, "Lagrangean relaxation for integer programming", Mathematical Programming Study 2, 1974 (from
    memory, unverified).
    """
    visits, added = answer.visits.copy(), np.zeros(pricing.table.size)
    priced = prices.rule.any(axis=1) | broken_rules(pricing, answer.visits).any(axis=1)
    group = _groups(pricing)
    price = pricing.visit_price(Prices(prices.pool, np.zeros_like(prices.rule)))
    for number in np.unique(group[pricing.rule_job[priced]]):
        if seconds_left() <= 0:
            break
        jobs = np.flatnonzero(group == number)
        part = _part(pricing, jobs, price)
        model = flow_model(part, all_arcs(part))
        found = solve_integer(model.programme, min(GROUP_SECONDS, seconds_left()))
        value = float(answer.value[jobs].sum())
        added[jobs] = max(0.0, found.bound - value)
        if found.x is not None:
            visits[jobs] = model.visits(found.x, len(jobs), part.problem.weeks)
    _, first = np.unique(group, return_index=True)
    return Joint(answer.bound + float(added[first].sum()), added, visits)


def _groups(pricing: Pricing) -> Ints:
    """Number of the group of each job: jobs joined by a rule belong together."""
    size = pricing.table.size
    ties = sparse.csr_matrix(
        (np.ones(len(pricing.rule_job)), (pricing.rule_job, pricing.rule_on)), (size, size)
    )
    return np.asarray(connected_components(ties, directed=False)[1], dtype=np.int64)


def _part(pricing: Pricing, jobs: Ints, price: Floats) -> Pricing:
    """The group as a season of its own, hours paid for instead of limited."""
    whole = pricing.problem
    place = {int(job): row for row, job in enumerate(jobs)}
    rules = tuple(
        replace(rule, job=place[rule.job], on=place[rule.on])
        for rule in (whole.rules[index] for index in np.flatnonzero(np.isin(pricing.rule_job, jobs)))
    )
    members = tuple(_paying(whole.jobs[job], price[job], pricing.possible[job]) for job in jobs)
    hours = np.full((1, whole.weeks), sum(job.hours for job in members) + 1.0)
    part = SeasonProblem(members, whole.weeks, ("",), hours, rules, whole.moving_price)
    kinds = visit_kinds(part)
    return Pricing(part, kinds, make_pools(part, kinds, whole=False))


def _paying(job: Job, price: Floats, possible: Bools) -> Job:
    cost = job.cost.copy()
    cost[:, 1:-1] += np.where(possible, price, 0.0)
    barred = tuple(int(week) + 1 for week in np.flatnonzero(~possible))
    return replace(job, cost=np.triu(cost, k=1), barred=barred, people=None)
