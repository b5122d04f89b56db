"""Visits made to keep the order rules: add what a visit waits for, or leave the visit out."""

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.draft import broken_rules, held_visits
from scheduling.engine.season.pricing import Pricing

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PASSES = 4
"""Times a missing visit may be added before what is still not allowed is left out."""


def allow_visits(pricing: Pricing, visits: Bools, price: Floats) -> Bools:
    """The visits, with those added or left out that the order rules ask for.

    Parameters
    ----------
    pricing : Pricing
    visits : ndarray of bool, shape (n, W)
    price : ndarray, shape (n, W)
        Price of a visit [weighted d]; the cheaper of adding and leaving out is done.
    """
    if not len(pricing.rule_job):
        return visits
    visits, held = visits.copy(), held_visits(pricing)
    for step in range(PASSES + pricing.problem.weeks * len(pricing.rule_job)):
        rules, weeks = np.nonzero(broken_rules(pricing, visits))
        if not len(rules):
            return visits
        jobs = pricing.rule_job[rules]
        leave = _change(pricing, visits, price, jobs, weeks, False)
        add = np.full(len(rules), np.inf)
        if step < PASSES:
            add = _added(pricing, visits, price, rules, weeks)
        out = leave <= add
        visits[pricing.rule_on[rules[~out]], weeks[~out]] = True
        visits[jobs[out], weeks[out]] = held[jobs[out], weeks[out]]
    return visits


def _added(
    pricing: Pricing, visits: Bools, price: Floats, rules: NDArray[np.int64], weeks: NDArray[np.int64]
) -> Floats:
    """Cost of a visit of the deciding job in the same week, infinite where that does not help."""
    on = pricing.rule_on[rules]
    helps = pricing.allowed[rules, weeks + 1, weeks]
    return np.where(helps, _change(pricing, visits, price, on, weeks, True), np.inf)


def _change(
    pricing: Pricing,
    visits: Bools,
    price: Floats,
    jobs: NDArray[np.int64],
    weeks: NDArray[np.int64],
    made: bool,
) -> Floats:
    """Cost, prices included, of making or leaving out one visit of each given job."""
    before = visits[jobs]
    after = before.copy()
    after[np.arange(len(jobs)), weeks] = made
    paid = price[jobs, weeks] * (1.0 if made else -1.0)
    cost = pricing.table.cost(jobs, after)
    # From one set of visits that cannot be to another is no way out, and infinite like any other such.
    with np.errstate(invalid="ignore"):
        return np.where(np.isinf(cost), np.inf, cost - pricing.table.cost(jobs, before) + paid)
