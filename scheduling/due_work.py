"""What a technician's week holds: visits by day and room, requests, warnings, what was done or put off."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from django.db.models import Max, Q
from django.utils.formats import date_format, get_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from fleet.days_off import free_days
from fleet.keyboard import compass_of
from fleet.models import Booking, Instrument, NoteRequest, Person, RequestState, Role, Room, Service, Site
from fleet.notes import NOTES, note_number
from scheduling import planning
from scheduling.day_times import Sitting, layout_is_overtaken, planned_times
from scheduling.models import Forecast, ForecastState, PlannedVisit, PutOff, SeasonPlan
from scheduling.moved import Ahead, read_ahead
from scheduling.week_air import AirNote, air_notes

# Bed the frame, regulate, tune, judge tone: common practice, no source.
WORK_ORDER = {"bedding": 0, "regulation": 1, "tuning": 2, "voicing": 3}
SILENT_DAYS = 2
MOST_PUT_OFF = 5


@dataclass(frozen=True)
class Job:
    """One planned service of an instrument and what the forecast says about it."""

    service: str
    hours: float
    reason: str
    held: bool
    forecast: Forecast | None
    sittings: tuple[Sitting, ...] = ()
    # Start and end on the site's wall, of the day under which the letter tells it.
    times: tuple[tuple[datetime, datetime], ...] = ()

    @property
    def hours_in_words(self) -> str:
        """The hours with their unit."""
        return hours_in_words(self.hours)

    @property
    def state_in_words(self) -> str:
        """How the instrument stands and when it is expected to leave its tolerance."""
        forecast = self.forecast
        if forecast is None:
            return _("no forecast yet")
        state = forecast.get_state_display()
        if forecast.state == ForecastState.OUT or forecast.due_middle is None:
            return _("%(state)s (probability %(percent).0f %% today)") % {
                "state": state,
                "percent": 100 * forecast.out_now,
            }
        early, middle, late = (
            day_in_words(day) if day else _("beyond the forecast")
            for day in (forecast.due_early, forecast.due_middle, forecast.due_late)
        )
        return _("%(state)s, expected out by %(middle)s (early %(early)s, late %(late)s)") % {
            "state": state,
            "middle": middle,
            "early": early,
            "late": late,
        }


@dataclass(frozen=True)
class Request:
    """An open note request, note by note with the keys beside each."""

    notes: list[tuple[str, list[str]]]
    symptom: str
    words: str
    made_on: date


@dataclass
class Stop:
    """One instrument with its work in the order it is to be done."""

    instrument: Instrument
    jobs: list[Job] = field(default_factory=list)
    requests: list[Request] = field(default_factory=list)

    @property
    def description(self) -> str:
        """What the instrument is, without its maker."""
        return f"{self.instrument.kind}, built {self.instrument.year_built}, {self.instrument.use_class}"


@dataclass(frozen=True)
class Recorded:
    """A planned service of the week that is in the records already."""

    instrument: Instrument
    service: str
    day: date


@dataclass(frozen=True)
class Silence:
    """A room whose air nobody has measured for some days."""

    room: Room
    trusted_until: date
    doubtful_since: bool


@dataclass
class Week:
    """All that a site's letters of one week are made from."""

    site: Site
    monday: date
    today: date
    plan: SeasonPlan | None
    people: list[Person]
    visits: list[PlannedVisit]
    forecasts: dict[tuple[int, str], Forecast]
    requests: dict[int, list[NoteRequest]]
    silences: list[Silence]
    put_off: list[PutOff]
    concerts: list[Booking]
    air: list[AirNote]
    recorded: list[tuple[PlannedVisit, date]]
    times: dict[int, list[Sitting]] | None
    taken_otherwise: bool
    ahead: Ahead

    def jobs(self, visits: Iterable[PlannedVisit]) -> list[Stop]:
        """Return visits by instrument, rooms in order, with the requests on each instrument."""
        stops: dict[int, Stop] = {}
        for visit in sorted(visits, key=_walking_order):
            stop = stops.setdefault(
                visit.instrument_id, Stop(visit.instrument, requests=self._requests(visit.instrument_id))
            )
            forecast = self.forecasts.get((visit.instrument_id, visit.kind))
            sittings = tuple((self.times or {}).get(visit.pk, ()))
            stop.jobs.append(Job(visit.kind, visit.hours, visit.reason, visit.held, forecast, sittings))
        return list(stops.values())

    def stops_of(self, person: Person) -> list[Stop]:
        """Return the instruments a person is to see in the week."""
        return self.jobs(visit for visit in self.visits if visit.technician_id == person.pk)

    def recorded_of(self, person: Person) -> list[Recorded]:
        """Return a person's planned services of the week that somebody has recorded already."""
        return [
            Recorded(visit.instrument, visit.kind, day)
            for visit, day in self.recorded
            if visit.technician_id == person.pk
        ]

    def nobodys_stops(self) -> list[Stop]:
        """Return the planned visits that name nobody who gets a letter."""
        named = {person.pk for person in self.people}
        return self.jobs(visit for visit in self.visits if visit.technician_id not in named)

    def other_requests(self) -> list[Stop]:
        """Return the instruments with open requests that nobody visits in the week."""
        visited = {visit.instrument_id for visit in self.visits}
        return [
            Stop(requests[0].instrument, requests=self._requests(instrument))
            for instrument, requests in self.requests.items()
            if instrument not in visited
        ]

    def _requests(self, instrument: int) -> list[Request]:
        return [_request(one, self.site) for one in self.requests.get(instrument, ())]


def read_week(site: Site, monday: date, today: date) -> Week:
    """Read what a week's letters are made from; the number of queries does not grow with the fleet."""
    plan = planning.current_plan(site, monday)
    planned = list(
        PlannedVisit.objects.filter(plan=plan, week=monday).select_related("instrument__room") if plan else ()
    )
    times = planned_times(site, monday, planned)
    recorded = _recorded(planned, monday)
    done = {visit.pk for visit, _ in recorded}
    visits = [visit for visit in planned if visit.pk not in done]
    people = _people(site, monday, {visit.technician_id for visit in planned})
    return Week(
        site=site,
        monday=monday,
        today=today,
        plan=plan,
        people=people,
        visits=visits,
        forecasts=_forecasts(visits),
        requests=_open_requests(site),
        silences=silent_rooms(site, today),
        put_off=list(plan.put_off.select_related("instrument__room")[:MOST_PUT_OFF]) if plan else [],
        concerts=_concerts(site, monday),
        air=air_notes(site, today),
        recorded=recorded,
        times=times,
        taken_otherwise=bool(times) and layout_is_overtaken(site, monday, planned),
        ahead=read_ahead(site, monday, people),
    )


def _recorded(planned: list[PlannedVisit], monday: date) -> list[tuple[PlannedVisit, date]]:
    """Return the visits whose service is in the records of the week, with its day."""
    rows = Service.objects.answering().filter(
        instrument__in={visit.instrument_id for visit in planned},
        date__gte=monday,
        date__lt=monday + timedelta(days=7),
    )
    done = {(row.instrument_id, row.kind): row.date for row in rows.only("instrument_id", "kind", "date")}
    return [
        (visit, done[visit.instrument_id, visit.kind])
        for visit in sorted(planned, key=_walking_order)
        if (visit.instrument_id, visit.kind) in done
    ]


def _people(site: Site, monday: date, visiting: set[int | None]) -> list[Person]:
    """Return the technicians who can be written to, less those away all week without a visit."""
    people = Person.objects.filter(site=site, role=Role.TECHNICIAN).exclude(email="")
    off = free_days(site, monday, monday + timedelta(days=6))
    return [
        person
        for person in people.prefetch_related("absences")
        if person.pk in visiting or not _away(person, monday, off)
    ]


def _away(person: Person, monday: date, off: Collection[date]) -> bool:
    days = [
        day for day in (monday + timedelta(days=number) for number in person.working_days) if day not in off
    ]
    spans = [(absence.first_day, absence.last_day) for absence in person.absences.all()]
    return all(any(first <= day <= last for first, last in spans) for day in days)


def _forecasts(visits: list[PlannedVisit]) -> dict[tuple[int, str], Forecast]:
    rows = Forecast.objects.filter(instrument__in={visit.instrument_id for visit in visits})
    return {(row.instrument_id, row.kind): row for row in rows.defer("weekly", "drivers")}


def _open_requests(site: Site) -> dict[int, list[NoteRequest]]:
    rows = NoteRequest.objects.filter(
        instrument__site=site, instrument__retired_on=None, state=RequestState.OPEN
    )
    by_instrument: dict[int, list[NoteRequest]] = defaultdict(list)
    for row in rows.select_related("instrument__room").order_by(
        "instrument__room__building", "instrument__room__name", "instrument__tag", "made_at"
    ):
        by_instrument[row.instrument_id].append(row)
    return dict(by_instrument)


def _concerts(site: Site, monday: date) -> list[Booking]:
    first = datetime.combine(monday, datetime.min.time(), site.zone)
    last = datetime.combine(monday + timedelta(days=7), datetime.min.time(), site.zone)
    rows = Booking.objects.filter(site=site, performance=True, starts_at__gte=first, starts_at__lt=last)
    return list(rows.select_related("room"))


def silent_rooms(site: Site, today: date) -> list[Silence]:
    """Return the rooms with instruments whose last trusted reading is more than two days old."""
    rooms = (
        Room.objects.filter(
            site=site, pk__in=Instrument.objects.filter(site=site, retired_on=None).values("room")
        )
        .exclude(pk__in=_rooms_without_their_sensor(site, today))
        .annotate(
            trusted_until=Max("climate_days__date", filter=Q(climate_days__hours_covered__gt=0)),
            heard_until=Max("climate_days__date"),
        )
        .filter(trusted_until__lt=today - timedelta(days=SILENT_DAYS))
    )
    return [Silence(room, room.trusted_until, room.heard_until > room.trusted_until) for room in rooms]


def _rooms_without_their_sensor(site: Site, today: date) -> set[int]:
    """Return the rooms whose sensors were all taken away on purpose."""
    there: dict[int, bool] = defaultdict(bool)
    for room, last_day in site.sensors.values_list("room", "last_day"):
        there[room] |= last_day is None or last_day >= today
    return {room for room, still in there.items() if not still}


def hours_in_words(hours: float) -> str:
    """Return hours as people write them: ``1 hour``, ``9.5 hours``."""
    number = round(hours, 2)
    shown = f"{number:g}".replace(".", str(get_format("DECIMAL_SEPARATOR")))
    return ngettext("%(hours)s hour", "%(hours)s hours", 1 if number == 1 else 2) % {"hours": shown}


def day_in_words(day: date) -> str:
    """Return a day without room for a misreading: ``3 December 2026``."""
    return date_format(day, _("j F Y"))


def _walking_order(visit: PlannedVisit) -> tuple[str, str, str, int, str]:
    room = visit.instrument.room
    return room.building, room.name, visit.instrument.tag, WORK_ORDER.get(visit.kind, 9), visit.kind


def _request(row: NoteRequest, site: Site) -> Request:
    compass = compass_of(row.instrument.kind, row.instrument.compass)
    return Request(
        notes=[
            (note, [one for one in beside(note) if one not in row.notes and note_number(one) in compass])
            for note in row.notes
        ],
        symptom=row.symptom,
        words=" ".join(row.words.split()),
        made_on=site.local_date(row.made_at),
    )


def beside(note: str) -> list[str]:
    """Return the keys on both sides of a note: a slip of a semitone is the usual one."""
    number = NOTES.index(note) if note in NOTES else None
    if number is None:
        return []
    return [NOTES[n] for n in (number - 1, number + 1) if 0 <= n < len(NOTES)]
