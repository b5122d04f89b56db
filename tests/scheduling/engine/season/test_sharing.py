"""Hours shared because the action is out anyway: by hand, against brute force and against two judges."""

from dataclasses import replace

import pytest

from scheduling.engine.season import (
    Outcome,
    Sharing,
    plan_season,
    recent_visit,
    solve_direct,
)

# long enough for a regulation between two services that are each half an hour shorter beside it
LENGTHS = (1.5, 3.0)


def with_sharing(problem, hours=0.25):
    """Jobs 0..3 are tuning, bedding, regulation and voicing of one grand; more grands follow in fours."""
    jobs = tuple(replace(job, instrument=f"G{index // 4}") for index, job in enumerate(problem.jobs))
    pairs = [
        pair
        for first in range(0, len(jobs) - 3, 4)
        for pair in (Sharing(first + 1, first + 2, hours), Sharing(first + 3, first + 2, hours))
    ]
    return replace(problem, jobs=jobs, sharings=tuple(pairs))


def ordered(problem):
    """The same with a bedding at most a week before each regulation."""
    rules = tuple(
        recent_visit(first + 2, first + 1, problem.weeks, 1, "bedding first", "bed, then regulate")
        for first in range(0, len(problem.jobs) - 3, 4)
    )
    return replace(problem, rules=rules)


@pytest.mark.parametrize("people", [1, 2])
@pytest.mark.parametrize("seed", range(8))
def test_a_grand_that_shares_hours_costs_what_trying_everything_finds(
    seed, people, season, check, brute_force
):
    problem = with_sharing(
        season(seed, jobs=4, weeks=3, people=people, tightness=0.9, skills=True, lengths=LENGTHS), 0.5
    )
    result = plan_season(problem, 20)
    assert check(problem, result) == []
    assert result.outcome == Outcome.OPTIMAL
    assert result.cost == pytest.approx(brute_force(problem), rel=1e-9)


@pytest.mark.parametrize("people", [1, 2])
@pytest.mark.parametrize("seed", range(6))
def test_two_grands_that_share_hours_agree_with_the_direct_model(seed, people, season, check):
    problem = ordered(
        with_sharing(season(40 + seed, jobs=8, weeks=5, people=people, tightness=0.8, lengths=LENGTHS), 0.5)
    )
    result, direct = plan_season(problem, 20), solve_direct(problem, 20)
    assert check(problem, result) == []
    assert check(problem, direct) == []
    assert result.outcome == direct.outcome == Outcome.OPTIMAL
    assert result.cost == pytest.approx(direct.cost, rel=1e-6)
