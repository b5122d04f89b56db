"""Weeks laid out to the hour as a service: lay one out, store it, find the one that people work by."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from time import monotonic
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils.translation import gettext as _

from fleet.models import Site
from fleet.refusal import Refused
from fleet.weeks import monday_before, week_of
from scheduling.engine.week import LeftOut, Sitting, WeekLayout, WeekProblem, lay_out
from scheduling.engine.week.rules import BESIDE
from scheduling.inputs.occupied import occupied_digest
from scheduling.inputs.week import WeekFacts, left_in_later_weeks, week_facts
from scheduling.models import Appointment, SeasonPlan, Unplaced, WeekPlan
from scheduling.planning import current_plan
from scheduling.week_problem import WeekSetup, week_setup

# With what the page or the command does around it, still within ten seconds.
TIME_LIMIT = 9.0
# What each try may take of the time that is left, where visits are short beside others.
TRIES = (0.6, 0.6, 1.0)


def lay_out_week(
    site: Site, monday: date, now: datetime, by: Any | None = None, time_limit: float = TIME_LIMIT
) -> WeekPlan:
    """Lay out a week of the plan that people work by, store and return it.

    From the same facts comes the same layout: where the newest one has been made from them already, it is
    returned and nothing is stored.

    Raises
    ------
    fleet.refusal.Refused
        Where the week has passed or no season plan covers it.
    """
    plan = plan_to_follow(site, monday, site.local_date(now))
    facts = week_facts(site, plan, monday, now)
    setup = week_setup(facts)
    occupied = _occupied(site, monday, setup)
    made_from = _digest(plan, setup)
    newest = newest_layout(site, monday)
    if newest is not None and newest.input_hash == made_from:
        return newest
    setup, layout = _laid_out(facts, setup, time_limit)
    return _store(site, plan, setup, facts.clock.at, layout, (made_from, occupied), monday, now, by)


def _laid_out(facts: WeekFacts, setup: WeekSetup, time_limit: float) -> tuple[WeekSetup, WeekLayout]:
    """Lay a week out; where work is short beside work that is not done with it, again with its full hours.

    The second time those take their full hours of which the first has shown it, the third time all.
    """
    begun, found = monotonic(), []
    sharing = {number for number, visit in enumerate(setup.problem.visits) if visit.beside is not None}
    shares = TRIES if sharing else (1.0,)
    for number, share in enumerate(shares):
        left = max(time_limit - (monotonic() - begun), 0.0)
        layout = lay_out(setup.problem, share * left)
        alone, kept_out = _short_alone(setup.problem, layout), _kept_out_beside(setup.problem, layout)
        if not alone:
            found.append((setup, layout))
        if not alone | kept_out:
            break
        apart = sharing if number else alone | kept_out
        setup = week_setup(facts, apart)
    return min(found, key=lambda one: one[1].cost)


def _short_alone(problem: WeekProblem, layout: WeekLayout) -> set[int]:
    """Return the visits that are laid out short beside one that is not."""
    there = {one.visit for one in layout.sittings}
    return {number for number in there if problem.visits[number].beside not in there | {None}}


def _kept_out_beside(problem: WeekProblem, layout: WeekLayout) -> set[int]:
    """Return the short visits that are kept out by what they are beside, or keep it out."""
    out = {one.visit for one in layout.left_out if BESIDE in one.rules}
    pairs = (
        (number, visit.beside) for number, visit in enumerate(problem.visits) if visit.beside is not None
    )
    return {number for number, beside in pairs if {number, beside} & out}


def _occupied(site: Site, monday: date, setup: WeekSetup) -> dict[str, Any]:
    rooms = sorted({piece.work.room.pk for piece in setup.pieces})
    instruments = sorted({piece.work.visit.instrument_id for piece in setup.pieces})
    digest = occupied_digest(site, monday, rooms, instruments)
    return {"rooms": rooms, "instruments": instruments, "digest": digest}


def plan_to_follow(site: Site, monday: date, today: date) -> SeasonPlan:
    """Return the season plan whose week is to be laid out.

    Raises
    ------
    fleet.refusal.Refused
        Where the week has passed or no season plan covers it.
    """
    if monday < monday_before(today):
        raise Refused(
            _("the week has passed and cannot be laid out any more"),
            value=week_of(monday),
            accepted=_("%(week_of)s or later") % {"week_of": week_of(today)},
        )
    plan = current_plan(site, monday)
    if plan is None:
        raise Refused(
            _("no season plan covers the week, so there is nothing to lay out"),
            value=week_of(monday),
            accepted=_("a week of a season plan; manage.py plan_season makes one"),
        )
    return plan


def newest_layout(site: Site, monday: date) -> WeekPlan | None:
    """Return the newest layout of a week, whatever season plan it follows."""
    rows = WeekPlan.objects.of_site(site).filter(week=monday).select_related("plan", "made_by")
    return rows.order_by("-number").first()


def _digest(plan: SeasonPlan, setup: WeekSetup) -> str:
    """Return what tells apart layouts made from unlike facts."""
    visits = [(piece.work.visit.pk, piece.number) for piece in setup.pieces]
    people = [offer.person_pk for offer in setup.offers]
    return hashlib.sha256(repr((plan.pk, visits, people, setup.problem, setup.notes)).encode()).hexdigest()


@transaction.atomic
def _store(
    site: Site,
    plan: SeasonPlan,
    setup: WeekSetup,
    at: Any,
    layout: WeekLayout,
    known: tuple[str, dict[str, Any]],
    monday: date,
    now: datetime,
    by: Any | None,
) -> WeekPlan:
    Site.objects.select_for_update().get(pk=site.pk)  # two who lay out a week at once get two numbers
    newest = WeekPlan.objects.filter(site=site, week=monday).aggregate(number=Max("number"))["number"] or 0
    week = WeekPlan.objects.create(
        site=site,
        week=monday,
        number=newest + 1,
        plan=plan,
        plan_version=plan.version,
        made_at=now,
        made_by=by,
        input_hash=known[0],
        occupied=known[1],
        outcome=layout.outcome,
        cost=layout.cost,
        bound=layout.bound,
        gap=layout.gap,
        seconds=layout.seconds,
        minutes_offered=[[offer.person_pk, round(60 * offer.hours)] for offer in setup.offers],
        notes=list(setup.notes),
    )
    Appointment.objects.bulk_create(_appointments(week, setup, layout, at))
    Unplaced.objects.bulk_create(_unplaced(week, setup, layout.left_out, plan, monday))
    return week


def stretches(problem: WeekProblem, sittings: Sequence[Sitting]) -> list[list[Sitting]]:
    """Return the sittings of each visit, those that follow one another without a pause together."""
    found: list[list[Sitting]] = []
    for one in sorted(sittings, key=lambda one: (one.visit, one.first)):
        goes_on = found and found[-1][-1].visit == one.visit and found[-1][-1].last == one.first
        if goes_on:
            found[-1].append(one)
        else:
            found.append([one])
    return found


def _appointments(week: WeekPlan, setup: WeekSetup, layout: WeekLayout, at: Any) -> Iterator[Appointment]:
    parts: dict[int, int] = {}
    for together in sorted(stretches(setup.problem, layout.sittings), key=lambda some: some[0].first):
        work = setup.pieces[together[0].visit].work
        parts[work.visit.pk] = parts.get(work.visit.pk, 0) + 1
        yield Appointment(
            week_plan=week,
            visit=work.visit,
            part=parts[work.visit.pk],
            technician=setup.offers[together[0].person].person,
            room=work.room,
            starts_at=at(together[0].first),
            ends_at=at(together[-1].last),
        )


def _unplaced(
    week: WeekPlan, setup: WeekSetup, left_out: Sequence[LeftOut], plan: SeasonPlan, monday: date
) -> Iterator[Unplaced]:
    """Give what found no place; each moves to the next week whose hours take it beside those moved before."""
    later = dict(left_in_later_weeks(plan, monday))
    for one in left_out:
        piece = setup.pieces[one.visit]
        hours, moves_to = setup.problem.visits[one.visit].minutes / 60, None
        if not piece.before:
            moves_to = next((week for week, left in later.items() if left >= hours - 1e-9), None)
        if moves_to is not None:
            later[moves_to] -= hours
        yield Unplaced(
            week_plan=week,
            visit=piece.work.visit,
            part=piece.number,
            hours=hours,
            rules=list(one.rules),
            reason=one.words,
            moves_to=moves_to,
        )
