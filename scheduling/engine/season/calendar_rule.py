"""What fixed intervals would give at the same hours: the rival every season plan is compared with."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduling.engine.season.capacity import SLACK_HOURS
from scheduling.engine.season.costs import service_days
from scheduling.engine.season.packing import Packer
from scheduling.engine.season.paths import PathTable
from scheduling.engine.season.pricing import rule_tables
from scheduling.engine.season.problem import SeasonProblem, check_problem
from scheduling.engine.season.relaxation import last_visit
from scheduling.engine.season.result import planned_visits
from scheduling.engine.season.sharing import Savings
from scheduling.engine.season.solution import PlannedVisit

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

SCALES = np.geomspace(0.05, 5.0, 21)
"""Scales of the intervals tried first. Prior: from nearly always due to five times the usual interval."""
FINER = 9
"""Scales tried between the neighbours of the best one."""
EXPONENTS = (0.0, 0.5, 1.0, 2.0)
"""How strongly weight per hour counts in the order, from not at all to squared."""


@dataclass(frozen=True)
class Interval:
    """How a calendar treats one job.

    Attributes
    ----------
    days : float
        Fixed interval [d].
    last_day : float
        Day of the last service before the season, counted from Monday of week 1 as day 0, so negative;
        ``-inf`` when there was none.
    weight : float
        Weight of a day out of tolerance [1/d].
    dated : tuple of int
        Days of the season on which the service happens anyway.
    """

    days: float
    last_day: float
    weight: float
    dated: tuple[int, ...] = ()


@dataclass(frozen=True)
class CalendarResult:
    """The best calendar: expected weighted days out [d], its visits, hours [h] per week, and its tuning."""

    cost: float
    visits: tuple[PlannedVisit, ...]
    hours_used: Floats
    scale: float
    exponent: float


def calendar_plan(problem: SeasonProblem, intervals: Sequence[Interval]) -> CalendarResult:
    """Plan by fixed intervals within the same hours, tuned as well as a calendar can be.

    Parameters
    ----------
    problem : SeasonProblem
        The season as ``plan_season`` gets it: hours, people, held and barred weeks, order rules.
    intervals : sequence of Interval
        One for each job.

    Returns
    -------
    CalendarResult
        The cheapest over all scales and exponents, priced by the problem's own costs.

    Raises
    ------
    ValueError
        When the problem cannot be meant, its held visits do not fit, or an interval or weight is missing.

    Notes
    -----
    Each week, what is due (days since the last service >= scale x interval) is served in falling order of
    overdue x (weight / hours)^g as long as hours are left; held visits come first. A visit that waits for
    another of the same instrument takes it along in the same week, or waits.
    """
    check_problem(problem)
    _check(problem, intervals)
    calendar = _Calendar(problem, intervals)
    best = min(
        (calendar.run(float(scale), g) for scale in SCALES for g in EXPONENTS), key=lambda result: result.cost
    )
    place = int(np.argmin(np.abs(SCALES - best.scale)))
    near = np.geomspace(SCALES[max(place - 1, 0)], SCALES[min(place + 1, len(SCALES) - 1)], FINER)
    finer = [calendar.run(float(scale), best.exponent) for scale in near]
    return min([best, *finer], key=lambda result: result.cost)


def _check(problem: SeasonProblem, intervals: Sequence[Interval]) -> None:
    if len(intervals) != len(problem.jobs):
        raise ValueError(f"{len(intervals)} intervals for {len(problem.jobs)} jobs")
    for job, interval in zip(problem.jobs, intervals, strict=True):
        if not (interval.days > 0 and interval.weight >= 0 and interval.last_day < np.inf):
            raise ValueError(
                f"{job.label}: interval {interval.days} d, weight {interval.weight} cannot be meant"
            )


class _Calendar:
    def __init__(self, problem: SeasonProblem, intervals: Sequence[Interval]) -> None:
        self.problem, weeks = problem, problem.weeks
        self.days = service_days(weeks)
        self.hours = np.array([job.hours for job in problem.jobs])
        self.interval = np.array([interval.days for interval in intervals])
        self.ratio = np.array([interval.weight for interval in intervals]) / np.maximum(self.hours, 1e-9)
        self.able = [problem.eligible(index) for index in range(len(problem.jobs))]
        self.savings = Savings(len(problem.jobs), problem.sharings)
        self.least = self.hours.copy()
        for jobs in self.savings.members:
            for one in jobs:
                self.least[one] -= self.savings.beside(one, [other for other in jobs if other != one])
        can = np.zeros((len(problem.jobs), len(problem.people)), dtype=bool)
        for index, people in enumerate(self.able):
            can[index, list(people)] = True
        self.packer = Packer(can, self.hours, self.savings)
        self.held = np.zeros((len(problem.jobs), weeks), dtype=bool)
        self.open = np.ones((len(problem.jobs), weeks), dtype=bool)
        self.dated = np.full((len(problem.jobs), weeks), -np.inf)
        for index, (job, interval) in enumerate(zip(problem.jobs, intervals, strict=True)):
            self.held[index, [week - 1 for week in job.held]] = True
            self.open[index, [week - 1 for week in job.barred]] = False
            for day in (interval.last_day, *sorted(interval.dated)):
                self.dated[index, self.days >= day] = day
        self.open &= ~self.held & ~_too_near(problem, self.held)
        self.tables = rule_tables(problem)
        self.rules_of: dict[int, list[int]] = {}
        for rule, requirement in enumerate(problem.rules):
            self.rules_of.setdefault(requirement.job, []).append(rule)
        self.paths = PathTable(problem, np.ones_like(self.open), with_moves=False)

    def run(self, scale: float, exponent: float) -> CalendarResult:
        run = _Run(self)
        with np.errstate(divide="ignore"):
            favour = self.ratio**exponent
        for week in range(self.problem.weeks):
            last = np.maximum(self.dated[:, week], run.last_day)
            overdue = np.minimum((self.days[week] - last) / (scale * self.interval), 1e9)
            due = np.flatnonzero((overdue >= 1.0) & self.open[:, week])
            order = due[np.argsort(-(overdue * favour)[due], kind="stable")]
            run.week(week, order)
        cost = float(self.paths.cost(np.arange(len(run.visits)), run.visits).sum())
        planned = planned_visits(self.savings, self.hours, run.visits, run.person)
        used = np.zeros(self.problem.weeks)
        for visit in planned:
            used[visit.week - 1] += visit.hours
        return CalendarResult(cost, planned, used, scale, exponent)


class _Run:
    """One pass through the season."""

    def __init__(self, calendar: _Calendar) -> None:
        self.calendar = calendar
        size = calendar.held.shape
        self.visits = np.zeros(size, dtype=bool)
        self.person = np.full(size, -1, dtype=np.int64)
        self.last_day = np.full(size[0], -np.inf)
        self.left = calendar.problem.hours.copy()

    def week(self, week: int, order: Ints) -> None:
        calendar = self.calendar
        self.hours = self.left[:, week].tolist()
        self._serve_held(week)
        shortest = float(calendar.least.min(initial=np.inf))
        lengths = calendar.least.tolist()
        for job in order.tolist():
            if max(self.hours) < shortest - SLACK_HOURS:
                break
            if max(self.hours) >= lengths[job] - SLACK_HOURS and self._clear(job, week):
                self._serve(job, week)

    def _serve_held(self, week: int) -> None:
        calendar, held = self.calendar, np.flatnonzero(self.calendar.held[:, week])
        must = np.ones(len(held), dtype=bool)
        people, left = calendar.packer.pack(held, self.left[:, week], must)
        if (people < 0).any():
            names = ", ".join(calendar.problem.jobs[job].label for job in held)
            raise ValueError(f"held visits of week {week + 1} do not fit into its hours: {names}")
        self.visits[held, week], self.person[held, week] = True, people
        self.last_day[held] = calendar.days[week]
        self.hours = left.tolist()

    def _serve(self, job: int, week: int) -> bool:
        fitting = [
            (length, self.hours[person], person)
            for person, length in self._lengths(job, week)
            if self.hours[person] >= length - SLACK_HOURS
        ]
        if not fitting:
            return False
        length, _, person = min(fitting)
        self.hours[person] -= length
        self.visits[job, week], self.person[job, week] = True, person
        self.last_day[job] = self.calendar.days[week]
        return True

    def _lengths(self, job: int, week: int) -> list[tuple[int, float]]:
        """Who can serve a job, with the hours that it adds to their week beside what they do there."""
        calendar, whole = self.calendar, float(self.calendar.hours[job])
        group = int(calendar.savings.group[job])
        if group < 0:
            return [(person, whole) for person in calendar.able[job]]
        made = calendar.savings.outings(calendar.savings.members[group], self.person[:, week])
        return [
            (person, whole - calendar.savings.beside(job, made.get(person, [])))
            for person in calendar.able[job]
        ]

    def _clear(self, job: int, week: int) -> bool:
        """Whether spacing and order rules let the job be served, once what it waits for is served too."""
        calendar, spacing = self.calendar, self.calendar.problem.jobs[job].spacing
        if self.visits[job, max(0, week - spacing + 1) : week + 1].any():
            return False
        return all(self._allowed(rule, week) for rule in calendar.rules_of.get(job, ()))

    def _allowed(self, rule: int, week: int) -> bool:
        calendar, on = self.calendar, self.calendar.problem.rules[rule].on
        last = int(last_visit(self.visits[on : on + 1, : week + 1])[0, -1])
        if calendar.tables[rule, last, week]:
            return True
        helps = calendar.tables[rule, week + 1, week] and calendar.open[on, week]
        return bool(helps and self._clear(on, week) and self._serve(on, week))


def _too_near(problem: SeasonProblem, held: Bools) -> Bools:
    """Weeks nearer to a held visit than the job's spacing."""
    near = np.zeros(held.shape, dtype=bool)
    for index, job in enumerate(problem.jobs):
        for week in job.held:
            near[index, max(0, week - job.spacing) : week - 1 + job.spacing] = True
    return near
