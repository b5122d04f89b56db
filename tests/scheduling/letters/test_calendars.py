"""Calendars of planned work, read back by two libraries that share nothing: icalendar and vobject."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest
import vobject

from fleet.models import Membership, Role
from scheduling import feeds, letters, outbox
from scheduling.calendar_entries import keep_in_step
from scheduling.ics import calendar_text
from scheduling.ics_zones import zone_component
from scheduling.models import Appointment, CalendarEntry, Feed, PlannedVisit, SeasonPlan, WeekPlan
from tests import factories
from tests.factories import MONDAY, TODAY

NOW = datetime(2026, 11, 30, 9, tzinfo=UTC)
WEEK = timedelta(weeks=1)


def entries() -> dict[tuple[str, str], tuple[str, int, str]]:
    return {
        (row.summary.partition(":")[0], row.week.isoformat()): (row.uid, row.sequence, row.status)
        for row in CalendarEntry.objects.all()
    }


def by_icalendar(text: str) -> list[dict]:
    found = icalendar.Calendar.from_ical(text)
    return [
        {
            "uid": str(event["UID"]),
            "sequence": int(event["SEQUENCE"]),
            "status": str(event["STATUS"]),
            "summary": str(event["SUMMARY"]),
            "start": event.decoded("DTSTART"),
            "end": event.decoded("DTEND"),
        }
        for event in found.walk("VEVENT")
    ]


def by_vobject(text: str) -> list[dict]:
    found = vobject.readOne(text)
    return [
        {
            "uid": event.uid.value,
            "sequence": int(event.sequence.value),
            "status": event.status.value,
            "summary": event.summary.value,
            "start": event.dtstart.value,
            "end": event.dtend.value,
        }
        for event in getattr(found, "vevent_list", [])
    ]


def same(one: list[dict], other: list[dict]) -> bool:
    """Return whether two readings mean the same; instants are compared in UTC."""

    def plain(event: dict) -> dict:
        times = {
            name: event[name].astimezone(UTC) if isinstance(event[name], datetime) else event[name]
            for name in ("start", "end")
        }
        return {**event, **times}

    return [plain(event) for event in one] == [plain(event) for event in other]


def test_looking_again_changes_nothing_and_work_without_a_time_fills_its_week(school):
    assert keep_in_step(school.site, NOW) == 2
    assert keep_in_step(school.site, NOW + timedelta(hours=1)) == 0
    text = calendar_text(school.site, "Work", CalendarEntry.objects.all())
    read = by_icalendar(text)
    assert same(read, by_vobject(text))
    assert [event["summary"] for event in read] == ["U-12: tuning, 1.5 h", "U-13: tuning, 1.5 h"]
    # A day's end is the day after it: Monday to Friday.
    assert {(event["start"], event["end"]) for event in read} == {(date(2026, 11, 30), date(2026, 12, 5))}
    assert {event["status"] for event in read} == {"TENTATIVE"}


def test_work_that_moves_keeps_its_identity_and_counts_its_changes(school):
    keep_in_step(school.site, NOW)
    before = entries()
    PlannedVisit.objects.filter(pk=school.visits[0].pk).update(week=MONDAY + 2 * WEEK)
    keep_in_step(school.site, NOW + timedelta(hours=1))
    assert entries() == {
        ("U-12", "2026-12-14"): (before["U-12", "2026-11-30"][0], 1, "TENTATIVE"),
        ("U-13", "2026-11-30"): before["U-13", "2026-11-30"],
    }
    SeasonPlan.objects.update(state="approved", approved_at=NOW)
    keep_in_step(school.site, NOW + timedelta(hours=2))
    assert [row[1:] for row in entries().values()] == [(1, "CONFIRMED"), (2, "CONFIRMED")]


def test_a_plan_made_anew_with_the_same_work_changes_nothing(school):
    keep_in_step(school.site, NOW)
    before = entries()
    again = factories.make_plan(school.site, made_at=NOW)
    for visit in school.visits:
        factories.make_visit(again, visit.instrument, technician=visit.technician)
    assert keep_in_step(school.site, NOW + timedelta(hours=1)) == 0
    assert entries() == before


def test_what_leaves_the_plan_is_called_off_and_what_is_recorded_stays(school):
    keep_in_step(school.site, NOW)
    factories.make_service(school.instruments[0], MONDAY)
    PlannedVisit.objects.all().delete()
    keep_in_step(school.site, NOW + timedelta(hours=1))
    found = entries()
    assert found["U-12", "2026-11-30"][1:] == (0, "TENTATIVE")
    assert found["U-13", "2026-11-30"][1:] == (1, "CANCELLED")
    assert keep_in_step(school.site, NOW + timedelta(hours=2)) == 0


def test_what_goes_to_another_person_is_called_off_for_the_one_and_new_for_the_other(school):
    keep_in_step(school.site, NOW)
    PlannedVisit.objects.filter(pk=school.visits[0].pk).update(technician=school.people[1])
    keep_in_step(school.site, NOW + timedelta(hours=1))
    rows = CalendarEntry.objects.filter(instrument=school.instruments[0]).order_by("pk")
    assert [(row.person, row.status) for row in rows] == [
        (school.people[0], "CANCELLED"),
        (school.people[1], "TENTATIVE"),
    ]
    assert len({row.uid for row in rows}) == 2


def lay_out(school, visit, week, starts_at, technician=None) -> None:
    """Store a layout of a week that holds one visit of an hour and a half."""
    layout = WeekPlan.objects.create(
        site=school.site,
        week=week,
        number=WeekPlan.objects.filter(week=week).count() + 1,
        plan=school.plan,
        made_at=NOW,
        outcome="optimal",
        cost=0,
        bound=0,
        gap=0,
        seconds=0.1,
    )
    Appointment.objects.create(
        week_plan=layout,
        visit=visit,
        part=1,
        technician=technician or visit.technician,
        room=school.room,
        starts_at=starts_at,
        ends_at=starts_at + timedelta(minutes=90),
    )


def test_a_layout_of_the_week_gives_the_time_and_the_person(school):
    keep_in_step(school.site, NOW)
    lay_out(school, school.visits[0], MONDAY, datetime(2026, 12, 1, 8, tzinfo=UTC))
    keep_in_step(school.site, NOW + timedelta(hours=1))
    (row,) = CalendarEntry.objects.exclude(starts_at=None)
    assert (row.instrument, row.sequence, row.starts_at.hour) == (school.instruments[0], 1, 8)
    lay_out(school, school.visits[0], MONDAY, datetime(2026, 12, 1, 8, tzinfo=UTC), school.people[1])
    keep_in_step(school.site, NOW + timedelta(hours=2))
    (row,) = CalendarEntry.objects.exclude(starts_at=None).exclude(status="CANCELLED")
    assert row.person == school.people[1]


def test_times_stand_on_the_sites_wall_on_both_sides_of_a_clock_change(school):
    """Vienna is at UTC+1 in winter and at UTC+2 from 29 March 2027 on (Directive 2000/84/EC, from memory)."""
    weeks = [date(2027, 3, 22), date(2027, 3, 29)]
    for visit, week in zip(school.visits, weeks, strict=True):
        PlannedVisit.objects.filter(pk=visit.pk).update(week=week)
    instants = [datetime(2027, 3, 23, 8, tzinfo=UTC), datetime(2027, 3, 30, 7, tzinfo=UTC)]
    SeasonPlan.objects.update(weeks=20)
    for visit, week, instant in zip(school.visits, weeks, instants, strict=True):
        lay_out(school, visit, week, instant)
    keep_in_step(school.site, NOW)
    text = calendar_text(school.site, "Work", CalendarEntry.objects.order_by("week"))
    assert "BEGIN:VTIMEZONE" in text
    assert "DTSTART;TZID=Europe/Vienna:20270323T090000" in text
    assert "DTSTART;TZID=Europe/Vienna:20270330T090000" in text
    read = by_icalendar(text)
    assert same(read, by_vobject(text))
    assert [event["start"].astimezone(UTC) for event in read] == instants


@pytest.mark.parametrize(
    "zone", ["Europe/Vienna", "America/New_York", "Australia/Sydney", "Asia/Kathmandu", "Europe/Dublin"]
)
def test_a_time_zone_written_out_means_the_same_to_a_program_that_does_not_know_its_name(zone):
    """vobject reads the definition through dateutil; compared with Python's own database, hour by hour."""
    known = ZoneInfo(zone)
    component = zone_component(known, date(2026, 9, 1), date(2027, 5, 1))
    name = f"Written/{zone}"  # vobject keeps what it has read under its name
    component["TZID"] = name
    start = datetime(2026, 9, 1, tzinfo=UTC)
    calendar = icalendar.Calendar()
    calendar.add("PRODID", "a test")
    calendar.add_component(component)
    told = calendar.to_ical().decode().partition("END:VCALENDAR")[0]
    event = f"BEGIN:VEVENT\r\nUID:1\r\nDTSTART;TZID={name}:20260901T000000\r\nEND:VEVENT\r\n"
    event = vobject.readOne(f"{told}{event}END:VCALENDAR\r\n").vevent
    read = event.dtstart.value.tzinfo
    assert "Written" in str(read)
    for hour in range(0, 24 * 270):
        instant = start + timedelta(hours=hour)
        local = instant.astimezone(known)
        # dateutil and Python tell the second of two equal hours apart in ways of their own.
        if not local.fold:
            assert local.replace(tzinfo=read).utcoffset() == local.utcoffset(), local


def test_the_letter_attaches_the_week_and_afterwards_what_moved_or_was_called_off(school, post):
    factories.make_visit(
        school.plan,
        school.instruments[0],
        MONDAY + WEEK,
        kind="voicing",
        hours=3,
        technician=school.people[0],
    )
    (first, _) = letters.put_in_outbox(school.site, MONDAY, TODAY, NOW)
    outbox.send(first.pk, lambda: NOW)
    part = next(part for part in post.taken[0].iter_attachments())
    assert (part.get_content_type(), part.get_filename()) == ("text/calendar", "week-2026-W49.ics")
    assert part.get_param("method") == "PUBLISH"
    (event,) = by_icalendar(part.get_content())
    assert (event["summary"], event["sequence"], event["status"]) == ("U-12: tuning, 1.5 h", 0, "TENTATIVE")
    PlannedVisit.objects.filter(pk=school.visits[0].pk).delete()
    keep_in_step(school.site, NOW + timedelta(days=2))
    after = letters.put_in_outbox(school.site, MONDAY + WEEK, TODAY + WEEK, NOW + WEEK)
    (text,) = [letter.calendar for letter in after if letter.person == school.people[0]]
    read = {found["summary"]: found for found in by_icalendar(text)}
    assert same(list(by_icalendar(text)), by_vobject(text))
    assert (read["U-12: tuning, 1.5 h"]["uid"], read["U-12: tuning, 1.5 h"]["status"]) == (
        event["uid"],
        "CANCELLED",
    )
    assert read["U-12: voicing, 3 h"]["sequence"] == 0


# The secret address


@pytest.fixture
def house(school):
    keep_in_step(school.site, NOW)
    school.technician = factories.make_user(school.site)
    type(school.people[0]).objects.filter(pk=school.people[0].pk).update(user=school.technician)
    return school


def make_feed(client, user, person="") -> str:
    """Make an address on the page and return its path."""
    client.force_login(user)
    text = client.post("/calendars/", {"person": person}).content.decode()
    address = text.partition('<code class="secret">')[2].partition("</code>")[0]
    client.logout()
    return address.removeprefix("http://127.0.0.1:8000")


def test_a_feed_is_read_without_login_and_answers_304_until_something_moves(client, house, time_machine):
    time_machine.move_to(NOW)
    own = make_feed(client, house.technician, house.people[0].pk)
    first = client.get(own)
    assert first["Content-Type"] == "text/calendar; charset=utf-8"
    text = first.content.decode()
    assert [event["summary"] for event in by_icalendar(text)] == ["U-12: tuning, 1.5 h"]
    assert same(by_icalendar(text), by_vobject(text))
    again = client.get(own, headers={"If-None-Match": first["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    PlannedVisit.objects.filter(pk=house.visits[0].pk).update(week=MONDAY + WEEK)
    keep_in_step(house.site, NOW + timedelta(hours=1))
    moved = client.get(own, headers={"If-None-Match": first["ETag"]})
    assert moved.status_code == 200
    assert [event["sequence"] for event in by_icalendar(moved.content.decode())] == [1]
    assert client.post(own).status_code == 405
    whole = client.get(make_feed(client, house.technician)).content.decode()
    assert len(by_icalendar(whole)) == 2


def test_an_address_is_kept_as_a_trace_only_and_opens_nothing_once_renewed_or_closed(client, house):
    old = make_feed(client, house.technician)
    secret = old.split("/")[2]
    assert len(secret) == 43  # 32 bytes in base64 without padding
    assert secret not in str(Feed.objects.values())
    new = make_feed(client, house.technician)
    assert [client.get(path).status_code for path in (old, new)] == [404, 200]
    client.force_login(house.technician)
    client.post(f"/calendars/{Feed.objects.get(revoked_at=None).pk}/close/")
    assert client.get(new).status_code == 404
    assert client.get("/feeds/guessed/work.ics").status_code == 404


def test_who_left_the_site_takes_no_open_address_along(client, house):
    path = make_feed(client, house.technician)
    Membership.objects.filter(user=house.technician).delete()
    assert client.get(path).status_code == 404


def test_nobody_makes_or_closes_anothers_address(client, house):
    other = factories.make_user(house.site)
    reader = factories.make_user(house.site, Role.READER)
    stranger = factories.make_user(factories.make_site("Elsewhere"))
    feed, _ = feeds.renew(house.site, house.people[0], house.technician, NOW)
    for user, status in ((other, 404), (reader, 403), (stranger, 404)):
        client.force_login(user)
        assert client.post("/calendars/", {"person": house.people[0].pk}).status_code == status
        assert client.post(f"/calendars/{feed.pk}/close/").status_code == status
        assert "Ilse" not in client.get("/calendars/").content.decode()
    assert Feed.objects.get().revoked_at is None
