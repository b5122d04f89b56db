"""The season as the planner's problem: jobs with their costs, hours, held and barred weeks, and rules."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Protocol

import numpy as np
from django.utils.translation import gettext as _

from fleet.models import HeldVisit, Site
from fleet.refusal import Refused
from fleet.weeks import monday_before, mondays, week_of
from scheduling.dated_work import DatedTuning, dated_work
from scheduling.engine.said import On, worded
from scheduling.engine.season import Job, Reset, SeasonProblem, arc_costs, service_days
from scheduling.engine.season.calendar_rule import Interval
from scheduling.engine.subjects import Days, Floats
from scheduling.inputs import (
    FleetFacts,
    HoursOffered,
    Line,
    Performance,
    booked_solid,
    held_visits,
    open_reports,
    performances,
    share_true,
    silent_performances,
    weight_factors,
    wet_all_week,
    wet_on,
    wet_until,
)
from scheduling.reported import Trouble, add_until_visit, days_added, troubles
from scheduling.service_order import Standing, service_order
from scheduling.shared_hours import shared_hours

# Nothing is played in public while a hardener dries; common practice, no source.
DRYING_DAYS = 2
# What leaving a visit of the approved plan must save [weighted days], so that next week does not dance.
# Prior: common practice, no source.
MOVING_PRICE = 0.25

# Weeks of the visits of the plan that is being replaced, by instrument and kind of service.
Previous = Mapping[tuple[int, str], tuple[int, ...]]


class Foretelling(Protocol):
    """What tells the probability of being out of tolerance: the model of a fleet, or of some of it."""

    def out_probability(
        self, service_days: Days, days: Days, rows: Sequence[int] | None = None
    ) -> tuple[Floats, Floats]:
        """As :meth:`scheduling.engine.forecast.FleetModel.out_probability`."""


@dataclass(frozen=True)
class Season:
    """So many weeks from a Monday on, seen from a day."""

    start: date
    weeks: int
    today: date

    @property
    def mondays(self) -> list[date]:
        """The Monday of every week."""
        return mondays(self.start, self.weeks)

    @property
    def days(self) -> Days:
        """Every day of the season as an ordinal."""
        return self.start.toordinal() + np.arange(7 * self.weeks, dtype=np.int64)

    @property
    def last_day(self) -> date:
        """The Sunday of the last week."""
        return self.start + timedelta(days=7 * self.weeks - 1)

    def week(self, day: date) -> int:
        """Number of the week in which a day lies, 1 for the first."""
        return (day - self.start).days // 7 + 1

    def monday(self, week: int) -> date:
        """Monday of a week counted from 1."""
        return self.start + timedelta(days=7 * (week - 1))


@dataclass(frozen=True)
class Wishes:
    """What binds the season beside paths and hours; empty where a plan is made without rules."""

    held: dict[int, tuple[int, ...]] = field(default_factory=dict)
    closed: dict[int, dict[int, str]] = field(default_factory=dict)
    dated: tuple[DatedTuning, ...] = ()
    notes: tuple[str, ...] = ()
    troubles: dict[int, Trouble] = field(default_factory=dict)

    def barred(self, line: int) -> tuple[int, ...]:
        """Weeks closed to a line."""
        return tuple(self.closed.get(line, {}))


@dataclass(frozen=True)
class SeasonSetup:
    """The problem and what is needed to say in words what its answer means."""

    season: Season
    problem: SeasonProblem
    lines: tuple[Line, ...]
    offered: HoursOffered
    after: Floats
    wishes: Wishes


def season_setup(
    site: Site,
    season: Season,
    facts: FleetFacts,
    model: Foretelling,
    offered: HoursOffered,
    rules: bool,
    approved: Previous | None = None,
    gone: Collection[int] = (),
) -> SeasonSetup:
    """Return a site's season as a problem.

    Days before today are past: no plan changes them and they cost nothing. Without rules only paths and
    hours are left: no held, barred or dated visit, no order between services and no regard for the visits of
    the approved plan. Held visits of instruments that are gone are not asked for.

    Raises
    ------
    fleet.refusal.Refused
        Where a held visit is of a kind that the instrument does not get.
    """
    hours, wishes = offered.hours, Wishes()
    if rules:
        hours, wishes = _wishes(site, season, facts.lines, offered, gone)
    previous = (approved or {}) if rules else {}
    since_last, after = model.out_probability(season.days[service_days(season.weeks)], season.days)
    cost, days_out = _costs(site, season, facts.lines, model, wishes, since_last, after)
    standing = Standing(facts.lines, _done(season, facts.lines, wishes.dated), since_last, after)
    problem = SeasonProblem(
        jobs=tuple(_jobs(facts.lines, cost, days_out, offered, wishes, previous, rules)),
        weeks=season.weeks,
        people=offered.names,
        hours=hours,
        rules=tuple(service_order(standing)) if rules else (),
        moving_price=MOVING_PRICE if previous else 0.0,
        sharings=tuple(shared_hours(facts.lines)) if rules else (),
    )
    return SeasonSetup(season, problem, facts.lines, offered, after, wishes)


def _costs(
    site: Site,
    season: Season,
    lines: Sequence[Line],
    model: Foretelling,
    wishes: Wishes,
    since_last: Floats,
    after: Floats,
) -> tuple[Floats, Floats]:
    """Return the cost of every arc, and the same days without weights."""
    to_come = (season.days >= season.today.toordinal()).astype(float)
    weight = np.array([line.weight for line in lines]).reshape(-1, 1)
    weighted = weight * weight_factors(site, season.days) * to_come
    resets = _resets(season, lines, model, wishes.dated)
    step = service_days(season.weeks)
    cost = arc_costs(since_last, after, weighted, step, resets)
    days_out = arc_costs(since_last, after, np.broadcast_to(to_come, weighted.shape), step, resets)
    dealt_with = {reset.row: reset.day for reset in sorted(resets, key=lambda one: -one.day)}
    for n, trouble in wishes.troubles.items():
        until = np.arange(len(to_come)) < dealt_with.get(n, len(to_come))
        plain, played = days_added(trouble, since_last[n], season.days, to_come * until)
        add_until_visit(days_out[n], plain, step)
        add_until_visit(cost[n], played * weighted[n], step)
    return cost, days_out


def _jobs(
    lines: Sequence[Line],
    cost: Floats,
    days_out: Floats,
    offered: HoursOffered,
    wishes: Wishes,
    previous: Previous,
    ruled: bool,
) -> list[Job]:
    return [
        Job(
            instrument=line.subject.instrument,
            service=line.subject.service,
            hours=line.hours,
            cost=cost[n],
            days_out=days_out[n],
            held=wishes.held.get(n, ()),
            barred=wishes.barred(n),
            people=offered.able(line.subject.service),
            previous=previous.get((line.instrument_id, line.subject.service), ()),
            spacing=line.spacing_weeks if ruled else 1,
        )
        for n, line in enumerate(lines)
    ]


def _wishes(
    site: Site, season: Season, lines: Sequence[Line], offered: HoursOffered, gone: Collection[int]
) -> tuple[Floats, Wishes]:
    asked = [visit for visit in held_visits(site, season.mondays) if visit.instrument_id not in gone]
    held, notes = _held(asked, season, lines)
    performed = performances(site, season.mondays)
    pairs = [(line, week - 1) for line, weeks in held.items() for week in weeks]
    work = dated_work(lines, performed, pairs, offered, season.start, season.today)
    wet = wet_until(site, season.today)
    closed = _closed(site, season, lines, performed, work.tunings, wet)
    notes += [*_wet_notes(lines, performed, wet), *silent_performances(site, season.mondays)]
    reported = troubles(lines, open_reports(site, season.today), performed, share_true(site), season.today)
    return work.hours, Wishes(held, closed, tuple(work.tunings), tuple(notes + work.without_hours), reported)


def _held(
    visits: Sequence[HeldVisit], season: Season, lines: Sequence[Line]
) -> tuple[dict[int, tuple[int, ...]], list[str]]:
    """Return the held weeks of each line; one in a week that has passed is left out with a word."""
    known = {(line.instrument_id, line.subject.service): n for n, line in enumerate(lines)}
    held: dict[int, tuple[int, ...]] = defaultdict(tuple)
    notes = []
    for visit in visits:
        words = f"{visit.kind} of {visit.instrument.tag} held in {week_of(visit.week)}"
        line = known.get((visit.instrument_id, visit.kind))
        if visit.week < monday_before(season.today):
            notes.append(f"{words}: the week has passed, so it is left out")
        elif line is None:
            raise Refused(
                _("%(words)s cannot be planned") % {"words": words},
                value=visit.kind,
                accepted=_("a kind of service that this instrument, in use today, gets"),
            )
        else:
            held[line] += (season.week(visit.week),)
    return dict(held), notes


def _closed(
    site: Site,
    season: Season,
    lines: Sequence[Line],
    performed: Sequence[Performance],
    dated: Sequence[DatedTuning],
    wet: Mapping[int, datetime],
) -> dict[int, dict[int, str]]:
    """Return the weeks closed to each line with the reason in words.

    Closed are: a room booked solid; for a tuning, a week with a dated one; for a voicing, a week in which a
    hardener would be wet at a performance whichever working day is chosen, or one that was applied before
    is still wet on every working day.
    """
    solid = booked_solid(site, season.mondays)
    played = defaultdict(set)
    for performance in performed:
        played[performance.instrument_id].add(performance.day)
    tuned = {(tuning.line, season.week(tuning.day)) for tuning in dated}
    closed: dict[int, dict[int, str]] = {n: {} for n in range(len(lines))}
    for n, line in enumerate(lines):
        for week, monday in enumerate(season.mondays, start=1):
            if (line.room_on(monday), monday) in solid:
                closed[n][week] = worded("%(room)s is booked solid", room=line.room_on(monday))
            elif (n, week) in tuned:
                closed[n][week] = worded("it is tuned for a performance in that week")
            elif line.subject.service == "voicing" and _never_dry(monday, played[line.instrument_id]):
                closed[n][week] = worded("a hardener would still be wet at a performance")
            elif line.subject.service == "voicing" and wet_all_week(
                monday, wet.get(line.instrument_id), season.today
            ):
                closed[n][week] = worded(
                    "the hardener in it dries until %(until)s", until=On(wet[line.instrument_id], "day time")
                )
    return closed


def _wet_notes(
    lines: Sequence[Line], performed: Sequence[Performance], wet: Mapping[int, datetime]
) -> list[str]:
    """Say which performances fall into the time in which a hardener dries."""
    tags = {line.instrument_id: line.subject.instrument for line in lines}
    return [
        worded(
            "the hardener in %(tag)s dries until %(until)s: nothing is played on it in public before, "
            "yet %(performance)s is on %(day)s",
            tag=tags[one.instrument_id],
            until=On(wet[one.instrument_id], "day time"),
            performance=one.title or worded("a performance"),
            day=On(one.day, "day of month"),
        )
        for one in performed
        if one.instrument_id in tags and wet_on(one.day, wet.get(one.instrument_id))
    ]


def _never_dry(monday: date, played: set[date]) -> bool:
    working = [monday + timedelta(days=number) for number in range(5)]
    return all(
        any(day + timedelta(days=wait) in played for wait in range(DRYING_DAYS + 1)) for day in working
    )


def _resets(
    season: Season, lines: Sequence[Line], model: Foretelling, dated: Sequence[DatedTuning]
) -> list[Reset]:
    if not dated:
        return []
    days = sorted({tuning.day.toordinal() for tuning in dated})
    rows = sorted({tuning.line for tuning in dated})
    _, after = model.out_probability(np.array(days, dtype=np.int64), season.days, rows)
    return [
        Reset(
            tuning.line,
            (tuning.day - season.start).days,
            after[rows.index(tuning.line), days.index(tuning.day.toordinal())],
        )
        for tuning in dated
    ]


def _done(season: Season, lines: Sequence[Line], dated: Sequence[DatedTuning]) -> list[set[int]]:
    """Return, by line, the weeks in which its service was or will be done whatever is planned."""
    done = [{season.week(date.fromordinal(record.day)) for record in line.subject.answered} for line in lines]
    for tuning in dated:
        done[tuning.line].add(season.week(tuning.day))
    return done


def calendar_intervals(setup: SeasonSetup) -> list[Interval]:
    """Return how the site's calendar treats each job; one never done counts from an interval before today.

    What a player has reported is due at once, as it is with anybody who works by a calendar.
    """
    start = setup.season.start.toordinal()
    dated = defaultdict(list)
    for tuning in setup.wishes.dated:
        dated[tuning.line].append((tuning.day - setup.season.start).days)
    intervals = []
    for n, line in enumerate(setup.lines):
        days, records = line.subject.interval_days, line.subject.answered
        last = records[-1].day if records else setup.season.today.toordinal() - days
        since = -np.inf if n in setup.wishes.troubles else float(last - start)
        intervals.append(Interval(days, since, line.weight, tuple(sorted(dated[n]))))
    return intervals
