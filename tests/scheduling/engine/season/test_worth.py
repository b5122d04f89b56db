"""The worth of an hour against the linear relaxation solved by SciPy, built here from the paths."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from scheduling.engine.season import Sharing, plan_season


def bundles_of(problem):
    """Sets of jobs of one instrument that save hours together, with those hours."""
    found = []
    for size in (2, 3):
        for jobs in itertools.combinations(range(len(problem.jobs)), size):
            saved = sum(
                max((s.hours for s in problem.sharings if s.job == job and s.beside in jobs), default=0.0)
                for job in jobs
            )
            if saved:
                found.append((jobs, saved))
    return found


def relaxed_cost(problem, hours):
    """Linear relaxation over every path of every job, each visit's hours from any able person.

    A set of visits that share hours takes its visits out of their own rows and has a row of its own.
    """
    weeks, people = problem.weeks, len(problem.people)
    cost, rows_eq, columns = [], [], []
    for index, job in enumerate(problem.jobs):
        for size in range(weeks + 1):
            for chosen in itertools.combinations(range(1, weeks + 1), size):
                nodes = [0, *chosen, weeks + 1]
                cost.append(sum(job.cost[a, b] for a, b in itertools.pairwise(nodes)))
                rows_eq.append(index)
                columns.append(chosen)
    bundles = bundles_of(problem)
    able = [set(problem.eligible(job)) for job in range(len(problem.jobs))]
    able += [set.intersection(*(able[job] for job in jobs)) for jobs, _ in bundles]
    lengths = [job.hours for job in problem.jobs]
    lengths += [sum(lengths[job] for job in jobs) - saved for jobs, saved in bundles]
    paths, together = len(cost), len(bundles) * weeks
    share = [
        (row, week, person)
        for row in range(len(lengths))
        for week in range(weeks)
        for person in sorted(able[row])
    ]
    total = paths + together + len(share)
    one_each = np.zeros((len(problem.jobs), total))
    one_each[rows_eq, np.arange(paths)] = 1
    made = np.zeros((len(lengths) * weeks, total))
    for column, (job, chosen) in enumerate(zip(rows_eq, columns, strict=True)):
        for week in chosen:
            made[job * weeks + week - 1, column] = problem.jobs[job].hours
    for number, (jobs, _) in enumerate(bundles):
        row = len(problem.jobs) + number
        for week in range(weeks):
            column = paths + number * weeks + week
            made[row * weeks + week, column] = lengths[row]
            for job in jobs:
                made[job * weeks + week, column] = -lengths[job]
    load = np.zeros((people * weeks, total))
    for column, (row, week, person) in enumerate(share, start=paths + together):
        made[row * weeks + week, column] = -1
        load[person * weeks + week, column] = 1
    answer = linprog(
        np.concatenate([cost, np.zeros(together + len(share))]),
        A_ub=load,
        b_ub=hours.ravel(),
        A_eq=np.vstack([one_each, made]),
        b_eq=np.concatenate([np.ones(len(problem.jobs)), np.zeros(len(made))]),
    )
    assert answer.status == 0
    return answer.fun


def sharing(problem, hours):
    """Jobs 0..3 and 4..7 belong to a grand each; the second and fourth are shorter beside the third."""
    jobs = tuple(replace(job, instrument=f"G{index // 4}") for index, job in enumerate(problem.jobs))
    shares = tuple(
        Sharing(first + kind, first + 2, hours) for first in range(0, len(jobs) - 3, 4) for kind in (1, 3)
    )
    return replace(problem, jobs=jobs, sharings=shares)


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


@pytest.mark.parametrize("people", [1, 2])
@pytest.mark.parametrize("seed", range(6))
def test_worth_lies_between_them_where_services_share_hours(seed, people, season):
    problem = season(500 + seed, jobs=4, weeks=4, people=people, tightness=0.5, lengths=(1.5, 3.0))
    problem = sharing(replace(problem, hours=problem.hours + 1.0), 0.5)
    result = plan_season(problem)
    now = relaxed_cost(problem, problem.hours)
    for week in range(problem.weeks):
        hour = np.zeros_like(problem.hours)
        hour[:, week] = problem.hours[:, week] / problem.hours[:, week].sum()
        saves = now - relaxed_cost(problem, problem.hours + hour)
        costs = relaxed_cost(problem, problem.hours - hour) - now
        # linprog stops at a relative accuracy of about 1e-7
        assert saves - 1e-5 * (1 + now) <= result.hour_worth[week] <= costs + 1e-5 * (1 + now)
    assert now <= result.bound + 1e-5 * (1 + now)


@pytest.mark.parametrize("seed", range(8))
def test_the_plan_at_a_tenth_more_and_fewer_hours_changes_as_the_worth_says_within_its_noise(seed, season):
    problem = season(600 + seed, jobs=8, weeks=4, people=1 + seed % 2, tightness=0.5, lengths=(1.5, 3.0))
    problem = sharing(replace(problem, hours=problem.hours + 1.0), 0.5)
    tenth = 0.1 * problem.hours
    plan = plan_season(problem, 20)
    more = plan_season(replace(problem, hours=problem.hours + tenth), 20)
    fewer = plan_season(replace(problem, hours=problem.hours - tenth), 20)
    # the sign: hours are never worth less than nothing, up to what each search leaves unproven
    assert more.bound <= plan.cost + 1e-6
    assert plan.bound <= fewer.cost + 1e-6
    # the relaxation is convex in the hours, so the worth bounds what it gains and loses; a plan of whole
    # visits stays above it by the noise, which is stated here and known from an outside solver
    said = float(plan.hour_worth @ tenth.sum(axis=0))
    noise = plan.cost - relaxed_cost(problem, problem.hours) + 1e-5 * (1 + plan.cost)
    assert plan.cost - more.cost <= said + noise
    assert fewer.cost - plan.cost >= said - noise


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
