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

SETTLED = 1e-9
"""Relative difference below which a group's best paths cost what was proven."""
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
    Rules and shared hours tie only jobs of one group, so with the hours priced the groups are independent,
    and the sum of their least costs is a bound at least as high as with the rules and the shared hours priced
    too. Groups whose best paths keep the rules and cost what was proven are left as they are.

    References
    ----------
    Geoffrion, "Lagrangean relaxation for integer programming", Mathematical Programming Study 2, 1974 (from
    memory, unverified).
    """
    visits, added = answer.visits.copy(), np.zeros(pricing.table.size)
    group = _groups(pricing)
    price = pricing.visit_price(replace(pricing.no_prices(), pool=prices.pool))
    worth = pricing.bundling.worth(prices.pool)
    lower = _lower_values(pricing, prices, answer, group)
    for number in _unsettled(pricing, answer, group, lower, (price, worth)):
        if seconds_left() <= 0:
            break
        jobs = np.flatnonzero(group == number)
        part, reward = _part(pricing, jobs, price, worth)
        model = flow_model(part, all_arcs(part), reward=reward)
        found = solve_integer(model.programme, min(GROUP_SECONDS, seconds_left()))
        added[jobs] = max(0.0, found.bound - lower[number])
        if found.x is not None:
            visits[jobs] = model.visits(found.x, len(jobs), part.problem.weeks)
    _, first = np.unique(group, return_index=True)
    return Joint(answer.bound + float(added[first].sum()), added, visits)


def _lower_values(pricing: Pricing, prices: Prices, answer: Answer, group: Ints) -> Floats:
    """What each group costs at least at the prices [weighted d], hours included."""
    lower: Floats = np.bincount(group, weights=answer.value).astype(np.float64)
    if len(pricing.bundling):
        unpaid = pricing.bundling.unpaid(prices.pool, prices.earned).sum(axis=1)
        np.subtract.at(lower, group[pricing.bundling.member[:, 0]], unpaid)
    return lower


def _unsettled(
    pricing: Pricing, answer: Answer, group: Ints, lower: Floats, charged: tuple[Floats, Floats]
) -> Ints:
    """Groups whose best paths break a rule, or cost more than was proven; those with most to prove first."""
    (price, worth), visits = charged, answer.visits
    cost = pricing.table.cost(np.arange(len(visits)), visits) + (price * visits).sum(axis=1)
    upper = np.bincount(group, weights=cost)
    made = np.vstack([visits, np.ones((1, visits.shape[1]), dtype=bool)])
    saved = np.zeros((len(upper), visits.shape[1]))
    ready = np.where(made[pricing.bundling.member].all(axis=1), worth, 0.0)
    np.maximum.at(saved, group[pricing.bundling.member[:, 0]], ready)
    more = upper - saved.sum(axis=1) - lower
    more[group[pricing.rule_job[broken_rules(pricing, visits).any(axis=1)]]] = np.inf
    unsettled = np.flatnonzero(more > SETTLED * (1 + np.abs(lower)))
    return np.asarray(unsettled[np.argsort(-more[unsettled], kind="stable")])


def _groups(pricing: Pricing) -> Ints:
    """Number of the group of each job: jobs joined by a rule or by shared hours belong together."""
    size, bundling = pricing.table.size, pricing.bundling
    place, seat = np.nonzero(bundling.known)
    one = np.concatenate([pricing.rule_job, bundling.member[place, seat]])
    other = np.concatenate([pricing.rule_on, bundling.member[place, 0]])
    ties = sparse.csr_matrix((np.ones(len(one)), (one, other)), (size, size))
    return np.asarray(connected_components(ties, directed=False)[1], dtype=np.int64)


def _part(pricing: Pricing, jobs: Ints, price: Floats, worth: Floats) -> tuple[Pricing, Floats]:
    """The group as a season of its own, hours paid for instead of limited, and what its bundles save."""
    whole = pricing.problem
    place = {int(job): row for row, job in enumerate(jobs)}
    rules = tuple(
        replace(rule, job=place[rule.job], on=place[rule.on])
        for rule in (whole.rules[index] for index in np.flatnonzero(np.isin(pricing.rule_job, jobs)))
    )
    sharings = tuple(
        replace(one, job=place[job], beside=place[one.beside])
        for job in place
        for one in pricing.savings.of_job.get(job, ())
    )
    members = tuple(_paying(whole.jobs[job], price[job], pricing.possible[job]) for job in jobs)
    hours = np.full((1, whole.weeks), sum(job.hours for job in members) + 1.0)
    part = SeasonProblem(members, whole.weeks, ("",), hours, rules, whole.moving_price, sharings)
    kinds = visit_kinds(part)
    # bundles of a group come in the same order in the part, since its jobs do
    reward = worth[np.isin(pricing.bundling.member[:, 0], jobs)]
    return Pricing(part, kinds, make_pools(part, kinds, whole=False)), reward


def _paying(job: Job, price: Floats, possible: Bools) -> Job:
    cost = job.cost.copy()
    cost[:, 1:-1] += np.where(possible, price, 0.0)
    barred = tuple(int(week) + 1 for week in np.flatnonzero(~possible))
    return replace(job, cost=np.triu(cost, k=1), barred=barred, people=None)
