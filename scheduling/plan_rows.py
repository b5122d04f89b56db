"""A solved season as rows: the plan, its visits with their reasons, and what it puts off."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction

from fleet.models import Site
from scheduling import reasons
from scheduling.dated_work import DatedTuning
from scheduling.engine.said import joined, worded
from scheduling.engine.season import SeasonResult
from scheduling.line_costs import store_lines
from scheduling.models import ForecastRun, PlannedVisit, PutOff, SeasonPlan
from scheduling.plan_moves import what_moved
from scheduling.season_problem import Previous, SeasonSetup
from scheduling.shared_hours import in_words, without_words


@dataclass(frozen=True)
class Before:
    """The plan people worked by, if any, and the weeks to come in which it had each service."""

    plan: SeasonPlan | None
    weeks: Previous


@transaction.atomic
def store_plan(
    site: Site,
    setup: SeasonSetup,
    run: ForecastRun,
    rules: str,
    result: SeasonResult,
    calendar_cost: float,
    now: datetime,
    before: Before | None = None,
) -> SeasonPlan:
    """Store a draft with its visits, what it puts off, what it moved and what it was judged by."""
    before = before or Before(None, {})
    used = result.hours_used.copy()
    for tuning in setup.wishes.dated:
        used[setup.season.week(tuning.day) - 1] += setup.lines[tuning.line].hours
    plan = SeasonPlan.objects.create(
        site=site,
        start=setup.season.start,
        weeks=setup.season.weeks,
        made_at=now,
        run=run,
        rules=rules,
        outcome=result.outcome,
        cost=float(result.cost),
        bound=float(result.bound),
        gap=float(result.gap),
        seconds=float(result.seconds),
        hours_offered=setup.offered.hours.sum(axis=0).tolist(),
        hours_used=used.tolist(),
        hour_worth=result.hour_worth.tolist(),
        calendar_cost=float(calendar_cost),
        notes=_notes(setup),
        hours_by_person=_hours_by_person(setup),
        before=before.plan,
        moves=what_moved(setup, result, before.weeks),
    )
    PlannedVisit.objects.bulk_create(_visits(plan, setup, result, run), batch_size=500)
    PutOff.objects.bulk_create(_put_off(plan, setup, result), batch_size=500)
    store_lines(plan, setup)
    return plan


def _hours_by_person(setup: SeasonSetup) -> list[list[Any]]:
    offered = setup.offered
    return [
        [person.pk if person else None, hours.tolist()]
        for person, hours in zip(offered.people, offered.hours, strict=True)
    ]


def _notes(setup: SeasonSetup) -> list[str]:
    nameless = worded("no technician is known, so the hours belong to one without a name")
    return [*setup.wishes.notes, *([nameless] if None in setup.offered.people else [])]


def _visits(
    plan: SeasonPlan, setup: SeasonSetup, result: SeasonResult, run: ForecastRun
) -> Iterator[PlannedVisit]:
    forecasts = {(row.instrument_id, row.kind): row for row in run.forecasts.all()}
    people: dict[int, dict[int, int]] = defaultdict(dict)
    shared: dict[tuple[int, int], tuple[str, float]] = {}
    for visit in result.visits:
        people[visit.job][visit.week] = visit.person
        if visit.beside is not None:
            shared[visit.job, visit.week] = setup.lines[visit.beside].subject.service, visit.shared
    for job, weeks in sorted(people.items()):
        line = setup.lines[job]
        forecast = forecasts.get((line.instrument_id, line.subject.service))
        words = reasons.visit_reasons(setup, people, job, forecast)
        for week, person in sorted(weeks.items()):
            held = week in setup.problem.jobs[job].held
            row = _visit(plan, setup, job, week, person, words[week], held=held)
            share(row, *shared.get((job, week), ("", 0.0)))
            yield row
    for (job, week), tunings in _dated(setup).items():
        asked = reasons.dated_asked_for(setup, tunings, people.get(job, {}))
        words_for = joined(" ", [reasons.dated_reason(tunings), asked])
        yield _visit(plan, setup, job, week, tunings[0].person, words_for, times=len(tunings), dated=True)


def share(visit: PlannedVisit, beside: str, hours: float) -> None:
    """Let a visit be so many hours shorter beside another service, and say so in its reason."""
    visit.reason = joined(" ", [without_words(visit.reason), in_words(beside, hours)])
    visit.hours = round(visit.hours + visit.shared_hours - hours, 9)
    visit.beside, visit.shared_hours = beside, hours


def _dated(setup: SeasonSetup) -> dict[tuple[int, int], list[DatedTuning]]:
    """Return the dated tunings by line and week; several in a week are one visit in the plan."""
    found: dict[tuple[int, int], list[DatedTuning]] = defaultdict(list)
    for tuning in setup.wishes.dated:
        found[tuning.line, setup.season.week(tuning.day)].append(tuning)
    return found


def _visit(
    plan: SeasonPlan,
    setup: SeasonSetup,
    job: int,
    week: int,
    person: int,
    reason: str,
    held: bool = False,
    times: int = 1,
    dated: bool = False,
) -> PlannedVisit:
    line = setup.lines[job]
    return PlannedVisit(
        plan=plan,
        instrument_id=line.instrument_id,
        kind=line.subject.service,
        week=setup.season.monday(week),
        hours=times * line.hours,
        technician=setup.offered.people[person],
        reason=reason,
        held=held,
        dated=dated,
    )


def _put_off(plan: SeasonPlan, setup: SeasonSetup, result: SeasonResult) -> Iterator[PutOff]:
    dated = {tuning.line for tuning in setup.wishes.dated}
    for row in result.put_off:
        if row.job not in dated:
            line = setup.lines[row.job]
            yield PutOff(
                plan=plan,
                instrument_id=line.instrument_id,
                kind=line.subject.service,
                reason=reasons.put_off_reason(setup, row),
                expected_days_out=float(row.days_out),
                cost=float(row.cost),
            )
