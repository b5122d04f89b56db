"""The calendar rule: cases done by hand, and never better than a proven plan."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from scheduling.engine.season import (
    Interval,
    Job,
    Outcome,
    SeasonProblem,
    calendar_plan,
    plan_season,
    recent_visit,
)


def as_result(problem, calendar):
    """The calendar's plan in the form the checker reads."""
    result = plan_season(problem, must_stop=lambda: True)
    return replace(
        result, visits=calendar.visits, cost=calendar.cost, bound=0.0, hours_used=calendar.hours_used
    )


def steady(name, hours, weeks, per_day):
    """A job that drifts out the longer it waits: the cost is the square of the weeks between visits."""
    cost = np.zeros((weeks + 2, weeks + 2))
    for start, end in itertools.combinations(range(weeks + 2), 2):
        cost[start, end] = per_day * (end - start) ** 2
    return Job(name, "tuning", hours, cost, cost)


def test_with_hours_for_one_visit_a_week_two_like_jobs_take_turns():
    jobs = (steady("G0", 1.5, 6, 1.0), steady("G1", 1.5, 6, 1.0))
    problem = SeasonProblem(jobs, 6, ("",), np.full((1, 6), 1.5))
    calendar = calendar_plan(problem, [Interval(14.0, -20.0, 1.0), Interval(14.0, -13.0, 1.0)])
    turns = [visit.job for visit in sorted(calendar.visits, key=lambda visit: visit.week)]
    assert turns == [0, 1, 0, 1, 0, 1]
    assert calendar.cost == pytest.approx(plan_season(problem).cost)


def test_the_hall_is_served_first_when_only_one_can_be():
    jobs = (steady("practice", 1.5, 2, 1.0), steady("hall", 1.5, 2, 8.0))
    problem = SeasonProblem(jobs, 2, ("",), np.array([[1.5, 0.0]]))
    calendar = calendar_plan(problem, [Interval(30.0, -60.0, 1.0), Interval(30.0, -58.0, 8.0)])
    assert [(visit.job, visit.week) for visit in calendar.visits] == [(1, 1)]
    assert calendar.exponent > 0


@pytest.mark.parametrize("seed", range(5))
def test_a_calendar_keeps_every_rule_and_never_beats_a_proven_plan(seed, season, check):
    problem = season(70 + seed, jobs=8, weeks=6, people=2, tightness=0.5, skills=True)
    jobs = list(problem.jobs)
    jobs[2] = replace(jobs[2], held=(2,), people=None, spacing=2)
    jobs[4] = replace(jobs[4], barred=(1, 2, 3))
    rules = (recent_visit(1, 0, 6, 1, "bedding first", "bed, then regulate"),)
    problem = replace(problem, jobs=tuple(jobs), hours=problem.hours + 3, rules=rules)
    rng = np.random.default_rng(seed)
    intervals = [Interval(rng.uniform(7, 40), -rng.uniform(1, 60), rng.uniform(1, 8)) for _ in problem.jobs]
    calendar = calendar_plan(problem, intervals)
    plan = plan_season(problem, 20)
    assert check(problem, as_result(problem, calendar)) == []
    assert plan.outcome == Outcome.OPTIMAL
    assert calendar.cost >= plan.cost - 1e-9


def test_a_dated_service_puts_the_next_one_off():
    problem = SeasonProblem((steady("G0", 1.5, 4, 1.0),), 4, ("",), np.array([[1.5, 0, 0, 0]]))
    due = calendar_plan(problem, [Interval(1.0, -5.0, 1.0)])
    assert [visit.week for visit in due.visits] == [1]
    dated = calendar_plan(problem, [Interval(1000.0, -5.0, 1.0, dated=(3,))])
    assert dated.visits == ()


def test_a_service_never_done_is_due():
    problem = SeasonProblem((steady("G0", 1.5, 3, 1.0),), 3, ("",), np.full((1, 3), 1.5))
    assert calendar_plan(problem, [Interval(365.0, -np.inf, 1.0)]).visits


def test_a_missing_or_impossible_interval_is_refused(season):
    problem = season(80, jobs=2, weeks=3)
    with pytest.raises(ValueError, match="1 intervals for 2 jobs"):
        calendar_plan(problem, [Interval(14.0, -3.0, 1.0)])
    with pytest.raises(ValueError, match="tuning of G1: interval 0.0 d"):
        calendar_plan(problem, [Interval(14.0, -3.0, 1.0), Interval(0.0, -3.0, 1.0)])
