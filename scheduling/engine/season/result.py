"""From visits and people to the answer that is printed: cost, proof, hours, and what was put off."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.pricing import Pricing
from scheduling.engine.season.problem import SeasonProblem
from scheduling.engine.season.sharing import Savings
from scheduling.engine.season.solution import (
    Outcome,
    PlannedVisit,
    PutOff,
    SeasonResult,
    proven,
    relative_gap,
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]


def season_result(
    pricing: Pricing,
    visits: Bools,
    person: Ints,
    bound: float,
    worth: Floats,
    finished: bool,
    seconds: Callable[[], float],
) -> SeasonResult:
    """Put the answer together.

    Parameters
    ----------
    pricing : Pricing
    visits, person : ndarray, shape (n, W)
        The plan and who makes each visit.
    bound : float
        Proven bound [weighted d].
    worth : ndarray, shape (W,)
        Worth of an hour in each week [weighted d per h].
    finished : bool
        Whether the search ended by itself.
    seconds : callable
        Gives the time the search took [s]; asked last.
    """
    problem = pricing.problem
    cost = plan_cost(problem, visits)
    bound = min(bound, cost)
    planned = planned_visits(pricing.savings, pricing.hours, visits, person)
    used = np.zeros(problem.weeks)
    for visit in planned:
        used[visit.week - 1] += visit.hours
    outcome = Outcome.FEASIBLE if finished else Outcome.STOPPED
    late = put_off(pricing, visits, worth)
    return SeasonResult(
        Outcome.OPTIMAL if proven(cost, bound) else outcome,
        cost,
        bound,
        relative_gap(cost, bound),
        seconds(),
        planned,
        problem.hours.sum(axis=0),
        used,
        worth,
        late,
    )


def planned_visits(savings: Savings, hours: Floats, visits: Bools, person: Ints) -> tuple[PlannedVisit, ...]:
    """Every visit (n, W) of its person (n, W) with the hours it takes beside that person's others."""
    found = []
    for job, week in zip(*(part.tolist() for part in np.nonzero(visits)), strict=True):
        who, host, shared = int(person[job, week]), -1, 0.0
        if job in savings.hosts:
            made = [
                other for other in savings.hosts[job] if visits[other, week] and person[other, week] == who
            ]
            host, shared = savings.host(job, made)
        beside = host if shared > 0 else None
        found.append(PlannedVisit(job, week + 1, who, float(hours[job]) - shared, beside, shared))
    return tuple(found)


def plan_cost(problem: SeasonProblem, visits: NDArray[np.bool_]) -> float:
    """Expected weighted days out of tolerance [d] of a plan given as visits (n, W)."""
    total = 0.0
    for job, row in zip(problem.jobs, visits, strict=True):
        nodes = [0, *(np.flatnonzero(row) + 1), problem.weeks + 1]
        total += float(job.cost[nodes[:-1], nodes[1:]].sum())
    return total


def put_off(pricing: Pricing, visits: Bools, worth: Floats) -> tuple[PutOff, ...]:
    """Jobs without a visit that a visit would have helped, or that none can reach, dearest first."""
    entries = [_entry(pricing, int(index), worth) for index in np.flatnonzero(~visits.any(axis=1))]
    return tuple(sorted((e for e in entries if e is not None), key=lambda entry: -entry.cost))


def _entry(pricing: Pricing, index: int, worth: Floats) -> PutOff | None:
    job = pricing.problem.jobs[index]
    cost, days_out = float(job.cost[0, -1]), float(job.days_out[0, -1])
    possible = np.flatnonzero(np.isfinite(pricing.table.arcs_into_visits(index)))
    if not len(possible):
        return PutOff(index, days_out, cost, None, 0.0, 0.0) if cost > 0 else None
    saving = cost - job.cost[0, 1 + possible] - job.cost[1 + possible, -1]
    best = int(saving.argmax())
    if saving[best] <= 1e-9:
        return None
    week = int(possible[best])
    return PutOff(index, days_out, cost, week + 1, float(saving[best]), float(worth[week] * job.hours))
