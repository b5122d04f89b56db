"""What a season's planning problem is made of, and the checks it must pass before it is solved."""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.rules import Requirement
from scheduling.engine.season.sharing import MOST_TOGETHER, Savings, Sharing

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Job:
    """One service kind on one instrument over the season's W weeks.

    Attributes
    ----------
    instrument, service : str
        Names, used in messages and in the written model.
    hours : float
        Length of one visit [h], above zero.
    cost : ndarray, shape (W+2, W+2)
        Upper triangular: ``cost[s, e]`` is the expected weighted days out of tolerance [d] between the visits
        at nodes s and e. Node 0 is the last service before the season, node w the visit of week w (1..W),
        node W+1 the end of the season.
    days_out : ndarray, shape (W+2, W+2)
        The same days without weights [d].
    held : tuple of int
        Weeks (1..W) fixed by people: every plan has a visit in each of them. A held visit stands even in a
        barred week and nearer to another held one than the spacing.
    barred : tuple of int
        Weeks in which no visit may be planned.
    people : tuple of int or None
        Indices of the people who can do this work; None means everybody.
    spacing : int
        Least number of weeks from one planned visit to the next [weeks].
    previous : tuple of int
        Weeks of this job's visits in the plan that is being replaced; leaving one costs the problem's
        ``moving_price``.
    """

    instrument: str
    service: str
    hours: float
    cost: Floats
    days_out: Floats
    held: tuple[int, ...] = ()
    barred: tuple[int, ...] = ()
    people: tuple[int, ...] | None = None
    spacing: int = 1
    previous: tuple[int, ...] = ()

    @property
    def label(self) -> str:
        """Name for messages."""
        return f"{self.service} of {self.instrument}"


@dataclass(frozen=True)
class SeasonProblem:
    """All jobs of a season, the hours there are for them and the rules that tie them together.

    Attributes
    ----------
    jobs : tuple of Job
    weeks : int
        Number of weeks W of the season.
    people : tuple of str
        Names; a single ``""`` when people are unknown.
    hours : ndarray, shape (P, W)
        Hours each person offers in each week [h].
    rules : tuple of Requirement
        Order rules between jobs; empty for paths and hours alone.
    moving_price : float
        Weighted days [d] that leaving one visit of the plan being replaced must save. It steers the choice
        and is no part of the cost of a plan.
    sharings : tuple of Sharing
        Hours saved by visits that one person makes in one week because the action is out anyway.
    """

    jobs: tuple[Job, ...]
    weeks: int
    people: tuple[str, ...]
    hours: Floats
    rules: tuple[Requirement, ...] = ()
    moving_price: float = 0.0
    sharings: tuple[Sharing, ...] = ()

    def eligible(self, job: int) -> tuple[int, ...]:
        """Indices of the people who can do a job."""
        people = self.jobs[job].people
        return tuple(range(len(self.people))) if people is None else people


def check_problem(problem: SeasonProblem) -> None:
    """Refuse a problem that cannot be meant.

    Raises
    ------
    ValueError
        Naming the instrument, service and week, and the rule that is broken.
    """
    _check_hours(problem)
    for index in range(len(problem.jobs)):
        _check_job(problem, index)
    for rule in problem.rules:
        _check_rule(problem, rule)
    _check_sharings(problem)


def _check_hours(problem: SeasonProblem) -> None:
    expected = (len(problem.people), problem.weeks)
    if problem.weeks < 0:
        raise ValueError(f"a season has no {problem.weeks} weeks")
    if not problem.people:
        raise ValueError("at least one person is needed (one named '' when people are unknown)")
    if problem.hours.shape != expected:
        raise ValueError(f"hours are {problem.hours.shape}, expected (people, weeks) = {expected}")
    bad = np.argwhere(~np.isfinite(problem.hours) | (problem.hours < 0))
    if len(bad):
        person, week = bad[0]
        value = problem.hours[person, week]
        raise ValueError(f"hours of {problem.people[person]!r} in week {week + 1} are {value}, expected >= 0")
    if not (np.isfinite(problem.moving_price) and problem.moving_price >= 0):
        raise ValueError(f"the price on moving a visit is {problem.moving_price}, expected >= 0")


def _check_job(problem: SeasonProblem, index: int) -> None:
    job, nodes = problem.jobs[index], problem.weeks + 2
    if not (np.isfinite(job.hours) and job.hours > 0):
        raise ValueError(f"{job.label}: a visit of {job.hours} h, expected more than 0")
    if job.spacing < 1:
        raise ValueError(f"{job.label}: spacing of {job.spacing} weeks, expected at least 1")
    for name, table in (("cost", job.cost), ("days out", job.days_out)):
        _check_table(job, name, table, nodes)
    for name, weeks in (("held", job.held), ("barred", job.barred), ("previous", job.previous)):
        for week in weeks:
            if not 1 <= week <= problem.weeks:
                raise ValueError(f"{job.label}: {name} week {week} is outside 1..{problem.weeks}")
    if job.people is not None and not all(0 <= p < len(problem.people) for p in job.people):
        raise ValueError(f"{job.label}: people {job.people} do not all exist")
    _check_held(problem, index)


def _check_table(job: Job, name: str, table: Floats, nodes: int) -> None:
    if table.shape != (nodes, nodes):
        raise ValueError(f"{job.label}: {name} table is {table.shape}, expected ({nodes}, {nodes})")
    starts, ends = _above_diagonal(nodes)
    bad = np.flatnonzero(~((table[starts, ends] >= 0) & (table[starts, ends] < np.inf)))
    if len(bad):
        start, end = starts[bad[0]], ends[bad[0]]
        value = table[start, end]
        raise ValueError(f"{job.label}: {name} between nodes {start} and {end} is {value}, expected >= 0")


@cache
def _above_diagonal(nodes: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    return np.triu_indices(nodes, k=1)


def _check_held(problem: SeasonProblem, index: int) -> None:
    job, people = problem.jobs[index], list(problem.eligible(index))
    for week in job.held:
        if not people:
            raise ValueError(f"{job.label}: held in week {week}, but nobody can do it")
        longest = float(problem.hours[people, week - 1].max())
        if job.hours > longest + 1e-9:
            raise ValueError(
                f"{job.label}: held in week {week} takes {job.hours:g} h, "
                f"but no person who can do it offers more than {longest:g} h that week"
            )


def _check_rule(problem: SeasonProblem, rule: Requirement) -> None:
    shape = (problem.weeks + 1, problem.weeks)
    for index in (rule.job, rule.on):
        if not 0 <= index < len(problem.jobs):
            raise ValueError(f"rule {rule.name!r} speaks of job {index}, there are {len(problem.jobs)}")
    if rule.job == rule.on:
        raise ValueError(f"rule {rule.name!r}: {problem.jobs[rule.job].label} cannot wait for itself")
    if rule.allowed.shape != shape:
        raise ValueError(f"rule {rule.name!r}: table is {rule.allowed.shape}, expected {shape}")


def _check_sharings(problem: SeasonProblem) -> None:
    known: set[tuple[int, int]] = set()
    for one in problem.sharings:
        pair = (one.job, one.beside)
        if not all(0 <= index < len(problem.jobs) for index in pair):
            raise ValueError(f"shared hours speak of jobs {pair}, there are {len(problem.jobs)}")
        job, beside = (problem.jobs[index] for index in pair)
        words = f"{job.label} beside {beside.label}"
        if job.instrument != beside.instrument or one.job == one.beside:
            raise ValueError(f"{words}: only two services of one instrument share hours")
        if pair in known or pair[::-1] in known:
            raise ValueError(f"{words}: what they share is given twice")
        if not 0 < one.hours < min(job.hours, beside.hours):
            raise ValueError(f"{words} saves {one.hours} h, expected more than 0 and less than either visit")
        known.add(pair)
    savings = Savings(len(problem.jobs), problem.sharings)
    for jobs in savings.members:
        _check_group(problem, savings, jobs)


def _check_group(problem: SeasonProblem, savings: Savings, jobs: list[int]) -> None:
    instrument = problem.jobs[jobs[0]].instrument
    if len(jobs) > MOST_TOGETHER:
        raise ValueError(
            f"{len(jobs)} services of {instrument} share hours, expected at most {MOST_TOGETHER}"
        )
    for job in jobs:
        others = [other for other in jobs if other != job]
        if savings.beside(job, others) >= problem.jobs[job].hours:
            raise ValueError(f"{problem.jobs[job].label} would take no time beside all that shares its hours")
