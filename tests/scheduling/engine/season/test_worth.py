"""The worth of an hour against the linear relaxation solved by SciPy, built here from the paths."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from scheduling.engine.season import plan_season


def relaxed_cost(problem, hours):
    """Linear relaxation over every path of every job, each visit's hours from any able person."""
    weeks, people = problem.weeks, len(problem.people)
    cost, rows_eq, columns = [], [], []
    for index, job in enumerate(problem.jobs):
        for size in range(weeks + 1):
            for chosen in itertools.combinations(range(1, weeks + 1), size):
                nodes = [0, *chosen, weeks + 1]
                cost.append(sum(job.cost[a, b] for a, b in itertools.pairwise(nodes)))
                rows_eq.append(index)
                columns.append(chosen)
    paths = len(cost)
    share = [
        (job, week, person)
        for job in range(len(problem.jobs))
        for week in range(weeks)
        for person in problem.eligible(job)
    ]
    total = paths + len(share)
    one_each = np.zeros((len(problem.jobs), total))
    one_each[rows_eq, np.arange(paths)] = 1
    made = np.zeros((len(problem.jobs) * weeks, total))
    for column, (job, chosen) in enumerate(zip(rows_eq, columns, strict=True)):
        for week in chosen:
            made[job * weeks + week - 1, column] = problem.jobs[job].hours
    load = np.zeros((people * weeks, total))
    for column, (job, week, person) in enumerate(share):
        made[job * weeks + week, paths + column] = -1
        load[person * weeks + week, paths + column] = 1
    answer = linprog(
        np.concatenate([cost, np.zeros(len(share))]),
        A_ub=load,
        b_ub=hours.ravel(),
        A_eq=np.vstack([one_each, made]),
        b_eq=np.concatenate([np.ones(len(problem.jobs)), np.zeros(len(made))]),
    )
    assert answer.status == 0
    return answer.fun


@pytest.mark.parametrize("people", [1, 2])
@pytest.mark.parametrize("seed", range(4))
def test_worth_lies_between_what_an_hour_less_costs_and_an_hour_more_saves(seed, people, season):
    problem = season(seed, jobs=6, weeks=4, people=people, tightness=0.6, skills=True)
    problem = replace(problem, hours=problem.hours + 1.0)
    worth = plan_season(problem).hour_worth
    now = relaxed_cost(problem, problem.hours)
    for week in range(problem.weeks):
        hour = np.zeros_like(problem.hours)
        hour[:, week] = problem.hours[:, week] / problem.hours[:, week].sum()
        saves = now - relaxed_cost(problem, problem.hours + hour)
        costs = relaxed_cost(problem, problem.hours - hour) - now
        # linprog stops at a relative accuracy of about 1e-7
        assert saves - 1e-5 * (1 + now) <= worth[week] <= costs + 1e-5 * (1 + now)


def test_a_first_hour_in_an_empty_week_is_worth_what_a_short_while_there_would_save(season):
    problem = season(3, jobs=5, weeks=4)
    hours = problem.hours.copy()
    hours[0, 2] = 0.0
    problem = replace(problem, hours=hours)
    worth = plan_season(problem).hour_worth[2]
    little = np.zeros_like(hours)
    little[0, 2] = 0.01
    first = (relaxed_cost(problem, hours) - relaxed_cost(problem, hours + little)) / 0.01
    assert worth == pytest.approx(first, rel=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_the_bound_is_no_less_than_the_plain_relaxation_and_no_more_than_the_plan(seed, season):
    problem = season(20 + seed, jobs=6, weeks=4, tightness=0.5)
    result = plan_season(problem)
    assert relaxed_cost(problem, problem.hours) <= result.bound + 1e-5 * (1 + result.bound)
    assert result.bound <= result.cost
