"""The season plan against brute force, the direct model, and a checker of its own."""

from dataclasses import replace

import numpy as np
import pytest

from scheduling.engine.season import Outcome, plan_season, solve_direct


@pytest.mark.parametrize("seed", range(12))
def test_small_plan_costs_what_trying_everything_finds(seed, season, check, brute_force):
    problem = season(seed, jobs=3, weeks=4)
    result = plan_season(problem, 20)
    assert check(problem, result) == []
    assert result.outcome == Outcome.OPTIMAL
    # both sum the same arcs, so only floating-point order separates them
    assert result.cost == pytest.approx(brute_force(problem), rel=1e-9)


@pytest.mark.parametrize("seed", range(12))
def test_small_plan_with_two_people_and_skills_costs_what_trying_everything_finds(
    seed, season, check, brute_force
):
    problem = season(100 + seed, jobs=3, weeks=3, people=2, tightness=0.7, skills=True)
    result = plan_season(problem, 20)
    assert check(problem, result) == []
    assert result.outcome == Outcome.OPTIMAL
    assert result.cost == pytest.approx(brute_force(problem), rel=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_small_plan_with_held_barred_and_spaced_visits_costs_what_trying_everything_finds(
    seed, season, check, brute_force
):
    problem = season(200 + seed, jobs=3, weeks=5, tightness=1.2)
    first, second, third = problem.jobs
    jobs = (
        replace(first, held=(2, 3), spacing=2),
        replace(second, barred=(1, 4), held=(4,)),
        replace(third, spacing=3),
    )
    problem = replace(problem, jobs=jobs, hours=problem.hours + 3)
    result = plan_season(problem, 20)
    assert check(problem, result) == []
    assert result.cost == pytest.approx(brute_force(problem), rel=1e-9)


@pytest.mark.parametrize("people", [1, 3])
@pytest.mark.parametrize("seed", range(3))
def test_plan_and_direct_model_agree_within_their_gaps(seed, people, season, check):
    problem = season(300 + seed, jobs=10, weeks=6, people=people, skills=True, tightness=0.4)
    result, judge = plan_season(problem, 20), solve_direct(problem, 30)
    assert check(problem, result) == []
    assert check(problem, judge) == []
    assert judge.outcome == Outcome.OPTIMAL
    assert result.bound <= judge.cost * (1 + 1e-9)
    assert judge.bound <= result.cost * (1 + 1e-9)
    assert result.cost <= judge.cost * (1 + result.gap + 1e-6)


def test_a_long_visit_is_not_shared_between_two_people(season):
    problem = season(1, jobs=1, weeks=2)
    job = replace(problem.jobs[0], hours=6.0)
    shared = replace(problem, jobs=(job,), people=("A", "B"), hours=np.full((2, 2), 3.0))
    whole = replace(shared, hours=np.array([[6.0, 6.0], [0.0, 0.0]]))
    assert plan_season(shared).visits == ()
    assert plan_season(whole).visits != ()


def test_without_hours_nothing_is_planned_and_the_cost_is_that_of_doing_nothing(season):
    problem = season(2, jobs=4, weeks=3)
    problem = replace(problem, hours=np.zeros((1, 3)))
    result = plan_season(problem)
    assert result.visits == ()
    assert result.outcome == Outcome.OPTIMAL
    assert result.cost == pytest.approx(sum(job.cost[0, 4] for job in problem.jobs))


def test_with_hours_to_spare_every_job_takes_its_own_best_path_and_an_hour_is_worth_nothing(season):
    problem = season(3, jobs=4, weeks=3)
    problem = replace(problem, hours=np.full((1, 3), 1000.0))
    result = plan_season(problem)
    alone = sum(plan_season(replace(problem, jobs=(job,))).cost for job in problem.jobs)
    assert result.cost == pytest.approx(alone)
    assert result.hour_worth == pytest.approx(np.zeros(3), abs=1e-9)


def test_no_jobs_and_no_weeks_are_answered(season):
    problem = season(4, jobs=2, weeks=3)
    empty = plan_season(replace(problem, jobs=()))
    assert (empty.outcome, empty.cost, empty.gap) == (Outcome.OPTIMAL, 0.0, 0.0)
    jobs = tuple(replace(job, cost=job.cost[:2, :2], days_out=job.days_out[:2, :2]) for job in problem.jobs)
    short = plan_season(replace(problem, jobs=jobs, weeks=0, hours=np.zeros((1, 0))))
    assert short.outcome == Outcome.OPTIMAL
    assert short.cost == pytest.approx(sum(job.cost[0, 1] for job in jobs))


def test_a_search_stopped_at_once_still_gives_the_held_visits_and_a_bound(season, check):
    problem = season(5, jobs=8, weeks=6)
    held = (replace(problem.jobs[0], held=(3,)), *problem.jobs[1:])
    problem = replace(problem, jobs=held, hours=problem.hours + 3)
    result = plan_season(problem, must_stop=lambda: True)
    assert check(problem, result) == []
    assert result.outcome == Outcome.STOPPED
    assert 0 <= result.bound <= result.cost


def test_held_visits_that_do_not_fit_together_are_refused_by_name(season):
    problem = season(6, jobs=3, weeks=3, lengths=(3.0,))
    jobs = tuple(replace(job, held=(2,)) for job in problem.jobs)
    problem = replace(problem, jobs=jobs, hours=np.full((1, 3), 7.0))
    with pytest.raises(ValueError, match=r"held visits of week 2 .* 7 h .*G0.*G1.*G2"):
        plan_season(problem)


def test_held_visits_that_only_fit_in_one_arrangement_of_people_are_planned(season, check):
    problem = season(7, jobs=4, weeks=1)
    lengths = (3.0, 3.0, 2.0, 4.0)
    jobs = tuple(
        replace(job, hours=length, held=(1,)) for job, length in zip(problem.jobs, lengths, strict=True)
    )
    problem = replace(problem, jobs=jobs, people=("A", "B"), hours=np.array([[6.0], [6.0]]))
    result = plan_season(problem)
    assert check(problem, result) == []
    assert len(result.visits) == 4


def test_progress_is_told_in_words_with_a_gap(season):
    told = []
    plan_season(season(8, jobs=6, weeks=5), progress=lambda words, gap: told.append((words, gap)))
    assert told
    assert all(words and 0 <= gap <= 1 for words, gap in told)


def test_what_is_put_off_says_its_best_week_and_what_that_would_have_saved(season):
    problem = season(9, jobs=1, weeks=3)
    job = problem.jobs[0]
    problem = replace(problem, hours=np.zeros((1, 3)))
    (late,) = plan_season(problem).put_off
    saved = [job.cost[0, 4] - job.cost[0, w] - job.cost[w, 4] for w in (1, 2, 3)]
    assert late.saving == pytest.approx(max(saved))
    assert late.best_week == 1 + int(np.argmax(saved))
    assert (late.cost, late.days_out) == (job.cost[0, 4], job.days_out[0, 4])


def test_a_search_out_of_time_still_fills_the_hours(season, check):
    problem = season(10, jobs=30, weeks=10, tightness=0.3)
    result = plan_season(problem, 0.001)
    assert check(problem, result) == []
    assert result.outcome == Outcome.STOPPED
    idle = sum(job.cost[0, -1] for job in problem.jobs)
    assert result.cost < idle
