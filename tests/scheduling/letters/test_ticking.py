"""When letters are due and what a tick starts.

The clock changes are those of Directive 2000/84/EC (last Sundays of March and October at 01:00 UTC) and, for
New York, of 15 U.S.C. 260a (first Sunday of November at 02:00), both from memory, unverified.
"""

from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import pytest

from scheduling import letters, tasks, ticking
from scheduling.heartbeats import take_turn
from scheduling.models import Heartbeat, Letter
from tests import factories


def instant(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.fixture
def working(db) -> SimpleNamespace:
    """A site in Vienna with a plan over the turn of the year and a visit in each of its weeks."""
    site = factories.make_site()
    instrument = factories.make_instrument(factories.make_room(site))
    person = factories.make_person(site)
    plan = factories.make_plan(site, start=date(2026, 12, 21), weeks=4)
    for week in range(4):
        factories.make_visit(plan, instrument, plan.start + timedelta(weeks=week), technician=person)
    return SimpleNamespace(site=site, person=person, instrument=instrument, plan=plan)


def test_the_last_week_of_a_long_year_and_the_first_of_the_next_are_two_letters(working):
    # ISO 8601: 2026 has 53 weeks; 1 January 2027 is a Friday of the 53rd.
    for text in ("2026-12-28T08:00", "2027-01-01T08:00", "2027-01-03T22:00", "2027-01-04T04:59"):
        ticking.tick(instant(text))
    assert list(Letter.objects.values_list("iso_year", "iso_week")) == [(2026, 53)]
    ticking.tick(instant("2027-01-04T05:00"))
    assert sorted(Letter.objects.values_list("iso_year", "iso_week")) == [(2026, 53), (2027, 1)]


def test_ticking_twice_makes_one_letter(working):
    first = ticking.tick(instant("2026-12-28T08:00"))
    second = ticking.tick(instant("2026-12-28T08:05"))
    assert len(first.letters) == Letter.objects.count() == 1
    assert second.letters == first.letters


def test_a_day_without_ticks_loses_nothing(working):
    found = ticking.tick(instant("2026-12-30T15:00"))
    assert len(found.letters) == 1


def test_one_sites_trouble_does_not_hold_up_the_letters_of_another(working, monkeypatch, caplog):
    broken = factories.make_site("A broken site")
    factories.make_person(broken)
    true = letters.put_in_outbox

    def put(site, *args):
        if site == broken:
            raise ValueError("a fact nobody expected")
        return true(site, *args)

    monkeypatch.setattr(letters, "put_in_outbox", put)
    ticking.tick(instant("2026-12-28T08:00"))
    assert Letter.objects.count() == 1
    assert "could not be made" in caplog.text


def test_a_tick_releases_the_letters_of_a_dead_sender(working):
    ticking.tick(instant("2026-12-28T08:00"))
    Letter.objects.update(state="sending", lease="dead", lease_until=instant("2026-12-28T08:02"))
    assert ticking.tick(instant("2026-12-28T08:01")).letters == []
    assert len(ticking.tick(instant("2026-12-28T08:05")).letters) == 1
    assert Letter.objects.get().state == "unknown"


def test_a_forecast_of_yesterday_is_refreshed_once_a_half_hour_at_most(working):
    now = instant("2026-12-28T08:00")
    assert ticking.tick(now).sites == [working.site.pk]
    assert ticking.tick(now + timedelta(minutes=5)).sites == []
    assert ticking.tick(now + timedelta(minutes=31)).sites == [working.site.pk]
    factories.make_run(working.site, today=date(2026, 12, 28))
    assert ticking.tick(now + timedelta(minutes=90)).sites == []
    # The site's next day begins an hour before that of UTC.
    assert ticking.tick(instant("2026-12-28T23:01")).sites == [working.site.pk]


@pytest.mark.parametrize(
    "text, quiet",
    [
        ("2026-12-28T23:59", False),
        ("2026-12-29T00:00", True),  # one o'clock in Vienna
        ("2026-12-29T02:59", True),
        ("2026-12-29T03:00", False),
        # 29 March 2026: the hour from two to three does not exist there, four is at 02:00 UTC.
        ("2026-03-29T00:30", True),
        ("2026-03-29T01:59", True),
        ("2026-03-29T02:00", False),
    ],
)
def test_forecasts_keep_off_the_hours_from_one_to_four_on_the_sites_wall(working, text, quiet):
    assert ticking.is_quiet(working.site, instant(text)) == quiet
    assert bool(ticking.sites_to_refresh(instant(text))) != quiet


def test_a_site_without_instruments_needs_no_forecast(db):
    factories.make_site()
    assert ticking.tick(instant("2026-12-28T08:00")).sites == []


def test_a_turn_is_taken_by_one_of_two(db):
    now = instant("2026-12-28T08:00")
    assert [take_turn("a job", now, timedelta(hours=1)) for _ in range(2)] == [True, False]
    assert take_turn("a job", now + timedelta(hours=1), timedelta(hours=1))


def test_the_tick_task_wakes_one_task_for_each_letter_and_site(working, monkeypatch, time_machine):
    time_machine.move_to(instant("2026-12-28T08:00"), tick=False)
    woken = []
    monkeypatch.setattr(tasks.send_letters, "delay", lambda letters: woken.append(("letters", letters)))
    monkeypatch.setattr(tasks.refresh_site, "delay", lambda site: woken.append(("site", site)))
    tasks.tick()
    assert woken == [("letters", [Letter.objects.get().pk]), ("site", working.site.pk)]
    assert Heartbeat.objects.get(name="tick").at == instant("2026-12-28T08:00")


def test_a_letter_that_failed_for_now_is_tried_again_before_the_next_tick(working, monkeypatch, settings):
    settings.EMAIL_BACKEND = "scheduling.post.ServerPost"
    settings.EMAIL_HOST, settings.EMAIL_PORT = "127.0.0.1", 1
    settings.EMAIL_HOST_USER = settings.EMAIL_HOST_PASSWORD = ""
    settings.EMAIL_USE_TLS = settings.EMAIL_USE_SSL = False
    ticking.tick(instant("2026-12-28T08:00"))
    Letter.objects.update(next_try_at=instant("2026-01-01T00:00"))
    woken = []
    monkeypatch.setattr(
        tasks.send_letter, "apply_async", lambda args, countdown: woken.append((args, countdown))
    )
    letter = Letter.objects.get()
    tasks.send_letter(letter.pk)
    ((args, countdown),) = woken
    assert args == (letter.pk,)
    assert 4 < countdown < 6  # the first wait is five seconds
    tasks.send_letter(letter.pk)  # not yet due: nothing more is started
    assert len(woken) == 1
