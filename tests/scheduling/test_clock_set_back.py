"""A clock that ran a year ahead and was set right: nothing waits for that year, and it is said in words."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from fleet import booking_sources
from fleet.models import BookingSource, FactChange, PublicPost, ReadingsUpload
from scheduling import changed_facts, clock_set_back, forecasting, health, outbox, running, ticking
from scheduling.asked_work import unclaimed
from scheduling.heartbeats import TICK, take_turn
from scheduling.models import DraftOrder, ForecastRun, Heartbeat, Letter, SeasonPlan
from tests import factories

YEAR = timedelta(days=365)


@pytest.fixture
def house(db):
    site = factories.make_site()
    instrument = factories.make_instrument(factories.make_room(site))
    factories.make_person(site)
    return site, instrument


@pytest.fixture
def now():
    return timezone.now()


def test_a_forecast_of_a_year_to_come_gives_way_to_one_of_today(house, now):
    site, _ = house
    ticking.tick(now + YEAR)
    forecasting.refresh(site, site.local_date(now + YEAR), now=now + YEAR)
    found = ticking.tick(now)
    assert found.sites == [site.pk]
    forecasting.refresh(site, site.local_date(now), now=now)
    assert {run.today for run in ForecastRun.objects.all()} == {site.local_date(now)}


def test_turns_leases_and_waits_of_that_year_hold_up_nothing(house, now):
    site, instrument = house
    later = now + YEAR
    ticking.tick(later)
    assert take_turn("something", later, timedelta(hours=1))
    person = site.people.get()
    letter = Letter.objects.create(
        person=person, iso_year=2026, iso_week=1, to=person.email, message_id="<a@b>", made_at=now,
        state=Letter.State.SENDING, lease="a", lease_until=later, next_try_at=later,
    )  # fmt: skip
    order = DraftOrder.objects.create(
        site=site,
        asked_at=now,
        state=DraftOrder.State.RUNNING,
        heard_at=later,
        start=factories.MONDAY,
        weeks=4,
    )
    source = booking_sources.add_source(site, "Hall", "https://hall.example/a.ics", later)
    upload = ReadingsUpload.objects.create(
        site=site, made_at=now, size=1, state="checking", lease="a", lease_until=later, stored_as="none"
    )
    FactChange.objects.create(site=site, at=later, instrument=instrument)
    PublicPost.objects.create(site=site, instrument=instrument, sender="a", at=later)
    plan = factories.make_plan(site, made_at=later)

    ticking.tick(now)

    soon = now + timedelta(minutes=10)
    outbox.release_expired(soon)
    letter.refresh_from_db()
    assert letter.state == Letter.State.UNKNOWN
    assert letter in outbox.due(soon)
    assert order.pk in unclaimed(DraftOrder, now)
    assert BookingSource.objects.get(pk=source.pk).next_fetch_at <= now
    assert ReadingsUpload.objects.get(pk=upload.pk).lease_until <= now
    assert changed_facts.sites_waiting(soon) == [site.pk]
    assert not PublicPost.objects.exists()
    assert SeasonPlan.objects.get(pk=plan.pk).made_at <= now
    assert take_turn("something", now, timedelta(hours=1))


def test_what_the_clock_did_not_reach_stays_as_it_was(house, now):
    site, _ = house
    ticking.tick(now)
    plan = factories.make_plan(site, made_at=now)
    before = list(Heartbeat.objects.values_list("name", "at"))
    assert not clock_set_back.mend(now - timedelta(minutes=4))  # clocks of two machines differ by so much
    assert list(Heartbeat.objects.values_list("name", "at")) == before
    assert SeasonPlan.objects.get(pk=plan.pk).made_at == now


def test_it_is_said_until_the_next_look_has_mended_it(house, now, settings):
    settings.BROKER_URL = "memory://"
    Heartbeat.objects.create(name=TICK, at=now + YEAR)
    assert health.check(now).document["beat"] == "ahead"
    assert not health.check(now).well
    said = {line.part: line for line in running.lines(house[0], now)}["Clock and worker"]
    assert (said.word, "set back" in said.sentence) == ("set back", True)
    ticking.tick(now)
    assert health.check(now).document["beat"] == "ok"
