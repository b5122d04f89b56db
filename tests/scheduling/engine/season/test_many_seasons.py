"""Hundreds of random seasons with every rule at once, read back by the checker of the tests."""

from dataclasses import replace

import numpy as np
import pytest

from scheduling.engine.season import (
    Interval,
    Outcome,
    Sharing,
    calendar_plan,
    plan_season,
    recent_visit,
    solve_direct,
    still_in_tolerance,
)

SERVICES = ("tuning", "bedding", "regulation", "voicing")
LENGTHS = (1.5, 0.75, 3.0, 2.0)
SECONDS = 0.3


def any_season(seed, season):
    """Up to three grands with four services, and all that can bind them, drawn at random."""
    rng = np.random.default_rng(seed)
    grands, weeks, people = int(rng.integers(1, 4)), int(rng.integers(3, 8)), int(rng.integers(1, 4))
    tightness = float(rng.choice([0.2, 0.5, 1.0]))
    plain = season(seed, 4 * grands, weeks, people, tightness, skills=bool(rng.random() < 0.5))
    hours = np.round(plain.hours * rng.choice([0, 1, 1, 1.2], plain.hours.shape) * 4) / 4
    jobs = tuple(_bound(rng, n, job, hours) for n, job in enumerate(plain.jobs))
    return replace(
        plain,
        jobs=jobs,
        hours=hours,
        rules=tuple(rule for grand in range(grands) for rule in _order(rng, 4 * grand, weeks)),
        sharings=tuple(
            Sharing(4 * grand + kind, 4 * grand + 2, 0.25) for grand in range(grands) for kind in (1, 3)
        ),
        moving_price=float(rng.choice([0.0, 1.0])),
    )


def _bound(rng, number, job, hours):
    def some(share, where=True):
        return tuple(int(week) + 1 for week in np.flatnonzero((rng.random(hours.shape[1]) < share) & where))

    able = hours if job.people is None else hours[list(job.people)]
    return replace(
        job,
        instrument=f"G{number // 4}",
        service=SERVICES[number % 4],
        hours=LENGTHS[number % 4],
        held=some(0.08, able.max(axis=0) >= LENGTHS[number % 4]),
        barred=some(0.15),
        previous=some(0.2),
        spacing=int(rng.integers(1, 4)),
    )


def _order(rng, first, weeks):
    done = tuple(int(day) for day in rng.integers(-4, weeks, 2)) if rng.random() < 0.5 else ()
    out = rng.random((weeks + 1, weeks))
    out[np.arange(weeks) + 1, np.arange(weeks)] = (
        0.0  # in the week of its regulation an action is in tolerance
    )
    yield recent_visit(first + 2, first + 1, weeks, 2, "bedding before regulation", "a frame is bedded", done)
    yield recent_visit(first + 3, first, weeks, 0, "tuning with voicing", "tone is judged in tune")
    yield still_in_tolerance(
        first + 3, first + 2, out, "regulation before voicing", "tone follows the action"
    )


def or_refusal(plan, *arguments):
    """What a planner answers, or the words with which it refuses."""
    try:
        return plan(*arguments)
    except ValueError as error:
        return str(error)


@pytest.mark.parametrize("part", range(8))
def test_no_rule_is_broken_and_the_printed_cost_is_the_checkers_sum(part, season, check):
    refused = 0
    for seed in range(40 * part, 40 * part + 40):
        problem = any_season(seed, season)
        result = or_refusal(plan_season, problem, SECONDS)
        if isinstance(result, str):
            # only what people have fixed can be impossible, and then it is named
            assert "held" in result, seed
            assert "G" in result, seed
            refused += 1
            continue
        assert check(problem, result) == [], seed
        assert set(result.hours_offered - problem.hours.sum(axis=0)) <= {0.0}, seed
    assert refused < 20


@pytest.mark.parametrize("part", range(2))
def test_where_it_is_proven_no_judge_finds_a_cheaper_plan(part, season, check):
    proven = 0
    for seed in range(2000 + 6 * part, 2006 + 6 * part):
        problem = replace(any_season(seed, season), moving_price=0.0)
        result = or_refusal(plan_season, problem, 5)
        if isinstance(result, str):
            continue
        judge = solve_direct(problem, 5)
        assert check(problem, judge) == [], seed
        # neither's bound may lie above what the other has found
        assert result.bound <= judge.cost * (1 + 1e-6) + 1e-6, seed
        assert judge.bound <= result.cost * (1 + 1e-6) + 1e-6, seed
        if result.outcome == judge.outcome == Outcome.OPTIMAL:
            proven += 1
            assert result.cost == pytest.approx(judge.cost, rel=2e-6), seed
    assert proven


def test_the_calendar_keeps_every_rule_too(season, check):
    for seed in range(60):
        problem = any_season(seed, season)
        rng = np.random.default_rng(seed)
        intervals = [
            Interval(rng.uniform(7, 40), -rng.uniform(1, 60), rng.uniform(1, 8)) for _ in problem.jobs
        ]
        calendar = or_refusal(calendar_plan, problem, intervals)
        if isinstance(calendar, str):
            assert "held" in calendar, seed
            continue
        plan = plan_season(problem, must_stop=lambda: True)
        read = replace(
            plan, visits=calendar.visits, cost=calendar.cost, bound=0.0, hours_used=calendar.hours_used
        )
        assert check(problem, read) == [], seed
