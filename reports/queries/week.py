"""What This week shows: visits by room, requests note by note, concerts, warnings and hours."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any

from django.core.paginator import Page, Paginator

from fleet.models import Absence, Booking, NoteRequest, RequestState, Room, Service, Site
from fleet.reported import ReportedLine, reported_lines
from reports.queries.plans import plan_for, week_number
from reports.queries.rooms import Word, silent_rooms
from scheduling.day_times import Sitting, take_from_layout
from scheduling.models import Forecast, ForecastRun, PlannedVisit, SeasonPlan

OLD_AFTER = timedelta(days=3)
STANDING = ("instrument_id", "kind", "state")  # what a visit's line says of its forecast
VISITS = 40  # with which a leaf is full
WHOLE = "all"  # instead of a leaf's number: every visit on one page
REQUESTS_SHOWN = 10  # in full; whoever has more has a page for them


@dataclass(frozen=True)
class VisitLine:
    """A planned visit with the forecast behind it and the record that answers it, if there is one.

    A look that found the instrument out is no answer, but is told.
    """

    visit: PlannedVisit
    forecast: Forecast | None
    done: Service | None
    times: tuple[Sitting, ...] = ()
    looked: Service | None = None


@dataclass(frozen=True)
class RoomVisits:
    """The visits of one room."""

    room: Room
    lines: list[VisitLine]

    @property
    def hours(self) -> float:
        """Hours planned in the room [h]."""
        return sum(line.visit.hours for line in self.lines)


@dataclass(frozen=True)
class WeekWork:
    """The work of one week: the rooms of a leaf of it; hours are those of everybody.

    `visits` and `shown_hours` are those of all leaves.
    """

    plan: SeasonPlan | None
    number: int | None
    rooms: list[RoomVisits]
    leaf: Page[list[PlannedVisit]]
    visits: int
    shown_hours: float
    hours_offered: float | None
    hours_used: float | None
    hour_worth: float | None


@dataclass(frozen=True)
class Warnings:
    """What a technician should know before believing the page."""

    rooms: list[tuple[Room, Word]]
    forecast_run: ForecastRun | None
    forecast_old: bool
    absences: list[Absence]
    drying: list[Service]


def week_work(site: Site, monday: date, user: Any | None = None, leaf: str = "") -> WeekWork:
    """Return the visits of a week in plan order, those of one user's person where a user is given.

    A long week is turned leaf by leaf, each of whole rooms, or shown whole for printing.
    """
    plan = plan_for(site, monday)
    number = week_number(plan, monday) if plan else None
    if plan is None or number is None:
        return WeekWork(plan, None, [], Paginator([], 1).get_page(1), 0, 0.0, None, None, None)
    rows = PlannedVisit.objects.filter(plan=plan, week=monday)
    visits = list(rows.select_related("instrument__room", "technician").order_by(*ROUND))
    times = take_from_layout(site, monday, visits)
    if user is not None:
        visits = [one for one in visits if one.technician and one.technician.user_id == user.pk]
    leaves = _leaves(visits)
    page = Paginator(leaves, max(len(leaves), 1) if leaf == WHOLE else 1).get_page(leaf)
    lines = _lines([visit for leaf in page for visit in leaf], monday, times)
    return WeekWork(
        plan=plan,
        number=number,
        rooms=[RoomVisits(room, list(group)) for room, group in groupby(lines, _room)],
        leaf=page,
        visits=len(visits),
        shown_hours=sum(visit.hours for visit in visits),
        hours_offered=plan.hours_offered[number],
        hours_used=plan.hours_used[number],
        hour_worth=plan.hour_worth[number],
    )


def _leaves(visits: Sequence[PlannedVisit]) -> list[list[PlannedVisit]]:
    """Gather whole rooms until a leaf is full."""
    leaves: list[list[PlannedVisit]] = []
    for _room, group in groupby(visits, key=lambda visit: visit.instrument.room_id):
        if not leaves or len(leaves[-1]) >= VISITS:
            leaves.append([])
        leaves[-1] += group
    return leaves


ROUND = ("instrument__room__building", "instrument__room__name", "instrument__tag", "pk")


def _room(line: VisitLine) -> Room:
    return line.visit.instrument.room


def _lines(visits: Sequence[PlannedVisit], monday: date, times: dict[int, list[Sitting]]) -> list[VisitLine]:
    instruments = {visit.instrument_id for visit in visits}
    kinds = {visit.kind for visit in visits}
    forecasts = {
        (one.instrument_id, one.kind): one
        for one in Forecast.objects.filter(instrument__in=instruments, kind__in=kinds).only(*STANDING)
    }
    records = Service.objects.with_answers().filter(
        instrument__in=instruments, date__gte=monday, date__lt=monday + timedelta(days=7)
    )
    done = {(one.instrument_id, one.kind): one for one in records if one.answers}
    looked = {(one.instrument_id, one.kind): one for one in records if not one.answers}
    return [
        VisitLine(
            visit,
            forecasts.get((visit.instrument_id, visit.kind)),
            done.get((visit.instrument_id, visit.kind)),
            tuple(times.get(visit.pk, ())),
            looked.get((visit.instrument_id, visit.kind)),
        )
        for visit in visits
    ]


@dataclass(frozen=True)
class OpenRequests:
    """Open note requests: how many, the oldest in full, and those on instruments that are visited."""

    count: int
    oldest: list[ReportedLine]
    by_instrument: dict[int, list[ReportedLine]]


def open_requests(site: Site, visited: Collection[int] = ()) -> OpenRequests:
    """Return the open note requests of a site, oldest first, with those of some instruments apart."""
    rows = NoteRequest.objects.of_site(site).filter(state=RequestState.OPEN).order_by("made_at", "pk")
    numbers = list(rows.values_list("pk", "instrument_id"))
    oldest = {pk for pk, _instrument in numbers[:REQUESTS_SHOWN]}
    told = [pk for pk, instrument in numbers if pk in oldest or instrument in visited]
    lines = reported_lines(rows.filter(pk__in=told).select_related("instrument__room"))
    found: dict[int, list[ReportedLine]] = defaultdict(list)
    for line in lines:
        found[line.request.instrument_id].append(line)
    return OpenRequests(len(numbers), [line for line in lines if line.request.pk in oldest], dict(found))


def concerts(site: Site, monday: date) -> list[Booking]:
    """Return the performances of a week in the order they begin."""
    return list(
        Booking.objects.of_site(site)
        .filter(performance=True, starts_at__date__gte=monday, starts_at__date__lt=monday + timedelta(days=7))
        .select_related("room")
        .order_by("starts_at")
    )


def warnings(site: Site, monday: date, today: date, now: datetime) -> Warnings:
    """Return silent rooms, an old forecast, people who are away in the week, and what dries."""
    run = ForecastRun.objects.of_site(site).order_by("-made_at").first()
    return Warnings(
        rooms=silent_rooms(site, today, now),
        forecast_run=run,
        forecast_old=run is not None and today - run.today > OLD_AFTER,
        absences=list(
            Absence.objects.filter(
                person__site=site, first_day__lt=monday + timedelta(days=7), last_day__gte=monday
            ).select_related("person")
        ),
        drying=list(
            Service.objects.of_site(site)
            .filter(dry_at__gt=now)
            .select_related("instrument")
            .order_by("dry_at")
        ),
    )


def has_work(site: Site, user: Any) -> bool:
    """Return whether the user is a person of the site who does work there."""
    return site.people.filter(user=user, hours_per_week__gt=0).exists()
