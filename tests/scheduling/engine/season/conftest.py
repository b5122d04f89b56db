"""Small invented seasons, and a checker that shares no code with the planner."""

import itertools
from collections.abc import Callable

import numpy as np
import pytest

from scheduling.engine.season import Job, SeasonProblem, SeasonResult


def small_season(
    seed: int,
    jobs: int = 3,
    weeks: int = 4,
    people: int = 1,
    tightness: float = 0.5,
    lengths: tuple[float, ...] = (0.75, 1.5, 3.0),
    skills: bool = False,
) -> SeasonProblem:
    """Random seasons whose arcs grow with the days between visits, as expected days out do."""
    rng = np.random.default_rng(seed)
    made = []
    for index in range(jobs):
        rate = rng.uniform(0.2, 3.0, weeks + 2)
        cost = np.zeros((weeks + 2, weeks + 2))
        for start, end in itertools.combinations(range(weeks + 2), 2):
            cost[start, end] = rate[start] * (end - start) ** 1.7 * rng.uniform(0.8, 1.2)
        able = None
        if skills and people > 1 and rng.random() < 0.5:
            able = (int(rng.integers(people)),)
        made.append(Job(f"G{index}", "tuning", float(rng.choice(lengths)), cost, cost / 2, people=able))
    hours = rng.uniform(0.5, 1.0, (people, weeks)) * sum(job.hours for job in made) * tightness / people
    return SeasonProblem(tuple(made), weeks, tuple("ABCDE"[:people]), np.round(hours * 4) / 4)


def cost_of(job: Job, weeks: tuple[int, ...] | list[int], last: int) -> float:
    """Sum of the arcs between visits."""
    nodes = [0, *sorted(weeks), last]
    return sum(float(job.cost[a, b]) for a, b in itertools.pairwise(nodes))


def faults(problem: SeasonProblem, result: SeasonResult) -> list[str]:
    """Everything that is wrong with a plan, found by counting rather than by the planner's own tables."""
    found = wrong_hours(problem, result)
    used: dict[tuple[int, int], float] = {}
    weeks_of: dict[int, list[int]] = {index: [] for index in range(len(problem.jobs))}
    for visit in result.visits:
        job = problem.jobs[visit.job]
        weeks_of[visit.job].append(visit.week)
        key = (visit.person, visit.week)
        used[key] = used.get(key, 0.0) + job.hours
        if job.people is not None and visit.person not in job.people:
            found.append(f"{job.label} in week {visit.week} by somebody who cannot")
        if visit.week in job.barred and visit.week not in job.held:
            found.append(f"{job.label} in barred week {visit.week}")
    for person, week in used:
        made = [visit.job for visit in result.visits if (visit.person, visit.week) == (person, week)]
        used[person, week] -= spared(problem, made)
    for (person, week), hours in used.items():
        if hours > problem.hours[person, week - 1] + 1e-6:
            found.append(f"{hours} h for person {person} in week {week}")
    for index, weeks in weeks_of.items():
        job = problem.jobs[index]
        if len(set(weeks)) != len(weeks):
            found.append(f"{job.label} twice in a week")
        if not set(job.held) <= set(weeks):
            found.append(f"{job.label} lost a held visit")
        for early, late in itertools.pairwise(sorted(weeks)):
            if late - early < job.spacing and not {early, late} <= set(job.held):
                found.append(f"{job.label} in weeks {early} and {late}")
    found += broken_order(problem, weeks_of)
    total = sum(cost_of(job, weeks_of[index], problem.weeks + 1) for index, job in enumerate(problem.jobs))
    if abs(total - result.cost) > 1e-6 * (1 + abs(total)):
        found.append(f"the plan costs {total}, printed is {result.cost}")
    if result.bound > total + 1e-6 * (1 + abs(total)):
        found.append(f"the bound {result.bound} is above the cost {total}")
    weekly = np.zeros(problem.weeks)
    for (_, week), hours in used.items():
        weekly[week - 1] += hours
    if not np.allclose(weekly, result.hours_used):
        found.append(f"hours used are {weekly}, printed are {result.hours_used}")
    return found


def spared(problem: SeasonProblem, made: list[int]) -> float:
    """Hours that one person's visits of one week are shorter because the action is out for others of them."""
    total = 0.0
    for job in made:
        total += max(
            (one.hours for one in problem.sharings if one.job == job and one.beside in made), default=0
        )
    return total


def wrong_hours(problem: SeasonProblem, result: SeasonResult) -> list[str]:
    """Visits that are printed with other hours than they take, or beside a visit that is not made."""
    found = []
    made = {(visit.job, visit.week, visit.person) for visit in result.visits}
    shares = {(one.job, one.beside): one.hours for one in problem.sharings}
    for visit in result.visits:
        shared = max(
            (
                hours
                for (job, beside), hours in shares.items()
                if job == visit.job and (beside, visit.week, visit.person) in made
            ),
            default=0.0,
        )
        label = f"{problem.jobs[visit.job].label} in week {visit.week}"
        if abs(visit.hours - (problem.jobs[visit.job].hours - shared)) > 1e-9:
            found.append(f"{label} takes {visit.hours} h")
        if abs(visit.shared - shared) > 1e-9 or (visit.beside is None) != (shared == 0):
            found.append(f"{label} says it is {visit.shared} h shorter")
        if visit.beside is not None and (visit.beside, visit.week, visit.person) not in made:
            found.append(f"{label} says the action is out for a visit that is not made")
    return found


def broken_order(problem: SeasonProblem, weeks_of: dict[int, list[int]]) -> list[str]:
    """Visits made although their rule does not allow them."""
    found = []
    for rule in problem.rules:
        for week in weeks_of[rule.job]:
            last = max([w for w in weeks_of[rule.on] if w <= week], default=0)
            if not rule.allowed[last, week - 1] and week not in problem.jobs[rule.job].held:
                found.append(f"{problem.jobs[rule.job].label} in week {week} breaks {rule.name}")
    return found


def can_share_out(problem: SeasonProblem, visits: list[tuple[int, int]]) -> bool:
    """Whether whole visits of each week fit into people's hours, by trying every way."""
    for week in {week for _, week in visits}:
        jobs = [problem.jobs[job] for job, when in visits if when == week]
        able = [range(len(problem.people)) if job.people is None else job.people for job in jobs]
        for choice in itertools.product(*able):
            load = np.zeros(len(problem.people))
            for job, person in zip(jobs, choice, strict=True):
                load[person] += job.hours
            numbers = [job for job, when in visits if when == week]
            for person in range(len(load)):
                mine = [job for job, who in zip(numbers, choice, strict=True) if who == person]
                load[person] -= spared(problem, mine)
            if np.all(load <= problem.hours[:, week - 1] + 1e-9):
                break
        else:
            return False
    return True


def cheapest_by_trying(problem: SeasonProblem) -> float:
    """Least cost over every combination of paths."""
    options = []
    for job in problem.jobs:
        paths = []
        for size in range(problem.weeks + 1):
            for weeks in itertools.combinations(range(1, problem.weeks + 1), size):
                gaps = [
                    late - early
                    for early, late in itertools.pairwise(weeks)
                    if not {early, late} <= set(job.held)
                ]
                planned = set(weeks) - set(job.held)
                if (
                    set(job.held) <= set(weeks)
                    and not planned & set(job.barred)
                    and all(gap >= job.spacing for gap in gaps)
                ):
                    paths.append((cost_of(job, weeks, problem.weeks + 1), weeks))
        options.append(sorted(paths))
    best = np.inf
    for choice in itertools.product(*options):
        total = sum(cost for cost, _ in choice)
        if total >= best:
            continue
        visits = [(job, week) for job, (_, weeks) in enumerate(choice) for week in weeks]
        weeks_of = {job: list(weeks) for job, (_, weeks) in enumerate(choice)}
        if not broken_order(problem, weeks_of) and can_share_out(problem, visits):
            best = total
    return best


@pytest.fixture
def season() -> Callable[..., SeasonProblem]:
    return small_season


@pytest.fixture
def check() -> Callable[[SeasonProblem, SeasonResult], list[str]]:
    return faults


@pytest.fixture
def brute_force() -> Callable[[SeasonProblem], float]:
    return cheapest_by_trying
