"""Season plans of invented fleets, judged by the hidden truth and not by the forecast behind them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from fleet import defaults
from fleet.demo.fleet import InventedFleet, invent
from fleet.demo.habits import KIND_DEFAULTS, LEAVES, MEASURING_ERROR
from fleet.demo.spec import FleetSpec
from fleet.demo.truth import Anchor, Visit
from scheduling.engine.forecast import Record, Subject, build_model
from scheduling.engine.season import (
    Interval,
    Job,
    SeasonProblem,
    arc_costs,
    calendar_plan,
    plan_season,
    service_days,
)
from tests.open_futures import futures
from tests.told_fleets import told_playing, told_rooms, told_subjects

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Weeks = Mapping[int, Sequence[int]]  # by job, its weeks counted from 1

START = date(2026, 8, 31)  # a Monday; half a year from here holds the fall into the heating season


@dataclass(frozen=True)
class Trial:
    """A fleet on the first day of a season, and what the planner is told of it.

    Attributes
    ----------
    weights, hours, intervals : float array, shape (n,)
        By job: weight of a day out, hours of a visit [h], days of the calendar's interval [d].
    left : float array, shape (n, weeks)
        What a visit in each week really leaves, the same for everybody who plans.
    """

    fleet: InventedFleet
    subjects: tuple[Subject, ...]
    weeks: int
    weights: Floats
    hours: Floats
    intervals: Floats
    left: Floats

    @property
    def need(self) -> float:
        """Hours a week that would keep every fixed interval [h]."""
        return float((self.hours * 7 / self.intervals).sum())

    def index(self, week: int) -> int:
        """Position of the day on which a visit of a week counts."""
        return self.fleet.line.index(START) + int(service_days(self.weeks)[week - 1])

    @property
    def season(self) -> slice:
        """Positions of the season's days."""
        first = self.fleet.line.index(START)
        return slice(first, first + 7 * self.weeks)


def prepare(spec: FleetSpec, weeks: int) -> Trial:
    """Invent a fleet whose truth reaches to the end of a season, and tell what its papers say."""
    fleet = invent(replace(spec, days_after=7 * weeks + 7), START)
    subjects = tuple(told_subjects(fleet))
    uses = [defaults.USE_WEIGHT[subject.use_class] for subject in subjects]
    kinds = [KIND_DEFAULTS[subject.service] for subject in subjects]
    return Trial(
        fleet,
        subjects,
        weeks,
        np.array([kind.weight * use for kind, use in zip(kinds, uses, strict=True)]),
        np.array([kind.hours for kind in kinds]),
        np.array([subject.interval_days for subject in subjects]),
        _leave(subjects, weeks, np.random.default_rng([spec.seed, 77])),
    )


def _leave(subjects: Sequence[Subject], weeks: int, rng: np.random.Generator) -> Floats:
    """What a visit to each in each week leaves, shape (n, weeks)."""
    left = np.array([rng.normal(*LEAVES[subject.service], size=weeks) for subject in subjects])
    one_sided = np.array([subject.service in ("bedding", "voicing") for subject in subjects])
    return np.where(one_sided[:, None], np.maximum(left, 0.0), left)


def forecast_problem(
    trial: Trial, hours_a_week: float, subjects: Sequence[Subject] = (), gone: int = 0
) -> SeasonProblem:
    """The season as the planner sees it: costs from the forecast of what the papers say.

    With weeks that are gone it is what is left of the season, from the air up to then and the records given.
    """
    today, weeks = START + timedelta(weeks=gone), trial.weeks - gone
    fleet = replace(trial.fleet, line=replace(trial.fleet.line, today=today))
    told = told_rooms(fleet), subjects or trial.subjects, told_playing(fleet)
    model = build_model(*told, today.toordinal(), 7 * weeks + 7)
    season = today.toordinal() + np.arange(7 * weeks)
    since, after = model.out_probability(season[service_days(weeks)], season)
    return _problem(trial, since, after, hours_a_week)


def true_problem(trial: Trial, hours_a_week: float, beddings: Weeks | None = None) -> SeasonProblem:
    """The season as hindsight sees it: a day is out or it is not; beddings set the gap that dip hangs on."""
    return _problem(trial, *_days_out(trial, beddings or {}), hours_a_week)


def _days_out(trial: Trial, beddings: Weeks) -> tuple[Floats, Floats]:
    """Which days are truly out since the last service, and after a visit in each week: 0 or 1."""
    n, weeks, days = len(trial.subjects), trial.weeks, 7 * trial.weeks
    since, after = np.zeros((n, days)), np.zeros((n, weeks, days))
    gaps = _gaps(trial, beddings)
    for job in range(n):
        since[job] = _out(trial, job, _last(trial, job, gaps), gaps)
        for week in range(1, weeks + 1):
            after[job, week - 1] = _out(trial, job, _anchor(trial, job, week, gaps), gaps)
    return since, after


def weatherless_tables(trial: Trial, count: int) -> tuple[Floats, Floats]:
    """Chances of being out for somebody who knows every instrument and its state, but nothing to come."""
    n, weeks, days = len(trial.subjects), trial.weeks, 7 * trial.weeks
    since, after = np.zeros((n, days)), np.zeros((n, weeks, days))
    rng = np.random.default_rng([trial.fleet.spec.seed, 79])
    for truth in futures(trial.fleet, trial.fleet.line.index(START), count):
        left = _leave(trial.subjects, weeks, rng)
        found = _days_out(replace(trial, fleet=replace(trial.fleet, truth=truth), left=left), {})
        since, after = since + found[0] / count, after + found[1] / count
    return np.clip(since, 0.0, 1.0), np.clip(after, 0.0, 1.0)


def _problem(trial: Trial, since: Floats, after: Floats, hours_a_week: float) -> SeasonProblem:
    weeks = after.shape[1]
    steps = service_days(weeks)
    ones = np.ones_like(since)
    cost = arc_costs(since, after, ones * trial.weights[:, None], steps)
    days_out = arc_costs(since, after, ones, steps)
    jobs = tuple(
        Job(subject.instrument, subject.service, float(trial.hours[n]), cost[n], days_out[n])
        for n, subject in enumerate(trial.subjects)
    )
    return SeasonProblem(jobs, weeks, ("",), np.full((1, weeks), hours_a_week))


def replanned(trial: Trial, hours_a_week: float, seconds: float, looks: bool = False) -> dict[int, list[int]]:
    """Plan anew every Monday with the records that the visits made, and do the first week of each plan.

    With looks, whoever visits an instrument also measures what of it is not served, and leaves it so.
    """
    subjects, done = list(trial.subjects), dict[int, list[int]]()
    rng = np.random.default_rng([trial.fleet.spec.seed, 78])
    for gone in range(trial.weeks):
        result = plan_season(forecast_problem(trial, hours_a_week, subjects, gone), seconds)
        visits = sorted(visit.job for visit in result.visits if visit.week == 1)
        there = {trial.subjects[job].instrument for job in visits} if looks else set()
        seen = [
            job for job, one in enumerate(trial.subjects) if one.instrument in there and job not in visits
        ]
        found = {job: _found(trial, job, gone + 1, done) for job in visits}
        for job in visits:
            done.setdefault(job, []).append(gone + 1)
            _write(trial, subjects, job, gone + 1, found[job], rng)
        for job in seen:  # after the work, which may have moved it
            _look(trial, subjects, job, gone + 1, _found(trial, job, gone + 1, done), rng)
    return done


def _found(trial: Trial, job: int, week: int, done: Weeks) -> float:
    """True deviation on the day of a visit, before it."""
    subject = trial.subjects[job]
    visits = {
        one.service: _visits(trial, other, done.get(other, ()))
        for other, one in enumerate(trial.subjects)
        if one.instrument == subject.instrument
    }
    return float(trial.fleet.truth.paths(subject.instrument, visits)[subject.service][trial.index(week)])


def _write(
    trial: Trial, subjects: list[Subject], job: int, week: int, found: float, rng: np.random.Generator
) -> None:
    """Add the record of a visit, measured as the invented technicians measure."""
    found, left = (
        _measured(subjects[job].service, value, rng) for value in (found, float(trial.left[job, week - 1]))
    )
    _add(subjects, job, Record(_day(trial, week), found, left))


def _look(
    trial: Trial, subjects: list[Subject], job: int, week: int, found: float, rng: np.random.Generator
) -> None:
    """Add the record of a look that left everything as it was."""
    found = _measured(subjects[job].service, found, rng)
    _add(subjects, job, Record(_day(trial, week), found, found, only_measured=True))


def _measured(service: str, true: float, rng: np.random.Generator) -> float:
    value = true + float(rng.normal(0, MEASURING_ERROR[service]))
    return max(value, 0.0) if service == "voicing" else value


def _day(trial: Trial, week: int) -> int:
    return trial.fleet.line.day(trial.index(week)).toordinal()


def _add(subjects: list[Subject], job: int, record: Record) -> None:
    """Add a record to all who read it."""
    subject = subjects[job]
    records = (*subject.records, record)
    for other, one in enumerate(subjects):
        if other == job:
            subjects[other] = replace(one, records=records)
        elif one.instrument == subject.instrument:
            subjects[other] = replace(one, related={**one.related, subject.service: records})


def _gaps(trial: Trial, beddings: Weeks) -> dict[str, Floats]:
    """True gap under each key frame, for every day."""
    return {
        subject.instrument: _path(trial, job, beddings.get(job, ()))
        for job, subject in enumerate(trial.subjects)
        if subject.service == "bedding"
    }


def _path(trial: Trial, job: int, weeks: Iterable[int]) -> Floats:
    subject = trial.subjects[job]
    found = trial.fleet.truth.paths(subject.instrument, {subject.service: _visits(trial, job, weeks)})
    return found[subject.service]


def _visits(trial: Trial, job: int, weeks: Iterable[int]) -> list[Visit]:
    return [Visit(trial.fleet.line.day(trial.index(w)), float(trial.left[job, w - 1])) for w in sorted(weeks)]


def _last(trial: Trial, job: int, gaps: Mapping[str, Floats]) -> Anchor:
    """Where the last service before the season left an instrument."""
    subject, truth = trial.subjects[job], trial.fleet.truth
    anchor = truth.beginnings[subject.instrument, subject.service]
    for visit in truth.visits.get((subject.instrument, subject.service), ()):
        at = trial.fleet.line.index(visit.day)
        anchor = Anchor(at, visit.left, anchor.number + 1, _gap(subject, gaps, at))
    return anchor


def _anchor(trial: Trial, job: int, week: int, gaps: Mapping[str, Floats]) -> Anchor:
    subject, at = trial.subjects[job], trial.index(week)
    number = _last(trial, job, gaps).number + 1
    return Anchor(at, float(trial.left[job, week - 1]), number, _gap(subject, gaps, at))


def _gap(subject: Subject, gaps: Mapping[str, Floats], at: int) -> float:
    return float(gaps[subject.instrument][at]) if subject.instrument in gaps else 0.0


def _out(trial: Trial, job: int, anchor: Anchor, gaps: Mapping[str, Floats]) -> Floats:
    """Whether each day of the season is out when last served at an anchor; a tuning by its registers too."""
    subject, truth = trial.subjects[job], trial.fleet.truth
    number = truth.tags.index(subject.instrument)
    gap = gaps[subject.instrument][trial.season] if subject.instrument in gaps else 0.0
    off = np.abs(truth.deviation(number, subject.service, trial.season, anchor, gap))
    out = off > subject.tolerance
    if subject.service == "tuning":
        out |= _parted(trial, number, trial.season, anchor.index) > subject.tolerance
    return out.astype(float)


def _parted(trial: Trial, number: int, days: slice, since: int) -> Floats:
    """Half the range of the registers since a tuning [cents]."""
    pitch = trial.fleet.truth.pitch[number]
    return np.asarray(np.ptp(pitch[:, days] - pitch[:, [since]], axis=0) / 2.0)


def judge(trial: Trial, plan: Weeks) -> float:
    """Weighted instrument-days that are truly out of tolerance over the season under a plan."""
    visits: dict[str, dict[str, list[Visit]]] = {}
    for job, weeks in plan.items():
        subject = trial.subjects[job]
        visits.setdefault(subject.instrument, {})[subject.service] = _visits(trial, job, weeks)
    paths = {tag: trial.fleet.truth.paths(tag, visits.get(tag)) for tag in trial.fleet.truth.tags}
    total = 0.0
    for job, subject in enumerate(trial.subjects):
        out = np.abs(paths[subject.instrument][subject.service][trial.season]) > subject.tolerance
        if subject.service == "tuning":
            out |= _parted_under(trial, job, plan.get(job, ())) > subject.tolerance
        total += float(trial.weights[job] * out.sum())
    return total


def _parted_under(trial: Trial, job: int, weeks: Iterable[int]) -> Floats:
    number = trial.fleet.truth.tags.index(trial.subjects[job].instrument)
    season, since = trial.season, _last(trial, job, {}).index
    parted = _parted(trial, number, season, since)
    for week in sorted(weeks):
        at = trial.index(week)
        parted[at - season.start :] = _parted(trial, number, slice(at, season.stop), at)
    return parted


def weeks_of(visits: Iterable[object]) -> dict[int, list[int]]:
    """Weeks by job of the visits of a plan."""
    found: dict[int, list[int]] = {}
    for visit in visits:
        found.setdefault(visit.job, []).append(visit.week)  # type: ignore[attr-defined]
    return found


def most_overdue(trial: Trial, hours_a_week: float, wait: bool) -> dict[int, list[int]]:
    """The plain calendar rule: each week what is most overdue, until the hours are used.

    Where it waits, nothing is served before its interval is over; else hours that are left go to whatever is
    nearest to it.
    """
    last = _calendar_days(trial)
    plan: dict[int, list[int]] = {}
    for week, day in enumerate(service_days(trial.weeks), start=1):
        overdue, left = (day - last) / trial.intervals, hours_a_week
        for job in np.argsort(-overdue, kind="stable"):
            if trial.hours[job] <= left and (overdue[job] >= 1.0 or (not wait and overdue[job] > 0.0)):
                plan.setdefault(int(job), []).append(week)
                left -= trial.hours[job]
                last[job] = day
    return plan


def _calendar_days(trial: Trial) -> Floats:
    """Day of the last recorded service, counted from the season's first; one never recorded is just due."""
    today = START.toordinal()
    return np.array(
        [float(one.records[-1].day - today) if one.records else -one.interval_days for one in trial.subjects]
    )


def calendar_intervals(trial: Trial) -> list[Interval]:
    """How the calendar that minds weights treats each job."""
    return [
        Interval(float(days), float(last), float(weight))
        for days, last, weight in zip(trial.intervals, _calendar_days(trial), trial.weights, strict=True)
    ]


@dataclass(frozen=True)
class Verdict:
    """Weighted days truly out under each way of planning, at the same hours."""

    nothing: float
    overdue: float
    rule: float
    plan: float
    hindsight: float
    weatherless: float | None = None
    replanned: float | None = None
    looked: float | None = None

    @property
    def spared(self) -> float:
        """Share of the plain rule's days that the plan spares."""
        return 1.0 - self.plan / self.overdue

    @property
    def captured(self) -> float:
        """Share of what hindsight saves over the weight-aware rule that the plan saves too."""
        return (self.rule - self.plan) / (self.rule - self.hindsight)


Tables = tuple[Floats, Floats]


def compare(
    trial: Trial,
    hours_a_week: float,
    seconds: float = 20.0,
    weekly: bool = False,
    looks: bool = False,
    weatherless: Tables | None = None,
) -> Verdict:
    """Plan a season in every way and judge each by the truth; weekly, the plan is made anew every Monday too.

    With looks it is made anew once more, by whoever measures all of an instrument that is visited.

    The plain rule is the better of waiting and not waiting; the weight-aware rule is tuned with the truth in
    hand; hindsight is planned twice, the second time around its own beddings, and the better one counts.
    """
    plain = min(judge(trial, most_overdue(trial, hours_a_week, wait)) for wait in (True, False))
    known = true_problem(trial, hours_a_week)
    rule = calendar_plan(known, calendar_intervals(trial))
    plan = plan_season(forecast_problem(trial, hours_a_week), seconds)
    best = weeks_of(plan_season(known, seconds).visits)
    again = weeks_of(plan_season(true_problem(trial, hours_a_week, best), seconds).visits)
    ceiling = weatherless and plan_season(_problem(trial, *weatherless, hours_a_week), seconds)
    return Verdict(
        judge(trial, {}),
        plain,
        judge(trial, weeks_of(rule.visits)),
        judge(trial, weeks_of(plan.visits)),
        min(judge(trial, best), judge(trial, again)),
        judge(trial, weeks_of(ceiling.visits)) if ceiling else None,
        judge(trial, replanned(trial, hours_a_week, seconds / 4)) if weekly else None,
        judge(trial, replanned(trial, hours_a_week, seconds / 4, looks=True)) if looks else None,
    )
