"""Plain functions that put small hand-built sites into the database; every figure can be said by the test."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any

from django.contrib.auth import get_user_model
from django.contrib.auth.hashers import make_password
from django.db import connection

from fleet import sites
from fleet.models import (
    Absence,
    Booking,
    ClimateDay,
    HeldVisit,
    Instrument,
    Membership,
    NoteRequest,
    Person,
    Placement,
    Role,
    Room,
    Service,
    ServiceRule,
    Site,
    Term,
)
from scheduling.models import Forecast, ForecastRun, ForecastState, PlannedVisit, PutOff, SeasonPlan

TODAY = date(2026, 11, 25)
MONDAY = date(2026, 11, 30)
Air = Callable[[date], tuple[float, float]]

_numbers = itertools.count(1)


def steady(temp_c: float = 21.0, rh: float = 0.45) -> Air:
    """Air that never changes."""
    return lambda day: (temp_c, rh)


def seasons(mean: float = 0.45, swing: float = 0.12, temp_c: float = 21.0) -> Air:
    """Air that is driest late in January and dampest late in July, as in a heated house."""

    def air(day: date) -> tuple[float, float]:
        phase = 2 * math.pi * (day.timetuple().tm_yday - 25) / 365.25
        return temp_c, mean - swing * math.cos(phase)

    return air


def make_site(name: str = "", time_zone: str = "Europe/Vienna", **fields: Any) -> Site:
    return sites.create_site(name or f"School {next(_numbers)}", time_zone, **fields)


@cache
def _hashed() -> str:
    """The one password of all users here, hashed once: hashing is slow by intent."""
    return make_password("a long word")


def make_user(site: Site | None = None, role: str = Role.TECHNICIAN, username: str = "") -> Any:
    user = get_user_model().objects.create(username=username or f"user{next(_numbers)}", password=_hashed())
    if site is not None:
        Membership.objects.create(user=user, site=site, role=role)
    return user


def make_room(site: Site, name: str = "", building: str = "Old House", **fields: Any) -> Room:
    return Room.objects.create(site=site, name=name or f"Room {next(_numbers)}", building=building, **fields)


def make_climate(room: Room, start: date, days: int, air: Air | None = None, hours_covered: int = 24) -> None:
    """Store whole days of air from a first day on; in plain SQL, since every house of the tests has years."""
    air = air or seasons()
    covered = (hours_covered, 0, hours_covered)
    rows = []
    for number in range(days):
        day = start + timedelta(days=number)
        temp_c, rh = air(day)
        temps = (temp_c, temp_c - 1, temp_c + 1)
        rows.append((room.pk, day, *covered, *temps, rh, max(rh - 0.03, 0.0), min(rh + 0.03, 1.0)))
    names = "room_id, date, readings, doubtful, hours_covered"
    names += ", temp_c_mean, temp_c_min, temp_c_max, rh_mean, rh_min, rh_max"
    places = ", ".join(["%s"] * 11)
    with connection.cursor() as cursor:
        cursor.executemany(f"INSERT INTO {ClimateDay._meta.db_table} ({names}) VALUES ({places})", rows)


def make_instrument(room: Room, tag: str = "", kind: str = "upright", **fields: Any) -> Instrument:
    values: dict[str, Any] = {
        "use_class": "teaching",
        "year_built": 1998,
        "in_service_since": date(1999, 9, 1),
    }
    return Instrument.objects.create(
        site=room.site, room=room, tag=tag or f"U-{next(_numbers)}", kind=kind, **{**values, **fields}
    )


def make_placement(
    instrument: Instrument, room: Room, first_day: date, last_day: date | None = None
) -> Placement:
    return Placement.objects.create(instrument=instrument, room=room, first_day=first_day, last_day=last_day)


def make_service(instrument: Instrument, day: date, kind: str = "tuning", **fields: Any) -> Service:
    return Service.objects.create(instrument=instrument, date=day, kind=kind, **fields)


def make_person(
    site: Site,
    name: str = "",
    hours_per_week: float | None = 10.0,
    role: str = Role.TECHNICIAN,
    **fields: Any,
) -> Person:
    number = next(_numbers)
    return Person.objects.create(
        site=site,
        name=name or f"Person {number}",
        email=fields.pop("email", f"person{number}@example.org"),
        role=role,
        hours_per_week=hours_per_week,
        **fields,
    )


def make_absence(person: Person, first_day: date, last_day: date) -> Absence:
    return Absence.objects.create(person=person, first_day=first_day, last_day=last_day)


def make_term(site: Site, first_day: date, last_day: date, name: str = "", **factors: float) -> Term:
    return Term.objects.create(
        site=site, name=name or f"Term {next(_numbers)}", first_day=first_day, last_day=last_day, **factors
    )


def make_booking(
    room: Room, starts_at: datetime, hours: float = 2.0, instruments: Iterable[Instrument] = (), **fields: Any
) -> Booking:
    booking = Booking.objects.create(
        site=room.site,
        room=room,
        uid=f"booking-{next(_numbers)}",
        starts_at=starts_at,
        ends_at=starts_at + timedelta(hours=hours),
        **fields,
    )
    booking.instruments.set(instruments)
    return booking


def make_held(instrument: Instrument, week: date, kind: str = "tuning") -> HeldVisit:
    return HeldVisit.objects.create(instrument=instrument, kind=kind, week=week)


def make_request(instrument: Instrument, notes: Iterable[str] = ("C4",), **fields: Any) -> NoteRequest:
    values: dict[str, Any] = {"symptom": "buzzes", "made_at": datetime(2026, 11, 24, 9, tzinfo=UTC)}
    return NoteRequest.objects.create(instrument=instrument, notes=list(notes), **{**values, **fields})


def make_run(site: Site, today: date = TODAY, **fields: Any) -> ForecastRun:
    values: dict[str, Any] = {
        "made_at": datetime.combine(today, datetime.min.time(), UTC),
        "horizon_days": 365,
        "input_hash": f"hand-made {next(_numbers)}",
        "seed": 1,
        "code_version": "hand-made",
    }
    return ForecastRun.objects.create(site=site, today=today, **{**values, **fields})


def make_forecast(
    instrument: Instrument, kind: str = "tuning", run: ForecastRun | None = None, **fields: Any
) -> Forecast:
    """Store a forecast by hand, in tolerance and due in a month unless said otherwise."""
    run = run or make_run(instrument.site)
    rule = ServiceRule.objects.get(
        service_kind__site=instrument.site, service_kind__kind=kind, use_class=instrument.use_class
    )
    first = run.today + timedelta(days=-run.today.weekday() % 7)
    values: dict[str, Any] = {
        "unit": "cents",
        "tolerance": rule.tolerance,
        "last_service": run.today - timedelta(days=40),
        "state": ForecastState.IN_TOLERANCE,
        "out_now": 0.1,
        "due_early": run.today + timedelta(days=10),
        "due_middle": run.today + timedelta(days=30),
        "due_late": run.today + timedelta(days=70),
        "weekly": [
            [(first + timedelta(weeks=w)).isoformat(), min(0.1 + 0.02 * w, 1.0), -0.1 * w, 1 + 0.05 * w]
            for w in range(52)
        ],
        "drivers": [
            {"name": "season", "share": 0.7, "words": "the season's humidity"},
            {"name": "unknown", "share": 0.3, "words": "what nobody knows"},
        ],
    }
    return Forecast.objects.create(run=run, instrument=instrument, kind=kind, **{**values, **fields})


def make_plan(site: Site, start: date = MONDAY, weeks: int = 18, **fields: Any) -> SeasonPlan:
    """Store a season plan by hand, a draft without visits unless said otherwise."""
    values: dict[str, Any] = {
        "made_at": datetime.combine(start - timedelta(days=3), datetime.min.time(), UTC),
        "outcome": "optimal",
        "cost": 100.0,
        "bound": 100.0,
        "gap": 0.0,
        "seconds": 0.5,
        "hours_offered": [10.0] * weeks,
        "hours_used": [0.0] * weeks,
        "hour_worth": [1.0] * weeks,
        "calendar_cost": 140.0,
    }
    return SeasonPlan.objects.create(site=site, start=start, weeks=weeks, **{**values, **fields})


def make_visit(
    plan: SeasonPlan, instrument: Instrument, week: date | None = None, **fields: Any
) -> PlannedVisit:
    values: dict[str, Any] = {"kind": "tuning", "hours": 1.5, "reason": "predicted out by 12 December"}
    return PlannedVisit.objects.create(
        plan=plan, instrument=instrument, week=week or plan.start, **{**values, **fields}
    )


def make_put_off(plan: SeasonPlan, instrument: Instrument, **fields: Any) -> PutOff:
    values: dict[str, Any] = {
        "kind": "voicing",
        "reason": "its hours are worth more elsewhere",
        "expected_days_out": 20.0,
        "cost": 10.0,
    }
    return PutOff.objects.create(plan=plan, instrument=instrument, **{**values, **fields})
