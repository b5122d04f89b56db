"""A whole hand-built house for the pages: rooms with air, instruments with forecasts, a plan, wishes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from fleet.models import ClimateReading, Instrument, Role, Room, Sensor, Site
from fleet.weeks import monday_before
from scheduling.models import Forecast, ForecastRun, SeasonPlan
from tests import factories as make

ROOMS = (
    ("Elm Hall", "New Hall"),
    ("Lark Studio", "New Hall"),
    ("Room 1", "Old House"),
    ("Room 2", "Old House"),
    ("Room 3", "Old House"),
    ("Organ loft passage with a long name", "Old House"),
)
KINDS = ("grand", "upright", "upright", "grand", "harpsichord")
USES = ("concert", "teaching", "practice", "recital", "teaching")
SERVICES = (("tuning", "cents"), ("regulation", "mm"), ("voicing", "mark"))
SWING = {"tuning": 5.0, "regulation": 0.12, "voicing": 1.0}
STATES = ("out", "leaving_soon", "in_tolerance", "in_tolerance")


@dataclass(frozen=True)
class House:
    site: Site
    rooms: list[Room]
    instruments: list[Instrument]
    run: ForecastRun
    plan: SeasonPlan
    technician: Any
    administrator: Any


def make_house(
    today: date,
    instruments: int = 12,
    name: str = "Brackwater Conservatory",
    rooms: int = len(ROOMS),
    weeks: int = 18,
) -> House:
    site = make.make_site(name)
    technician = make.make_user(site)
    administrator = make.make_user(site, Role.ADMINISTRATOR)
    person = make.make_person(site, "Ida Thorn", user=technician, hours_per_week=12)
    make.make_person(site, "Rufus Pell", hours_per_week=8)
    more = [(f"Room {number}", f"House {number % 4}") for number in range(len(ROOMS), rooms)]
    halls = [make.make_room(site, room, building) for room, building in (*ROOMS, *more)]
    for number, room in enumerate(halls[: len(ROOMS) - 1]):
        _air(room, today, number)
    halls[len(ROOMS) - 1].borrows_from = halls[2]
    halls[len(ROOMS) - 1].save()
    fleet = [_instrument(halls[n % len(halls)], n) for n in range(instruments)]
    run = make.make_run(site, today)
    for number, instrument in enumerate(fleet):
        _forecasts(instrument, run, number)
        _history(instrument, today, number)
    plan = _plan(site, fleet, person, today, weeks)
    _wishes(halls[0], fleet, today)
    return House(site, halls, fleet, run, plan, technician, administrator)


def _air(room: Room, today: date, number: int) -> None:
    """Fifteen months of days and the last hours; one room falls silent, one has gaps and doubts."""
    start = today - timedelta(days=460)
    silent, holed = number == 3, number == 2
    days = 441 if holed else 461 - (9 if silent else 0)
    make.make_climate(room, start, days, make.seasons(0.44, 0.05 + 0.02 * number))
    Sensor.objects.create(site=room.site, name=f"S{number}", room=room, first_day=start)
    if holed:
        make.make_climate(room, today - timedelta(days=8), 9, make.seasons(0.44, 0.1))
        room.climate_days.filter(date=today - timedelta(days=3)).update(doubtful=6)
    last = datetime.combine(today - timedelta(days=9 if silent else 0), time(0), UTC)
    ClimateReading.objects.bulk_create(
        ClimateReading(room=room, time=last - timedelta(hours=h), temp_c=20.6, rh=0.31 + 0.01 * number)
        for h in range(6)
    )


def _instrument(room: Room, number: int) -> Instrument:
    kind = KINDS[number % len(KINDS)]
    return make.make_instrument(
        room,
        f"{kind[0].upper()}-{number + 1:02d}",
        kind,
        use_class=USES[number % len(USES)],
        year_built=1902 + number * 11 % 122,
        maker="Hallorn & Vest",
        model="No. 4",
        hours_played_per_week=12.5,
    )


def _forecasts(instrument: Instrument, run: ForecastRun, number: int) -> None:
    for place, (kind, unit) in enumerate(SERVICES):
        state = STATES[(number + place) % len(STATES)]
        early = run.today + timedelta(days=0 if state == "out" else 6 + 9 * ((number * 7 + place * 5) % 13))
        make.make_forecast(
            instrument,
            kind,
            run,
            unit=unit,
            state=state,
            out_now=0.83 if state == "out" else 0.04,
            due_early=early,
            due_middle=_later(state, early, 25, number % 6 == 5),
            due_late=_later(state, early, 70, number % 4 == 3 or number % 6 == 5),
            weekly=_weekly(run.today, SWING[kind], number),
            learned_from=number % 5 * 3,
            mostly_prior=number % 5 < 2,
            drivers=[
                {
                    "name": "season",
                    "share": 0.58,
                    "words": "the season: the room falls to 28 % when heating starts",
                },
                {"name": "use", "share": 0.24, "words": "12 hours of playing a week"},
                {"name": "unknown", "share": 0.18, "words": "what the records do not explain"},
            ],
        )


def _later(state: str, early: date, days: int, beyond: bool) -> date | None:
    """A later quantile: today where it is out already, None where it lies beyond the year."""
    if state == "out":
        return early + timedelta(days=0 if days < 50 else 9)
    return None if beyond else early + timedelta(days=days)


def _weekly(today: date, swing: float, number: int) -> list[list[Any]]:
    first = today + timedelta(days=-today.weekday() % 7)
    rows = []
    for week in range(52):
        mean = -swing * math.sin(2 * math.pi * (week + number) / 52) - 0.01 * week * swing
        sd = 0.15 * swing + 0.06 * swing * math.sqrt(week)
        rows.append([(first + timedelta(weeks=week)).isoformat(), min(0.05 + week / 60, 1.0), mean, sd])
    return rows


def _history(instrument: Instrument, today: date, number: int) -> None:
    for visit in range(4):
        day = today - timedelta(days=40 + 85 * visit + number)
        found = round(-3.5 + 2.1 * visit - 0.3 * (number % 4), 1)
        make.make_service(
            instrument, day, found=found, left=0.2, minutes=85, technician="Ida Thorn", note="treble sharp"
        )
    make.make_service(
        instrument, today - timedelta(days=200), "regulation", found=0.12, left=0.02, minutes=340
    )


def _plan(site: Site, fleet: list[Instrument], person: Any, today: date, weeks: int) -> SeasonPlan:
    start = monday_before(today)
    plan = make.make_plan(
        site,
        start,
        weeks,
        outcome="feasible",
        cost=1210.4,
        bound=1206.1,
        gap=0.0036,
        calendar_cost=1711.0,
        hours_offered=[20.0] * 6 + [8.0, 0.0] + [20.0] * (weeks - 8),
        hours_used=[18.5 - week % 4 for week in range(6)]
        + [7.5, 0.0]
        + [19.5 - week % 3 for week in range(weeks - 8)],
        hour_worth=[round(9.3 - 0.4 * week, 2) for week in range(weeks)],
    )
    for number, instrument in enumerate(fleet):
        for repeat in range(2):
            week = start + timedelta(weeks=(number * 5 + repeat * 8) % weeks)
            make.make_visit(
                plan,
                instrument,
                week,
                technician=person,
                held=number % 7 == 3,
                reason="predicted out by 12 December; the room falls to 28 % when heating starts",
            )
        if number % 3 == 0:
            make.make_visit(
                plan,
                instrument,
                start + timedelta(weeks=number // 36 % weeks),
                kind="voicing",
                hours=3,
                technician=person,
                reason="uneven since autumn",
            )
        if number % 2:
            make.make_put_off(
                plan, instrument, kind="regulation", expected_days_out=12.0 + number, cost=30.0 - number
            )
    return plan


def _wishes(hall: Room, fleet: list[Instrument], today: date) -> None:
    for week in range(-8, 14, 2):
        evening = datetime.combine(monday_before(today) + timedelta(weeks=week, days=4), time(18, 30), UTC)
        make.make_booking(hall, evening, performance=True, title="Evening of quartets")
    for number, instrument in enumerate(fleet[: max(2, len(fleet) // 4)]):
        make.make_request(
            instrument,
            ("D#3", "F6")[: 1 + number % 2],
            symptom="a buzz after the attack",
            words="only when it is played softly",
            made_by="a student",
            made_at=datetime.combine(today - timedelta(days=number + 1), time(9), UTC),
        )
    assert Forecast.objects.count()
