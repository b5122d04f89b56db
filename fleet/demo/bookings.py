"""The calendar of the invented conservatory: concerts and lessons of the coming four months."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event

from fleet.demo.concerts import DAYS_AHEAD, Concert
from fleet.demo.fleet import InventedFleet
from fleet.demo.house import TIME_ZONE, RoomPlan
from fleet.demo.people import MAIL_DOMAIN
from fleet.demo.year import TermPart, terms_between

CONCERT_BEGINS, CONCERT_LASTS = time(19, 30), timedelta(hours=2, minutes=15)
LESSONS = ("Keyboard class", "Chamber class", "Accompaniment", "Score reading")
LESSON_HOURS = (9, 11, 14, 16)
LESSON_LASTS = timedelta(hours=2)
LESSONS_A_WEEK = 2
AUDITION_DAYS, AUDITION_HOURS = 5, (8, 18)


def calendar_file(fleet: InventedFleet) -> bytes:
    """Return the calendar as RFC 5545 text; the same fleet gives the same bytes."""
    calendar = Calendar()
    calendar.add("prodid", "-//Halvermoor//room bookings//EN")
    calendar.add("version", "2.0")
    for number, event in enumerate(events(fleet)):
        event.add("uid", f"booking-{number + 1}@{MAIL_DOMAIN}")
        event.add("dtstamp", datetime.combine(fleet.line.today, time(6), UTC))
        calendar.add_component(event)
    calendar.add_missing_timezones(
        first_date=fleet.line.today - timedelta(days=366), last_date=fleet.line.today + timedelta(days=366)
    )
    return bytes(calendar.to_ical())


def events(fleet: InventedFleet) -> Iterator[Event]:
    """Give all bookings: concerts, weekly lessons term by term, a week of auditions."""
    for concert in fleet.concerts:
        if concert.day > fleet.line.today:
            yield concert_event(fleet, concert)
    first, last = fleet.line.today + timedelta(days=1), fleet.line.today + timedelta(days=DAYS_AHEAD)
    terms = [part for part in terms_between(first, last) if part.teaching]
    studios = [room for room in fleet.rooms if room.use_class == "teaching"]
    for part in terms:
        for number, room in enumerate(studios):
            for turn in range(LESSONS_A_WEEK):
                yield from lesson(part, room, 2 * number + turn, max(part.first, first), min(part.last, last))
    if studios and terms:
        yield auditions(studios[-1], max(terms[-1].first, first))


def concert_event(fleet: InventedFleet, concert: Concert) -> Event:
    """Return a concert with the instruments and the pitch it wants."""
    event = timed(fleet.rooms[concert.room], concert.title, concert.day, CONCERT_BEGINS, CONCERT_LASTS)
    event.add("categories", ["PERFORMANCE"])
    for tag in concert.tags:
        event.add("x-almanac-instruments", tag)
    if concert.pitch_hz:
        event.add("x-almanac-pitch", f"{concert.pitch_hz:g}")
    return event


def lesson(part: TermPart, room: RoomPlan, number: int, first: date, last: date) -> Iterator[Event]:
    """Give a weekly lesson of a room within a term, if the term still has its weekday."""
    weekday = number * 2 % 5
    day = first + timedelta(days=(weekday - first.weekday()) % 7)
    if day > last:
        return
    hour = LESSON_HOURS[number % len(LESSON_HOURS)]
    event = timed(room, LESSONS[number % len(LESSONS)], day, time(hour), LESSON_LASTS)
    event.add("rrule", {"freq": "weekly", "until": datetime.combine(last, time(22), UTC)})
    yield event


def auditions(room: RoomPlan, first: date) -> Event:
    """Return a week from Monday in which a room is in use all day."""
    monday = first + timedelta(days=14 - first.weekday())
    begins, ends = AUDITION_HOURS
    event = timed(room, "Auditions", monday, time(begins), timedelta(hours=ends - begins))
    event.add("rrule", {"freq": "daily", "count": AUDITION_DAYS})
    return event


def timed(room: RoomPlan, title: str, day: date, begins: time, lasts: timedelta) -> Event:
    """Return a booking of a room at a local time."""
    start = datetime.combine(day, begins, ZoneInfo(TIME_ZONE))
    event = Event()
    event.add("summary", title)
    event.add("location", room.name)
    event.add("dtstart", start)
    event.add("dtend", start + lasts)
    return event
