"""What cannot be meant is refused by name."""

from dataclasses import replace

import numpy as np
import pytest

from scheduling.engine.season import check_problem, recent_visit


def spoil(table, start, end, value):
    changed = table.copy()
    changed[start, end] = value
    return changed


@pytest.mark.parametrize(
    "change, words",
    [
        (lambda job: {"hours": 0.0}, r"tuning of G1: a visit of 0.0 h"),
        (
            lambda job: {"cost": spoil(job.cost, 0, 2, -1.0)},
            r"tuning of G1: cost between nodes 0 and 2 is -1",
        ),
        (
            lambda job: {"cost": spoil(job.cost, 1, 2, np.nan)},
            r"tuning of G1: cost between nodes 1 and 2 is nan",
        ),
        (lambda job: {"days_out": np.zeros((2, 2))}, r"tuning of G1: days out table"),
        (lambda job: {"held": (9,)}, r"tuning of G1: held week 9 is outside 1..4"),
        (lambda job: {"barred": (0,)}, r"tuning of G1: barred week 0"),
        (lambda job: {"people": (3,)}, r"tuning of G1: people \(3,\)"),
        (lambda job: {"people": (), "held": (1,)}, r"tuning of G1: held in week 1, but nobody"),
        (lambda job: {"spacing": 0}, r"tuning of G1: spacing of 0"),
        (lambda job: {"hours": 50.0, "held": (2,)}, r"tuning of G1: held in week 2 takes 50 h"),
    ],
)
def test_a_job_that_cannot_be_meant_is_named(change, words, season):
    problem = season(1, jobs=3, weeks=4)
    first, second, third = problem.jobs
    second = replace(second, **change(second))
    with pytest.raises(ValueError, match=words):
        check_problem(replace(problem, jobs=(first, second, third)))


@pytest.mark.parametrize("value", [-1.0, np.nan, np.inf])
def test_impossible_hours_are_named(value, season):
    problem = season(1, jobs=3, weeks=4)
    with pytest.raises(ValueError, match="hours of 'A' in week 3"):
        check_problem(replace(problem, hours=spoil(problem.hours, 0, 2, value)))


def test_a_rule_on_itself_or_on_nothing_is_refused(season):
    problem = season(1, jobs=3, weeks=4)
    with pytest.raises(ValueError, match="cannot wait for itself"):
        check_problem(replace(problem, rules=(recent_visit(1, 1, 4, 0, "tuned", "reason"),)))
    with pytest.raises(ValueError, match="speaks of job 7"):
        check_problem(replace(problem, rules=(recent_visit(1, 7, 4, 0, "tuned", "reason"),)))


def test_a_sound_problem_passes(season):
    check_problem(season(1, jobs=3, weeks=4, people=2))
