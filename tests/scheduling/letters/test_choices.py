"""Who wants which letter and when: one a week on whatever clock, and the ways to stop them.

Clock changes are those of Directive 2000/84/EC (last Sundays of March and October at 01:00 UTC), of 15 U.S.C.
260a (second Sunday of March, first of November, at 02:00 local) and of New South Wales (first Sundays of
October and April at 02:00 standard time); all from memory, unverified.
"""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from django.test import Client

from fleet.models import Person
from fleet.refusal import Refused
from scheduling import letter_choices, letters, outbox, stop_links, ticking
from scheduling.letter_choices import Wish, choose
from scheduling.models import Letter, LetterChoice
from tests import factories
from tests.factories import MONDAY, TODAY

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)


def instant(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def wish(day=0, at=time(6), zone="Europe/Vienna", wanted=True, person=None) -> Wish:
    return Wish(person, "due_work", wanted, day, at, zone)


@pytest.mark.parametrize(
    "zone, at, starts",
    [
        ("Europe/Vienna", time(6), "2026-03-23T05:00"),  # before the clocks go forward on 29 March 2026
        ("Europe/Vienna", time(6), "2026-03-30T04:00"),
        ("Europe/Vienna", time(6), "2026-10-19T04:00"),  # before they go back on 25 October 2026
        ("Europe/Vienna", time(6), "2026-10-26T05:00"),
        ("America/New_York", time(6), "2026-03-02T11:00"),
        ("America/New_York", time(6), "2026-03-09T10:00"),  # they went forward on 8 March 2026
        ("America/New_York", time(6), "2026-10-26T10:00"),
        ("America/New_York", time(6), "2026-11-02T11:00"),  # they went back on 1 November 2026
        ("Australia/Sydney", time(6), "2026-03-29T19:00"),
        ("Australia/Sydney", time(6), "2026-04-05T20:00"),  # they went back on 5 April 2026
        ("Australia/Sydney", time(6), "2026-09-27T20:00"),
        ("Australia/Sydney", time(6), "2026-10-04T19:00"),  # they went forward on 4 October 2026
        ("Asia/Kathmandu", time(6), "2026-11-30T00:15"),
    ],
)
def test_a_letter_is_due_from_its_hour_on_the_readers_wall_on_both_sides_of_a_clock_change(zone, at, starts):
    one = wish(at=at, zone=zone)
    first = instant(starts)
    monday = first.astimezone(one.zone).date()
    assert monday not in one.weeks_due(first - timedelta(seconds=1))
    assert one.weeks_due(first) == [monday]


@pytest.mark.parametrize(
    "at, starts",
    [
        # In Vienna the clock shows no 02:30 on Sunday 29 March 2026; 03:30 comes at that moment, 01:30 UTC.
        (time(2, 30), "2026-03-29T01:30"),
        # It shows 02:30 twice on Sunday 25 October 2026; the first is 00:30 UTC.
        (time(2, 30), "2026-10-25T00:30"),
    ],
)
def test_an_hour_that_the_clock_skips_or_shows_twice_comes_once(at, starts):
    one = wish(day=-1, at=at)
    first = instant(starts)
    monday = first.date() + timedelta(days=1)
    seconds = [timedelta(minutes=number) for number in range(-240, 241, 10)]
    assert [monday in one.weeks_due(first + step) for step in seconds] == [
        step >= timedelta() for step in seconds
    ]


def test_a_letter_missed_is_made_up_for_until_the_week_ends_on_the_readers_wall():
    one = wish()
    assert one.weeks_due(instant("2026-12-03T01:30")) == [date(2026, 11, 30)]
    assert one.weeks_due(instant("2026-12-06T22:59")) == [date(2026, 11, 30)]
    assert one.weeks_due(instant("2026-12-06T23:00")) == []


def test_who_wants_it_on_friday_gets_the_coming_weeks_letter_while_this_weeks_may_still_be_missing():
    one = wish(day=-3, at=time(15))
    assert one.weeks_due(instant("2026-11-27T13:59")) == [date(2026, 11, 23)]
    assert one.weeks_due(instant("2026-11-27T14:00")) == [date(2026, 11, 23), date(2026, 11, 30)]
    assert one.weeks_due(instant("2026-11-29T23:00")) == [date(2026, 11, 30)]


def tick_through(start: str, days: float, hours: float = 1.0) -> list[tuple[int, int]]:
    """Tick over some days and return the weeks of the letters that were made."""
    now = instant(start)
    for _ in range(int(days * 24 / hours)):
        ticking.tick(now)
        now += timedelta(hours=hours)
    return sorted(Letter.objects.values_list("iso_year", "iso_week"))


@pytest.fixture
def working(db):
    """A site in Vienna with a technician who has a visit in each week over the turn of the year."""
    site = factories.make_site()
    instrument = factories.make_instrument(factories.make_room(site))
    person = factories.make_person(site)
    plan = factories.make_plan(site, start=date(2026, 12, 21), weeks=4)
    for week in range(4):
        factories.make_visit(plan, instrument, plan.start + timedelta(weeks=week), technician=person)
    return person


def test_a_reader_who_moves_to_another_zone_in_the_week_gets_one_letter_for_it(working):
    # Monday 28 December is the first day of 2026-W53; in Auckland it begins twelve hours before Vienna's.
    for zone, hour in (("Pacific/Auckland", 18), ("America/Los_Angeles", 6), ("Pacific/Auckland", 22)):
        choose(working, [wish(at=time(6), zone=zone)], NOW, "a test")
        ticking.tick(instant("2026-12-27T00:00") + timedelta(hours=hour + 12))
    made = tick_through("2026-12-28T12:00", 4, hours=6)
    assert made.count((2026, 53)) == 1
    assert made == sorted(set(made))


def test_a_beat_that_slept_for_a_day_and_two_beats_at_once_make_one_letter_a_week(working):
    ticking.tick(instant("2026-12-28T04:59"))
    for _ in range(2):
        ticking.tick(instant("2026-12-29T05:10"))
    assert list(Letter.objects.values_list("iso_year", "iso_week")) == [(2026, 53)]
    # ISO 8601: 2026 has 53 weeks, the first of 2027 begins on 4 January.
    assert tick_through("2027-01-03T20:00", 1) == [(2026, 53), (2027, 1)]


def test_who_wants_none_gets_none_and_the_command_and_the_tick_obey(school):
    ilse = school.people[0]
    letter_choices.set_wanted(ilse, "due_work", False, NOW, "a test")
    assert [draft.person for draft in letters.compose(school.site, MONDAY, TODAY)] == school.people[1:]
    ticking.tick(instant("2026-11-30T09:00"))
    assert [letter.person for letter in Letter.objects.all()] == school.people[1:]
    letter_choices.set_wanted(ilse, "due_work", True, NOW, "a test")
    ticking.tick(instant("2026-11-30T10:00"))
    assert Letter.objects.count() == 2


def test_a_choice_that_cannot_be_is_refused_and_none_of_it_is_kept(school):
    ilse = school.people[0]
    for bad in (wish(day=4), wish(zone="Middle-earth/Bree"), Wish(ilse, "hours", True, 0, time(6), "")):
        with pytest.raises(Refused):
            choose(ilse, [wish(day=1), bad], NOW, "a test")
    assert not LetterChoice.objects.exists()


# Stopping by the link in a letter (RFC 8058)


def test_every_letter_carries_the_headers_of_one_click_and_the_link_works_without_login(
    client, outbox_rows, post
):
    outbox.send(outbox_rows[0].pk, lambda: outbox_rows[0].next_try_at)
    (mail,) = post.taken
    assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
    address = str(mail["List-Unsubscribe"]).replace("\r\n", "").strip(" <>")
    assert address in mail.get_body(("plain",)).get_content()
    path = address.removeprefix("http://127.0.0.1:8000")
    assert "Stop these letters?" in client.get(path).content.decode()
    assert not LetterChoice.objects.exists()  # reading a link stops nothing
    provider = Client(enforce_csrf_checks=True)
    for _ in range(2):
        answer = provider.post(
            path, "List-Unsubscribe=One-Click", content_type="application/x-www-form-urlencoded"
        )
        assert answer.status_code == 200
    (choice,) = LetterChoice.objects.all()
    assert (choice.person, choice.kind, choice.wanted) == (outbox_rows[0].person, "due_work", False)
    assert "No more of these letters" in client.get(path).content.decode()
    client.post(path, {"again": "1"})
    choice.refresh_from_db()
    assert choice.wanted


def test_a_link_that_was_tampered_with_or_whose_person_is_gone_stops_nothing(client, school):
    token = stop_links.token(school.people[0], "due_work")
    for bad in (
        token[:-1] + ("A" if token[-1] != "A" else "B"),
        "x",
        stop_links.token(Person(pk=0), "due_work"),
    ):
        assert client.post(f"/letters/stop/{bad}/").status_code == 404
    assert not LetterChoice.objects.exists()
