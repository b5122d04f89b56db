"""Bookings as a calendar: read from what other programs write, and read back by a second library."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import pytest
import vobject

from fleet.imports import export_folder
from fleet.imports.calendar import LARGEST, CalendarReader, write_calendar
from fleet.imports.findings import Findings
from fleet.models import Booking, Site
from fleet.refusal import Refused
from tests.fleet.folders import TODAY, take, write_folder

VIENNA = ZoneInfo("Europe/Vienna")
ROOMS = {"Saal", "A1"}


def calendar(*events: str) -> str:
    parts = [f"BEGIN:VEVENT\n{event}\nEND:VEVENT" for event in events]
    text = "\n".join(["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:x", *parts, "END:VCALENDAR", ""])
    return text.replace("\n", "\r\n")


def read(path: Path, *events: str, today: date = TODAY) -> list[dict]:
    (path / "bookings.ics").write_text(calendar(*events), newline="")
    findings = Findings()
    reader = CalendarReader(ROOMS, {"G1", "G,2", "U1"}, VIENNA, today)
    found = reader.read(path / "bookings.ics", findings)
    findings.check()
    return [row.record for row in found.rows]


EVENING = "UID:e\nLOCATION:Saal\n"


@pytest.mark.parametrize(
    ("times", "starts_at", "ends_at"),
    [
        ("DTSTART:20261205T183000Z\nDTEND:20261205T203000Z", "2026-12-05T18:30Z", "2026-12-05T20:30Z"),
        (
            "DTSTART;TZID=America/New_York:20261205T183000\nDURATION:PT2H30M",
            "2026-12-05T23:30Z",
            "2026-12-06T02:00Z",
        ),
        ("DTSTART:20260705T183000\nDTEND:20260705T203000", "2026-07-05T16:30Z", "2026-07-05T18:30Z"),
        ("DTSTART;VALUE=DATE:20261025", "2026-10-24T22:00Z", "2026-10-25T23:00Z"),
        (
            "DTSTART;VALUE=DATE:20260329\nDTEND;VALUE=DATE:20260331",
            "2026-03-28T23:00Z",
            "2026-03-30T22:00Z",
        ),
    ],
    ids=["UTC", "another zone", "the site's time", "a day of 25 hours", "two days, one of 23 hours"],
)
def test_times_of_every_form_become_instants(tmp_path, times, starts_at, ends_at):
    [record] = read(tmp_path, EVENING + times)
    assert record["starts_at"] == datetime.fromisoformat(starts_at)
    assert record["ends_at"] == datetime.fromisoformat(ends_at)


@pytest.mark.parametrize(
    ("lines", "performance"),
    [
        ("CATEGORIES:PERFORMANCE", True),
        ("CATEGORIES:MUSIC,performance", True),
        ("CATEGORIES:MUSIC\nCATEGORIES:PERFORMANCE", True),
        ("CATEGORIES:LESSON", False),
        ("SUMMARY:PERFORMANCE", False),
    ],
)
def test_a_concert_is_marked_by_its_category(tmp_path, lines, performance):
    [record] = read(tmp_path, EVENING + "DTSTART;VALUE=DATE:20261205\n" + lines)
    assert record["performance"] is performance


def test_instruments_and_pitch_are_read_and_left_alone_where_the_event_is_silent(tmp_path):
    day = "DTSTART;VALUE=DATE:20261205"
    [named] = read(tmp_path, f"{EVENING}{day}\nX-ALMANAC-INSTRUMENTS:U1, G\\,2\nX-ALMANAC-PITCH:442")
    assert (named["instruments"], named["pitch_hz"]) == (["G,2", "U1"], 442.0)
    [silent] = read(tmp_path, EVENING + day)
    assert "instruments" not in silent
    assert "pitch_hz" not in silent


WEEKLY = (
    "UID:w\nLOCATION:A1\nSUMMARY:Lesson\nDTSTART;TZID=Europe/Vienna:20261005T180000\n"
    "DTEND;TZID=Europe/Vienna:20261005T190000\nRRULE:FREQ=WEEKLY;COUNT=6"
)


def test_a_recurring_event_keeps_its_local_hour_over_the_clock_change(tmp_path):
    records = read(tmp_path, WEEKLY + "\nEXDATE;TZID=Europe/Vienna:20261019T180000")
    mondays = [date(2026, 10, 5) + timedelta(weeks=week) for week in (0, 1, 3, 4, 5)]
    expected = [datetime(day.year, day.month, day.day, 18, tzinfo=VIENNA) for day in mondays]
    assert [record["starts_at"] for record in records] == expected
    assert [record["occurrence"] for record in records] == [
        instant.astimezone(UTC).isoformat() for instant in expected
    ]
    assert {record["ends_at"] - record["starts_at"] for record in records} == {timedelta(hours=1)}


def test_an_occurrence_that_was_moved_keeps_its_name_and_one_called_off_is_left_out(tmp_path):
    moved = (
        "UID:w\nRECURRENCE-ID;TZID=Europe/Vienna:20261012T180000\nLOCATION:Saal\nSUMMARY:Elsewhere\n"
        "DTSTART;TZID=Europe/Vienna:20261013T200000\nDTEND;TZID=Europe/Vienna:20261013T210000"
    )
    off = moved.replace("20261012", "20261019").replace("SUMMARY:Elsewhere", "STATUS:CANCELLED")
    records = {record["occurrence"]: record for record in read(tmp_path, WEEKLY, moved, off)}
    assert len(records) == 5
    one = records["2026-10-12T16:00:00+00:00"]
    assert (one["room"], one["title"]) == ("Saal", "Elsewhere")
    assert one["starts_at"] == datetime(2026, 10, 13, 20, tzinfo=VIENNA)


def test_a_recurring_event_is_unfolded_from_a_year_ago_to_two_years_ahead(tmp_path):
    daily = WEEKLY.replace("FREQ=WEEKLY;COUNT=6", "FREQ=DAILY").replace("20261005", "20100105")
    starts = [record["starts_at"].date() for record in read(tmp_path, daily)]
    assert min(starts) == date(2025, 11, 24)
    assert max(starts) == date(2028, 11, 24)
    assert len(starts) == (max(starts) - min(starts)).days + 1


def test_an_occurrence_in_the_hour_that_the_clock_skips_lasts_as_long_as_the_others(tmp_path):
    night = WEEKLY.replace("FREQ=WEEKLY;COUNT=6", "FREQ=DAILY;COUNT=3").replace("20261005T18", "20260328T02")
    records = read(tmp_path, night.replace("20261005T19", "20260328T03"))
    assert [record["ends_at"] - record["starts_at"] for record in records] == [timedelta(hours=1)] * 3
    # RFC 5545, section 3.3.5: a time that does not occur counts the offset before the gap.
    assert records[1]["starts_at"] == datetime(2026, 3, 29, 1, tzinfo=UTC)


def test_an_occurrence_that_falls_on_another_by_the_clock_change_is_one_with_it(tmp_path):
    night = WEEKLY.replace("FREQ=WEEKLY;COUNT=6", "FREQ=DAILY;COUNT=6;BYHOUR=2,3")
    records = read(
        tmp_path, night.replace("20261005T180000", "20260328T020000").replace("20261005", "20260328")
    )
    # Two a night for three nights, of which the one at 02:00 on 29 March is the one at 03:00.
    assert len(records) == 5


def test_single_events_are_taken_from_any_year(tmp_path):
    records = read(tmp_path, EVENING + "DTSTART;VALUE=DATE:20100105")
    assert records[0]["starts_at"].year == 2010


def test_recurring_events_that_unfold_into_too_many_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("fleet.imports.calendar.MOST_OCCURRENCES", 11)
    assert len(read(tmp_path, WEEKLY)) == 6
    with pytest.raises(Refused, match="unfold into too many"):
        read(tmp_path, WEEKLY, WEEKLY.replace("UID:w", "UID:v"))


def test_too_many_series_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("fleet.imports.calendar.MOST_SERIES", 1)
    with pytest.raises(Refused, match="too many recurring events"):
        read(tmp_path, WEEKLY, WEEKLY.replace("UID:w", "UID:v"))


def test_a_file_that_is_too_large_is_refused_unread(tmp_path):
    path = tmp_path / "bookings.ics"
    with open(path, "wb") as file:
        file.truncate(LARGEST + 1)
    with pytest.raises(Refused, match="too large"):
        CalendarReader(ROOMS, set(), VIENNA, TODAY).read(path, Findings())


def test_what_is_written_is_read_by_a_second_library(tmp_path):
    record = {
        "uid": "evening@lindwald.example",
        "occurrence": "",
        "room": "Saal; the large, bright one",
        "starts_at": datetime(2026, 12, 5, 18, 30, tzinfo=UTC),
        "ends_at": datetime(2026, 12, 5, 20, 30, tzinfo=UTC),
        "title": "An evening, with a \\ and a title that is so long that its line has to be folded twice – "
        * 2,
        "performance": True,
        "instruments": ["G1", "G,2"],
        "pitch_hz": 441.5,
    }
    again = {**record, "occurrence": "2026-12-06T18:30:00+00:00", "performance": False, "instruments": []}
    write_calendar(tmp_path / "bookings.ics", [record, again])
    first, second = vobject.readOne((tmp_path / "bookings.ics").read_text()).vevent_list
    assert first.uid.value == record["uid"]
    assert first.dtstart.value == record["starts_at"]
    assert first.dtend.value == record["ends_at"]
    assert first.location.value == record["room"]
    assert first.summary.value == record["title"]
    assert first.categories.value == ["PERFORMANCE"]
    assert [one.value for one in first.contents["x-almanac-instruments"]] == ["G1", "G,2"]
    assert first.contents["x-almanac-pitch"][0].value == "441.5"
    assert second.contents["recurrence-id"][0].value == datetime(2026, 12, 6, 18, 30, tzinfo=UTC)
    assert "categories" not in second.contents


@pytest.mark.django_db
def test_bookings_stored_from_a_foreign_calendar_are_merged_by_event_and_occurrence(tmp_path):
    lesson = WEEKLY + "\nX-ALMANAC-INSTRUMENTS:U1"
    folder = write_folder(tmp_path, bookings_ics=calendar(lesson))
    assert take(folder).files["bookings.ics"].new == 6
    silent = write_folder(tmp_path, bookings_ics=calendar(WEEKLY.replace("T190000", "T193000")))
    counts = take(silent).files["bookings.ics"]
    assert (counts.new, counts.changed, counts.same) == (0, 6, 0)
    for booking in Booking.objects.all():
        assert booking.ends_at - booking.starts_at == timedelta(minutes=90)
        assert [instrument.tag for instrument in booking.instruments.all()] == ["U1"]
    renamed = calendar(lesson.replace("INSTRUMENTS:U1", "INSTRUMENTS:G1,U1").replace("T190000", "T193000"))
    assert take(write_folder(tmp_path, bookings_ics=renamed)).files["bookings.ics"].changed == 6
    assert Booking.objects.first().instruments.count() == 2


@pytest.mark.django_db
def test_every_exported_event_has_the_uid_it_came_with(tmp_path):
    take(
        write_folder(tmp_path / "in", bookings_ics=calendar(WEEKLY, EVENING + "DTSTART;VALUE=DATE:20261205"))
    )
    export_folder(Site.objects.get(), tmp_path / "out")
    events = icalendar.Calendar.from_ical((tmp_path / "out" / "bookings.ics").read_bytes()).walk("VEVENT")
    assert sorted(str(event["UID"]) for event in events) == ["e"] + ["w"] * 6


@pytest.mark.django_db
def test_events_called_off_are_counted(tmp_path):
    day = "DTSTART;VALUE=DATE:20261205"
    taken = take(write_folder(tmp_path, bookings_ics=calendar(f"{EVENING}{day}\nSTATUS:CANCELLED")))
    assert taken.cancelled_events == 1
    assert not Booking.objects.exists()
