"""What the page of a week laid out shows: days, people and times, what found no place, what changed since."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from fleet.cautions import CAUTIONS
from fleet.days_off import free_days
from fleet.models import Absence, Booking, Person, Service, Site
from fleet.reported import ReportedLine
from reports.queries.week import STANDING, concerts, open_requests
from scheduling.engine.week.rules import RULES
from scheduling.models import Appointment, Forecast, PlannedVisit, SeasonPlan, Unplaced, WeekPlan
from scheduling.planning import current_plan
from scheduling.week_overtaken import taken_otherwise
from scheduling.week_planning import newest_layout


@dataclass(frozen=True)
class Line:
    """A stretch of work with the forecast behind it, the record that answers it, and what was asked for."""

    appointment: Appointment
    parts: int
    forecast: Forecast | None
    done: Service | None
    requests: list[ReportedLine]

    @property
    def visit(self) -> PlannedVisit:
        """The visit that the stretch belongs to."""
        return self.appointment.visit


@dataclass
class Stint:
    """A person's work of a day."""

    person: Person | None
    lines: list[Line] = field(default_factory=list)

    @property
    def hours(self) -> float:
        """Work of the day [h]."""
        spans = ((line.appointment.starts_at, line.appointment.ends_at) for line in self.lines)
        return sum((ends - starts).total_seconds() for starts, ends in spans) / 3600


@dataclass
class DayPage:
    """A day: who works what when, the performances, who is away, and what it is off for."""

    day: date
    stints: list[Stint] = field(default_factory=list)
    concerts: list[Booking] = field(default_factory=list)
    away: list[str] = field(default_factory=list)
    off: str = ""


@dataclass(frozen=True)
class WeekPage:
    """A week laid out, or not yet; ``changed`` says what has moved on since: plan, visits or bookings."""

    plan: SeasonPlan | None
    layout: WeekPlan | None
    changed: str
    days: list[DayPage]
    unplaced: list[Unplaced]
    without_day: list[PlannedVisit]
    recorded: list[tuple[PlannedVisit, Service]]
    hours: float
    free: float | None
    cautions: list[str]
    rules: Sequence[Any] = RULES

    @property
    def has_work(self) -> bool:
        """Whether anybody has a time in the week."""
        return any(day.stints for day in self.days)


def week_page(site: Site, monday: date, user: Any | None = None) -> WeekPage:
    """Return a week, or one user's part of it; the number of queries does not grow with the fleet."""
    plan, layout = current_plan(site, monday), newest_layout(site, monday)
    visits = list(
        PlannedVisit.objects.filter(plan=plan, week=monday)
        .select_related("instrument__room", "technician")
        .order_by("instrument__room__building", "instrument__room__name", "instrument__tag", "pk")
        if plan
        else ()
    )
    rows = _appointments(layout)
    unplaced = list(layout.unplaced.select_related("visit__instrument__room") if layout else ())
    told = {row.visit_id for row in rows} | {row.visit_id for row in unplaced}
    shown = [row for row in rows if user is None or _is(row.technician, user)]
    done = _done([*visits, *(row.visit for row in rows)], monday)
    days = _days(site, monday, shown, done)
    return WeekPage(
        plan=plan,
        layout=layout,
        changed=_changed(plan, layout),
        days=days,
        unplaced=unplaced,
        without_day=[
            visit
            for visit in visits
            if visit.pk not in told
            and (visit.instrument_id, visit.kind) not in done
            and (user is None or not visit.technician or _is(visit.technician, user))
        ],
        recorded=[
            (visit, done[visit.instrument_id, visit.kind])
            for visit in visits
            if visit.pk not in told
            and (visit.instrument_id, visit.kind) in done
            and (user is None or _is(visit.technician, user))
        ],
        hours=sum(stint.hours for day in days for stint in day.stints),
        free=_free(layout, rows, user),
        cautions=[
            str(words) for kind, words in CAUTIONS.items() if any(row.visit.kind == kind for row in shown)
        ],
    )


def _is(person: Person | None, user: Any) -> bool:
    return person is not None and person.user_id == user.pk


def _appointments(layout: WeekPlan | None) -> list[Appointment]:
    if layout is None:
        return []
    rows = layout.appointments.select_related("visit__instrument", "technician", "room")
    return list(rows.order_by("starts_at", "technician__name"))


def _done(visits: Iterable[PlannedVisit], monday: date) -> dict[tuple[int, str], Service]:
    rows = Service.objects.answering().filter(
        instrument__in={visit.instrument_id for visit in visits},
        date__gte=monday,
        date__lt=monday + timedelta(days=7),
    )
    return {(row.instrument_id, row.kind): row for row in rows}


def _days(
    site: Site, monday: date, rows: Sequence[Appointment], done: dict[tuple[int, str], Service]
) -> list[DayPage]:
    """Return the days of the week, Saturday and Sunday only where something happens on them."""
    days = {monday + timedelta(days=n): DayPage(monday + timedelta(days=n)) for n in range(7)}
    for booking in concerts(site, monday):
        days[site.local_date(booking.starts_at)].concerts.append(booking)
    for off, name in free_days(site, monday, monday + timedelta(days=6)).items():
        days[off].off = name
    for absence in _absences(site, monday):
        for page in days.values():
            works = page.day.weekday() in absence.person.working_days
            if works and absence.first_day <= page.day <= absence.last_day:
                page.away.append(absence.person.name)
    for line in _lines(site, rows, done):
        day = days[site.local_date(line.appointment.starts_at)]
        person = line.appointment.technician
        stint = next((one for one in day.stints if one.person == person), None)
        if stint is None:
            stint = Stint(person)
            day.stints.append(stint)
        stint.lines.append(line)
    for day in days.values():
        day.stints.sort(key=lambda stint: stint.person.name if stint.person else "")
    return [day for day in days.values() if day.day.weekday() < 5 or day.stints or day.concerts]


def _absences(site: Site, monday: date) -> Iterable[Absence]:
    rows = Absence.objects.of_site(site).filter(
        first_day__lt=monday + timedelta(days=7), last_day__gte=monday
    )
    return rows.select_related("person").order_by("person__name")


def _lines(site: Site, rows: Sequence[Appointment], done: dict[tuple[int, str], Service]) -> Iterable[Line]:
    instruments = {row.visit.instrument_id for row in rows}
    forecasts = {
        (one.instrument_id, one.kind): one
        for one in Forecast.objects.filter(instrument__in=instruments).only(*STANDING)
    }
    asked = open_requests(site, instruments).by_instrument
    parts: dict[int, int] = defaultdict(int)
    for row in rows:
        parts[row.visit_id] += 1
    told: set[tuple[int, date]] = set()
    for row in rows:
        key = row.visit.instrument_id, row.visit.kind
        first = (row.visit.instrument_id, site.local_date(row.starts_at))
        requests = [] if first in told else asked.get(row.visit.instrument_id, [])
        told.add(first)
        yield Line(row, parts[row.visit_id], forecasts.get(key), done.get(key), requests)


def _changed(plan: SeasonPlan | None, layout: WeekPlan | None) -> str:
    """Return what has moved on since the week was laid out, in one word."""
    if layout is None or plan is None:
        return ""
    if layout.plan_id != plan.pk:
        return "replaced"
    if layout.plan_version != plan.version:
        return "changed"
    return "taken" if taken_otherwise(layout) else ""


def _free(layout: WeekPlan | None, rows: Sequence[Appointment], user: Any | None) -> float | None:
    """Return the hours offered that stay free beside the reserve [h]; None where one's own part is shown."""
    if layout is None or user is not None:
        return None
    spans = ((row.starts_at, row.ends_at) for row in rows)
    used = sum((ends - starts).total_seconds() for starts, ends in spans) / 3600
    offered = sum(float(minutes) for _, minutes in layout.minutes_offered) / 60
    return max(offered - used, 0.0)


def can_be_laid_out(monday: date, now: datetime, site: Site, plan: SeasonPlan | None) -> bool:
    """Return whether the week is still to come, or is on, and a plan covers it."""
    return plan is not None and monday + timedelta(days=7) > site.local_date(now)
