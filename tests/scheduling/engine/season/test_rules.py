"""Order rules: tables, plans that keep them, and two judges."""

from dataclasses import replace

import numpy as np
import pytest
from ortools.sat.python import cp_model

from scheduling.engine.season import (
    Outcome,
    plan_season,
    recent_visit,
    solve_direct,
    still_in_tolerance,
)


def with_rules(problem):
    """Jobs 0..3 are tuning, bedding, regulation, voicing of one grand; more grands follow in fours."""
    weeks, rules = problem.weeks, []
    for first in range(0, len(problem.jobs) - 3, 4):
        out = np.linspace(0.0, 1.0, (weeks + 1) * weeks).reshape(weeks + 1, weeks)[::-1]
        rules += [
            recent_visit(first + 2, first + 1, weeks, 1, "bedding first", "bed, then regulate"),
            recent_visit(first + 3, first, weeks, 0, "tuned", "tone is judged in tune"),
            still_in_tolerance(first + 3, first + 2, out, "regulated", "tone follows a regulated action"),
        ]
    return replace(problem, rules=tuple(rules))


def cp_sat_cost(problem, seconds=20):
    """The same season as circuits of optional arcs in CP-SAT, costs rounded to 1e-4 day."""
    model, weeks = cp_model.CpModel(), problem.weeks
    arcs, spent = {}, []
    for index, job in enumerate(problem.jobs):
        circuit = [(weeks + 1, 0, True)]
        for start in range(weeks + 1):
            for end in range(start + 1, weeks + 2):
                arcs[index, start, end] = model.new_bool_var("")
                circuit.append((start, end, arcs[index, start, end]))
                spent.append(round(job.cost[start, end] * 10_000) * arcs[index, start, end])
        made = {w: sum(arcs[index, s, w] for s in range(w)) for w in range(1, weeks + 1)}
        for week in range(1, weeks + 1):
            circuit.append((week, week, _idle(model, made[week])))
        model.add_circuit(circuit)
    visit = {
        (i, w): sum(arcs[i, s, w] for s in range(w))
        for i in range(len(problem.jobs))
        for w in range(1, weeks + 1)
    }
    by = {}
    for (index, week), made in visit.items():
        able = problem.eligible(index)
        for person in able:
            by[index, week, person] = model.new_bool_var("")
        model.add(sum(by[index, week, person] for person in able) == made)
    for person in range(len(problem.people)):
        for week in range(1, weeks + 1):
            load = [
                round(problem.jobs[i].hours * 100) * taken
                for (i, w, p), taken in by.items()
                if (w, p) == (week, person)
            ]
            model.add(sum(load) <= int(np.floor(problem.hours[person, week - 1] * 100 + 1e-6)))
    for rule in problem.rules:
        for week in range(1, weeks + 1):
            allows = [
                arcs[rule.on, s, e]
                for s in range(week + 1)
                for e in range(week + 1, weeks + 2)
                if rule.allowed[s, week - 1]
            ]
            model.add(visit[rule.job, week] <= sum(allows))
    model.minimize(sum(spent))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = 2
    assert solver.solve(model) == cp_model.OPTIMAL
    return solver.objective_value / 10_000


def _idle(model, made):
    idle = model.new_bool_var("")
    model.add(idle == 1 - made)
    return idle


def test_a_recent_visit_is_the_same_week_or_at_most_so_many_before():
    rule = recent_visit(0, 1, 6, 2, "n", "r")
    assert rule.allowed[:, 5].tolist() == [False, False, False, False, True, True, True]
    assert not rule.allowed[0].any()


def test_a_service_done_before_the_season_allows_its_first_weeks_only():
    rule = recent_visit(0, 1, 6, 4, "n", "r", done=(-1,))
    assert rule.allowed[0].tolist() == [True, True, True, False, False, False]


def test_in_tolerance_means_a_probability_of_at_least_one_half():
    out = np.full((3, 2), 0.51)
    out[0, 0] = 0.5
    rule = still_in_tolerance(0, 1, out, "n", "r")
    assert rule.allowed.tolist() == [[True, False], [False, False], [False, False]]
    with pytest.raises(ValueError, match="within 0..1"):
        still_in_tolerance(0, 1, np.full((3, 2), 45.0), "n", "r")


@pytest.mark.parametrize("seed", range(6))
def test_a_grand_with_order_rules_costs_what_trying_everything_finds(seed, season, check, brute_force):
    problem = with_rules(season(seed, jobs=4, weeks=3, tightness=1.0))
    result = plan_season(problem, 20)
    assert check(problem, result) == []
    assert result.outcome == Outcome.OPTIMAL
    assert result.cost == pytest.approx(brute_force(problem), rel=1e-9)


@pytest.mark.parametrize("people", [1, 2])
@pytest.mark.parametrize("seed", range(2))
def test_two_grands_with_order_rules_agree_with_two_judges(seed, people, season, check):
    problem = with_rules(season(40 + seed, jobs=8, weeks=5, people=people, tightness=0.8))
    result, direct = plan_season(problem, 20), solve_direct(problem, 20)
    assert check(problem, result) == []
    assert check(problem, direct) == []
    assert result.outcome == direct.outcome == Outcome.OPTIMAL
    assert result.cost == pytest.approx(direct.cost, rel=1e-6)
    # CP-SAT sums costs rounded to 1e-4 day, at most one for each of 8 jobs' 6 arcs
    assert result.cost == pytest.approx(cp_sat_cost(problem), abs=48 * 0.5e-4 + 1e-6)


@pytest.mark.parametrize("seconds", [0.05, 0.3, 20])
def test_with_order_rules_the_bound_is_below_the_best_plan_however_short_the_search(seconds, season, check):
    problem = with_rules(season(45, jobs=12, weeks=5, people=2, tightness=0.8))
    result, direct = plan_season(problem, seconds), solve_direct(problem, 30)
    assert check(problem, result) == []
    assert check(problem, direct) == []
    assert result.bound <= direct.cost + 1e-6
    assert direct.bound <= result.cost + 1e-6


def test_rules_never_make_a_plan_cheaper(season):
    free = season(50, jobs=8, weeks=5, tightness=0.8)
    assert plan_season(with_rules(free)).cost >= plan_season(free).cost - 1e-9


def test_a_held_visit_stands_whatever_the_rules_say(season, check):
    problem = with_rules(season(51, jobs=4, weeks=4, tightness=2.0))
    jobs = list(problem.jobs)
    jobs[3] = replace(jobs[3], held=(1,))
    jobs[0] = replace(jobs[0], barred=(1,))
    problem = replace(problem, jobs=tuple(jobs), hours=problem.hours + 3)
    result = plan_season(problem)
    assert check(problem, result) == []
    assert (3, 1) in {(visit.job, visit.week) for visit in result.visits}


def test_a_price_on_moves_keeps_the_former_plan_and_the_bound_stays_below_the_cost(season, check):
    problem = season(52, jobs=6, weeks=5, tightness=0.6)
    weeks_of = {}
    for visit in plan_season(problem).visits:
        weeks_of.setdefault(visit.job, []).append(visit.week)
    changed = tuple(
        replace(
            job,
            cost=job.cost * np.random.default_rng(i).uniform(0.9, 1.1),
            previous=tuple(weeks_of.get(i, ())),
        )
        for i, job in enumerate(problem.jobs)
    )
    best = plan_season(replace(problem, jobs=changed))
    still = plan_season(replace(problem, jobs=changed, moving_price=1e4))
    assert check(replace(problem, jobs=changed), still) == []
    former = {(job, week) for job, weeks in weeks_of.items() for week in weeks}
    assert former <= {(visit.job, visit.week) for visit in still.visits}
    assert still.bound <= best.cost + 1e-6
    assert best.cost <= still.cost + 1e-6
