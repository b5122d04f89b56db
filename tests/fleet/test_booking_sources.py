"""Bookings from calendars: shown before they are taken, fetched by the worker, hostile ones kept out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import booking_sources
from fleet.booking_sources import add_source, fetch_source
from fleet.imports.calendar_text import Limits, events_of
from fleet.models import Booking, BookingSource, CalendarReading, FactChange, Role
from fleet.refusal import Refused
from tests import calendar_server, factories
from tests.calendar_server import Answers, body

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
SAAL = "DTSTART;TZID=Europe/Vienna:20261203T193000\nDTEND;TZID=Europe/Vienna:20261203T213000\nLOCATION:Saal"
CONCERT = f"UID:c1\nSUMMARY:Quartets\nCATEGORIES:PERFORMANCE\n{SAAL}"
LESSONS = (
    "UID:w\nSUMMARY:Lesson\nLOCATION:Saal\nDTSTART;TZID=Europe/Vienna:20261130T100000\n"
    "DTEND;TZID=Europe/Vienna:20261130T110000\nRRULE:FREQ=WEEKLY;COUNT=4\n"
    "EXDATE;TZID=Europe/Vienna:20261207T100000"
)
ELSEWHERE = CONCERT.replace("UID:c1", "UID:e1").replace("Saal", "Turnhalle")


def ics(*events: str, zone: str = "") -> bytes:
    parts = [f"BEGIN:VEVENT\n{event}\nEND:VEVENT" for event in events]
    text = "\n".join(["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:x", *filter(None, [zone]), *parts])
    return f"{text}\nEND:VCALENDAR\n".replace("\n", "\r\n").encode()


@pytest.fixture
def site(db):
    site = factories.make_site()
    factories.make_room(site, "Saal")
    return site


@pytest.fixture
def files(site):
    return add_source(site, "Hall", "", NOW)


def take(source, raw: bytes, now=NOW) -> CalendarReading:
    return booking_sources.take_shown(booking_sources.show(source, raw, now, "ida"), now)


def counts(reading: CalendarReading) -> tuple[int, int, int, int]:
    return reading.new, reading.changed, reading.gone, reading.same


def test_a_file_is_shown_with_what_it_changes_and_nothing_is_stored_until_it_is_taken(files):
    shown = booking_sources.show(files, ics(CONCERT, LESSONS, ELSEWHERE), NOW, "ida")
    # The concert, and the lessons of four Mondays without the one that was left out.
    assert counts(shown) == (4, 0, 0, 0)
    assert shown.details["elsewhere"] == {"Turnhalle": 1}
    assert not Booking.objects.exists()
    taken = booking_sources.take_shown(shown, NOW)
    assert (taken.state, bytes(taken.raw)) == ("taken", b"")
    starts = [booking.starts_at for booking in Booking.objects.all()]
    # Ten o'clock in Vienna is nine UTC in winter.
    assert starts == [
        datetime(2026, 11, 30, 9, tzinfo=UTC),
        datetime(2026, 12, 3, 18, 30, tzinfo=UTC),
        datetime(2026, 12, 14, 9, tzinfo=UTC),
        datetime(2026, 12, 21, 9, tzinfo=UTC),
    ]
    assert FactChange.objects.filter(room__name="Saal").exists()
    with pytest.raises(Refused, match="taken already"):
        booking_sources.take_shown(shown, NOW)


def test_changes_are_told_before_and_after_and_what_is_gone_goes_unless_it_is_past(files):
    take(files, ics(CONCERT, LESSONS))
    later = NOW + timedelta(days=6)  # the first lesson is past by then
    moved = CONCERT.replace("T193000", "T200000").replace("T213000", "T220000")
    reading = take(files, ics(moved), later)
    assert counts(reading) == (0, 1, 2, 0)
    (change,) = reading.details["changed"]
    assert (change["before"]["times"], change["after"]["times"]) == ("19:30–21:30", "20:00–22:00")
    assert [gone["day"] for gone in reading.details["gone"]] == ["2026-12-14", "2026-12-21"]
    assert Booking.objects.count() == 2
    assert counts(take(files, ics(moved), later)) == (0, 0, 0, 1)


def test_a_calendar_takes_away_only_what_it_brought(files, site):
    hall = site.rooms.get()
    own = factories.make_booking(hall, datetime(2026, 12, 10, 9, tzinfo=UTC))
    other = add_source(site, "Other", "", NOW)
    take(files, ics(CONCERT))
    take(other, ics(LESSONS))
    assert counts(take(other, ics())) == (0, 0, 3, 0)
    assert set(Booking.objects.values_list("uid", flat=True)) == {own.uid, "c1"}


def test_all_of_a_file_is_refused_with_its_lines_where_one_event_is_wrong(files):
    broken = CONCERT.replace("UID:c1\n", "").replace("DTEND", "DTSTAMP")
    with pytest.raises(Refused, match="line 4.*no UID"):
        booking_sources.show(files, ics(broken, LESSONS), NOW, "ida")
    assert not CalendarReading.objects.exists()


# Hostile calendars within small limits; tests/benchmarks/hostile_calendars.py does it in full.
ENDLESS = ("FREQ=SECONDLY", "FREQ=DAILY;BYHOUR=" + ",".join(map(str, range(24))) + ";BYMINUTE=0,30")
BAD_ZONE = (
    "BEGIN:VTIMEZONE\nTZID:Nowhere\nBEGIN:STANDARD\nDTSTART:16010101T000000\nTZOFFSETFROM:+0100\n"
    "TZOFFSETTO:+0100\nRRULE:FREQ=SECONDLY\nEND:STANDARD\nEND:VTIMEZONE"
)
IN_NOWHERE = CONCERT.replace("Europe/Vienna", "Nowhere")


@pytest.mark.parametrize(
    "raw, words",
    [
        *((ics(f"{CONCERT}\nRRULE:{rule}"), "too fine a rule") for rule in ENDLESS),
        (ics(IN_NOWHERE, zone=BAD_ZONE), "time zone that cannot be followed"),
        (
            ics(IN_NOWHERE, zone=BAD_ZONE.replace("FREQ=SECONDLY", "FREQ=NEVER")),
            "RFC 5545|cannot be followed",
        ),
        (ics(IN_NOWHERE, zone=BAD_ZONE.replace("TZOFFSETTO:+0100\n", "")), "RFC 5545|unknown time zone"),
        (ics(IN_NOWHERE), "unknown time zone"),
        (
            b"BEGIN:VCALENDAR\r\n" + b"BEGIN:VEVENT\r\nEND:VEVENT\r\n" * 30 + b"END:VCALENDAR\r\n",
            "too many events",
        ),
        (ics(CONCERT + "\nX-A:" + "a" * 3_000), "too long"),
        (ics(CONCERT + "\nX-A:" + "\n ".join("a" * 60 for _ in range(50))), "too long"),
        (ics(CONCERT + "\nX-A:1" * 300), "too many lines"),
        (b"BEGIN:VCALENDAR\r\n" * 40, "too many events"),
        (b"x" * 9_000, "too large"),
        (b"\xff\xfe\x00", "not UTF-8"),
        (b"", "empty"),
        (b"<html>Sign in</html>", "not a calendar"),
    ],
)
def test_a_hostile_calendar_is_refused_with_a_reason_and_leaves_everything_as_it_was(
    files, monkeypatch, raw, words
):
    limits = Limits(size=8_000, components=30, lines=300, line_length=2_500)
    monkeypatch.setattr(booking_sources, "LIMITS", limits)
    with pytest.raises(Refused, match=words):
        booking_sources.show(files, raw, NOW, "ida")
    assert not Booking.objects.exists()
    assert counts(take(files, ics(CONCERT))) == (1, 0, 0, 0)


def test_a_zone_that_one_calendar_defines_means_nothing_in_the_next(files):
    zone = BAD_ZONE.replace("RRULE:FREQ=SECONDLY\n", "").replace("+0100", "+0500")
    (event,) = events_of(ics(IN_NOWHERE, zone=zone), Limits())
    assert event.component.start.utcoffset() == timedelta(hours=5)
    with pytest.raises(Refused, match="unknown time zone"):
        booking_sources.show(files, ics(IN_NOWHERE), NOW, "ida")


# From an address


@pytest.fixture
def answers():
    return Answers()


@pytest.fixture
def source(site, answers, settings):
    settings.CALENDARS_FROM_PRIVATE_NETWORKS = True
    with calendar_server.running(answers) as port:
        yield add_source(site, "Hall", f"http://localhost:{port}/hall.ics", NOW)


def test_an_address_is_read_when_it_is_due_and_only_what_changed_is_noted(source, answers):
    answers.by_path["/hall.ics"] = body(ics(CONCERT), ETag='"1"')
    assert booking_sources.due_sources(NOW) == [source.pk]
    assert fetch_source(source.pk, NOW)
    assert not fetch_source(source.pk, NOW)  # a second worker comes too late
    assert booking_sources.due_sources(NOW + timedelta(minutes=59)) == []
    hour = NOW + timedelta(hours=1)
    assert fetch_source(source.pk, hour)  # 304: nothing to take
    source.refresh_from_db()
    assert (source.taken_at, source.trouble, source.etag) == (hour, "", '"1"')
    assert answers.asked[1][1]["If-None-Match"] == '"1"'
    assert [counts(reading) for reading in CalendarReading.objects.all()] == [(1, 0, 0, 0)]
    assert Booking.objects.get().source == source


def test_trouble_is_told_and_waited_for_longer_each_time_and_the_bookings_stay(source, answers):
    answers.by_path["/hall.ics"] = body(ics(CONCERT))
    fetch_source(source.pk, NOW)
    answers.by_path["/hall.ics"] = body(b"<html>Sign in</html>")
    waits, now = [], NOW + timedelta(hours=1)
    for _ in range(6):
        assert fetch_source(source.pk, now)
        source.refresh_from_db()
        waits.append((source.next_fetch_at - now) / timedelta(hours=1))
        now = source.next_fetch_at
    assert waits == [1, 2, 4, 8, 16, 24]
    assert "not a calendar" in source.trouble
    assert Booking.objects.count() == 1
    answers.by_path["/hall.ics"] = body(ics())
    fetch_source(source.pk, now)
    source.refresh_from_db()
    assert (source.trouble, source.failures) == ("", 0)


def test_a_private_address_is_told_as_trouble_where_the_installation_does_not_allow_it(source, settings):
    settings.CALENDARS_FROM_PRIVATE_NETWORKS = False
    fetch_source(source.pk, NOW)
    source.refresh_from_db()
    assert "private network" in source.trouble


# The pages


@pytest.fixture
def technician(site):
    return factories.make_user(site)


def test_a_file_is_brought_looked_at_and_taken_on_the_pages(client, site, technician):
    client.force_login(technician)
    file = SimpleUploadedFile("hall.ics", ics(CONCERT, ELSEWHERE))
    shown = client.post("/bookings/", {"name": "Hall", "file": file}, follow=True)
    page = shown.request["PATH_INFO"]
    text = shown.content.decode()
    for words in (
        "Nothing is stored yet",
        "1 new, 0 changed, 0 gone",
        "Quartets",
        "(concert)",
        "Turnhalle: 1",
    ):
        assert words in text
    taken = client.post(page, {}, follow=True).content.decode()
    assert "Taken on" in taken
    assert Booking.objects.get().title == "Quartets"
    refused = client.post("/bookings/", {"name": "Hall", "file": SimpleUploadedFile("a.ics", b"nonsense")})
    assert refused.status_code == 400
    assert "not a calendar" in refused.content.decode()
    left = client.post(
        "/bookings/", {"name": "Hall", "file": SimpleUploadedFile("b.ics", ics())}, follow=True
    )
    client.post(left.request["PATH_INFO"], {"leave": "1"})
    assert Booking.objects.count() == 1
    assert {reading.state for reading in CalendarReading.objects.all()} == {"taken", "left"}


def test_an_address_is_added_read_now_and_removed_on_the_page(client, site, technician, monkeypatch):
    woken = []
    monkeypatch.setattr("fleet.tasks.fetch_bookings.delay", woken.append)
    client.force_login(technician)
    assert client.post("/bookings/", {"name": "X", "address": "ftp://hall.example"}).status_code == 400
    assert client.post("/bookings/", {"name": "X", "address": ""}).status_code == 400
    assert (
        client.post("/bookings/", {"name": "X", "address": "https://hall.example/a.ics"}).status_code == 302
    )
    (source,) = BookingSource.objects.all()
    client.post(f"/bookings/from/{source.pk}/")
    assert "hall.example/a.ics" in client.get("/bookings/").content.decode()
    client.post(f"/bookings/from/{source.pk}/", {"remove": "1"})
    assert not BookingSource.objects.exists()


def test_readers_change_nothing_and_strangers_find_nothing(client, site, files):
    reading = booking_sources.show(files, ics(CONCERT), NOW, "ida")
    page = f"/bookings/{reading.pk}/"
    for user, post, get in (
        (factories.make_user(site, Role.READER), 403, 200),
        (factories.make_user(factories.make_site("Elsewhere")), 404, 404),
    ):
        client.force_login(user)
        assert client.get(page).status_code == get
        assert client.post(page).status_code == post
        assert client.post(f"/bookings/from/{files.pk}/", {"remove": "1"}).status_code == post
        assert ("Hall" in client.get("/bookings/").content.decode()) == (get == 200)
    assert BookingSource.objects.exists()


def test_the_page_asks_as_often_for_many_calendars_as_for_one(client, site, files, technician):
    client.force_login(technician)

    def queries():
        with CaptureQueriesContext(connection) as seen:
            assert client.get("/bookings/").status_code == 200
        return len(seen)

    few = queries()
    for number in range(9):
        booking_sources.show(add_source(site, f"Hall {number}", "", NOW), ics(CONCERT), NOW, "ida")
    assert queries() == few
