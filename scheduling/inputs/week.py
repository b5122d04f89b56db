"""What the layout of a week is made from: visits, people, bookings, performances, records, forecasts."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Q

from fleet.days_off import free_days
from fleet.models import (
    Absence,
    Booking,
    Instrument,
    Person,
    Placement,
    Role,
    Room,
    Service,
    ServiceRule,
    Site,
)
from scheduling.inputs.demand import silent_performances
from scheduling.inputs.hours import hours_offered
from scheduling.models import Forecast, PlannedVisit, SeasonPlan
from scheduling.week_clock import WeekClock

# A hardener is looked for before performances of so many days after the week; see the rules of the week.
LOOK_AHEAD = timedelta(days=8)
LOOK_BACK = timedelta(days=2)
WORTH_WEEKS = 4


@dataclass(frozen=True)
class Played:
    """That an instrument is played in public from an instant to another."""

    begins: datetime
    ends: datetime
    day: date
    title: str


@dataclass(frozen=True)
class Offer:
    """A person, what hours of theirs the week has [h], and the days they are away; None is without a name."""

    person: Person | None
    hours: float
    away: tuple[tuple[date, date], ...] = ()

    @property
    def person_pk(self) -> int | None:
        """Number of the person."""
        return self.person.pk if self.person else None


@dataclass(frozen=True)
class Work:
    """A visit of the plan that is not recorded yet, how often its service is still due, and its figures.

    ``hours`` [h] is for one service, ``worth`` [weighted days] what leaving it out would cost.
    """

    visit: PlannedVisit
    room: Room
    times: int
    hours: float
    worth: float


@dataclass(frozen=True)
class WeekFacts:
    """All of a week; bookings by room and by instrument, the rest by instrument."""

    clock: WeekClock
    now: datetime
    plan: SeasonPlan
    offers: tuple[Offer, ...]
    work: tuple[Work, ...]
    rooms: dict[int, list[Booking]]
    elsewhere: dict[int, list[Booking]]
    played: dict[int, list[Played]]
    tuned: dict[int, date]
    wet_until: dict[int, datetime]
    silent_concerts: tuple[str, ...]


def week_facts(site: Site, plan: SeasonPlan, monday: date, now: datetime) -> WeekFacts:
    """Read a week; the number of queries does not grow with the fleet."""
    clock = WeekClock(monday, site.zone)
    visits = list(
        PlannedVisit.objects.filter(plan=plan, week=monday)
        .select_related("instrument__room", "technician")
        .order_by("instrument__room__building", "instrument__room__name", "instrument__tag", "kind")
    )
    instruments = {visit.instrument_id for visit in visits}
    done = _done(instruments, monday)
    bookings = _bookings(site, clock)
    return WeekFacts(
        clock=clock,
        now=now,
        plan=plan,
        offers=_offers(site, plan, visits, done, monday, site.local_date(now)),
        work=tuple(_work(site, visits, done, monday)),
        rooms=_grouped((booking.room_id, booking) for booking in bookings),
        elsewhere=_grouped((one.pk, booking) for booking in bookings for one in booking.instruments.all()),
        played=_played(site, bookings),
        tuned=_last_tuned(instruments, monday),
        wet_until=_wet(instruments, clock),
        silent_concerts=tuple(silent_performances(site, [monday])),
    )


def _grouped(pairs: Iterator[tuple[int, Booking]]) -> dict[int, list[Booking]]:
    found: dict[int, list[Booking]] = defaultdict(list)
    for key, booking in pairs:
        found[key].append(booking)
    return found


def _bookings(site: Site, clock: WeekClock) -> list[Booking]:
    ends = clock.at(clock.days[-1]) + LOOK_AHEAD
    rows = Booking.objects.of_site(site).filter(ends_at__gt=clock.begins, starts_at__lt=ends)
    return list(rows.select_related("room").prefetch_related("instruments").order_by("starts_at", "pk"))


def _played(site: Site, bookings: Sequence[Booking]) -> dict[int, list[Played]]:
    """Return the performances of each instrument.

    One that names no instrument is played on those of its room kept for concerts, or else for recitals, as
    in the season plan.
    """
    standing: dict[tuple[int, str], list[int]] = defaultdict(list)
    rows = Instrument.objects.of_site(site).filter(use_class__in=("concert", "recital"), retired_on=None)
    for pk, room, use_class in rows.order_by("tag").values_list("pk", "room_id", "use_class"):
        standing[room, use_class].append(pk)
    played: dict[int, list[Played]] = defaultdict(list)
    for booking in bookings:
        if booking.performance:
            here = standing[booking.room_id, "concert"] or standing[booking.room_id, "recital"]
            named = [instrument.pk for instrument in booking.instruments.all()]
            title, day = booking.title or "the performance", site.local_date(booking.starts_at)
            for pk in named or here:
                played[pk].append(Played(booking.starts_at, booking.ends_at, day, title))
    return played


def _done(instruments: set[int], monday: date) -> Counter[tuple[int, str]]:
    rows = Service.objects.answering().filter(
        instrument__in=instruments, date__gte=monday, date__lt=monday + timedelta(days=7)
    )
    return Counter(rows.values_list("instrument_id", "kind"))


def _last_tuned(instruments: set[int], monday: date) -> dict[int, date]:
    rows = Service.objects.answering().filter(
        instrument__in=instruments, kind="tuning", date__gte=monday - LOOK_BACK, date__lt=monday + LOOK_AHEAD
    )
    return dict(rows.order_by("date", "order").values_list("instrument_id", "date"))


def _wet(instruments: set[int], clock: WeekClock) -> dict[int, datetime]:
    """Return until when a hardener that was applied dries."""
    rows = Service.objects.filter(instrument__in=instruments, dry_at__gt=clock.begins).order_by("dry_at")
    return {pk: dry for pk, dry in rows.values_list("instrument_id", "dry_at") if dry is not None}


def _work(
    site: Site, visits: Sequence[PlannedVisit], done: Counter[tuple[int, str]], monday: date
) -> Iterator[Work]:
    instruments = {visit.instrument_id for visit in visits}
    rules = {
        (rule.service_kind.kind, rule.use_class): rule
        for rule in ServiceRule.objects.of_site(site).select_related("service_kind")
    }
    rows = Forecast.objects.filter(instrument__in=instruments).only("instrument_id", "kind", "weekly")
    weekly = {(row.instrument_id, row.kind): row.weekly for row in rows}
    moved = _moved(instruments, monday)
    for visit in visits:
        rule = rules.get((visit.kind, visit.instrument.use_class))
        times = max(1, round(visit.hours / rule.hours)) if visit.dated and rule else 1
        key = visit.instrument_id, visit.kind
        if times > done[key]:
            yield Work(
                visit=visit,
                room=moved.get(visit.instrument_id, visit.instrument.room),
                times=times - done[key],
                hours=visit.hours / times,
                worth=_worth(rule, weekly.get(key), monday),
            )


def _moved(instruments: set[int], monday: date) -> dict[int, Room]:
    """Return where the instruments stand that have a placement of their own for the week."""
    rows = Placement.objects.filter(
        Q(last_day=None) | Q(last_day__gte=monday), instrument__in=instruments, first_day__lte=monday
    )
    return {row.instrument_id: row.room for row in rows.select_related("room").order_by("first_day")}


def _worth(rule: ServiceRule | None, weekly: list[list[float | str]] | None, monday: date) -> float:
    """Return the weighted days out of tolerance expected in four weeks from a Monday on if nothing is done.

    Without a forecast the instrument is as likely out as in. Terms are left to the season plan.
    """
    weight = rule.weight if rule else 1.0
    ahead = {monday + timedelta(weeks=number) for number in range(WORTH_WEEKS)}
    chances = [float(row[1]) for row in weekly or () if date.fromisoformat(str(row[0])) in ahead]
    return weight * 7 * (sum(chances) / len(chances) if chances else 0.5) * WORTH_WEEKS


def _offers(
    site: Site,
    plan: SeasonPlan,
    visits: Sequence[PlannedVisit],
    done: Counter[tuple[int, str]],
    monday: date,
    today: date,
) -> tuple[Offer, ...]:
    """Return the hours of the week by person: those of the plan, less what became known since.

    A person away since the plan was made offers the less for it; hours the plan was given on top of a
    person's own shrink with the days there. What is recorded already is taken off. Without hours in the plan
    a person's own count, less the reserve.
    """
    number = (monday - plan.start).days // 7
    planned = {person: hours[number] for person, hours in plan.hours_by_person}
    own = hours_offered(site, [monday], today)
    now = {p.pk: float(own.hours[n, 0]) for n, p in enumerate(own.people) if p} if own else {}
    absences = defaultdict(list)
    rows = Absence.objects.of_site(site).filter(
        first_day__lt=monday + timedelta(days=7), last_day__gte=monday
    )
    for pk, first, last in rows.values_list("person_id", "first_day", "last_day"):
        absences[pk].append((first, last))
    off = [(day, day) for day in free_days(site, monday, monday + timedelta(days=6))]
    worked: dict[int | None, float] = defaultdict(float)
    for visit in visits:
        if done[visit.instrument_id, visit.kind]:
            worked[visit.technician_id] += visit.hours
    offers = []
    for person in Person.objects.of_site(site).filter(role=Role.TECHNICIAN).order_by("name"):
        away = [*absences[person.pk], *off]
        hours = _hours(person, planned.get(person.pk), now.get(person.pk, 0.0), away, monday)
        offers.append(Offer(person, max(hours - worked[person.pk], 0.0), tuple(away)))
    if None in planned or not offers and visits:
        hours = max(planned.get(None, plan.hours_used[number]) - worked[None], 0.0)
        offers.append(Offer(None, hours, tuple(off)))
    return tuple(offers)


def _hours(
    person: Person, planned: float | None, now: float, away: list[tuple[date, date]], monday: date
) -> float:
    if planned is None:
        return now
    days = [monday + timedelta(days=number) for number in person.working_days]
    there = [day for day in days if not any(first <= day <= last for first, last in away)]
    share = len(there) / len(days) if days else 0.0
    own = person.hours_per_week or 0.0
    return min(planned, own * share) if planned <= own else planned * share


def left_in_later_weeks(plan: SeasonPlan, monday: date) -> list[tuple[date, float]]:
    """Return the weeks of a plan after a Monday with the hours left in each [h]."""
    weeks = zip(plan.hours_offered, plan.hours_used, strict=True)
    left = [(plan.start + timedelta(weeks=n), offered - used) for n, (offered, used) in enumerate(weeks)]
    return [(week, hours) for week, hours in left if week > monday]
