"""Changed facts reach the forecasts they concern, at once or with the next tick, and no others."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet import intake
from fleet.local_time import HOUR, micros
from fleet.models import FactChange
from fleet.refusal import Refused
from fleet.signals import tell_facts_changed
from scheduling import changed_facts, forecasting, tasks, ticking
from scheduling.inputs import changes_reaching, instruments_touched
from scheduling.models import Forecast, ForecastRun
from tests import factories
from tests.factories import TODAY, make_climate, make_instrument, make_placement, make_room, make_service

pytestmark = pytest.mark.django_db
NOW = datetime(2026, 11, 25, 6, tzinfo=UTC)
LATER = NOW + timedelta(hours=1)


@pytest.fixture(autouse=True)
def few_paths(monkeypatch):
    """Simulate little: nothing here depends on how fine a date is."""
    monkeypatch.setattr("scheduling.engine.forecast.PATHS", 40)


@pytest.fixture
def site():
    """Three rooms, one of them without a sensor, two uprights in each, all forecast this morning."""
    site = factories.make_site()
    hall, studio, attic = (make_room(site, name) for name in ("Hall", "Studio", "Attic"))
    for room, swing in ((hall, 0.14), (studio, 0.08)):
        make_climate(room, TODAY - timedelta(days=300), 300, factories.seasons(0.42, swing))
    for room in (hall, studio, attic):
        for number in range(2):
            instrument = make_instrument(room, f"{room.name} {number}")
            for ago in (300, 180, 40 + number):
                make_service(instrument, TODAY - timedelta(days=ago), found=2.0 - number, left=0.2)
    forecasting.refresh(site, TODAY, now=NOW)
    return site


def instrument(site, tag):
    return site.instruments.get(tag=tag)


def runs(site):
    """Return the run of each instrument's forecasts."""
    return dict(Forecast.objects.of_site(site).order_by("pk").values_list("instrument__tag", "run"))


def changed_since(site, before):
    return {tag for tag, run in runs(site).items() if run != before.get(tag)}


def figures(site, *tags):
    rows = Forecast.objects.of_site(site).filter(instrument__tag__in=tags)
    fields = ("state", "out_now", "due_early", "due_middle", "due_late", "weekly", "drivers", "learned_from")
    return {row["kind"]: row for row in rows.values("kind", *fields)}


def read_now(room, hours=6, rh=0.7):
    """Store readings of this morning."""
    times = micros(NOW) - HOUR * np.arange(hours)
    values = np.full(hours, 20.0), np.linspace(rh, rh + 0.02, hours)
    intake.store_readings(room.site, np.full(hours, room.pk), times, *values)


def record(one, found=5.0, day=TODAY, **fields):
    make_service(one, day, found=found, left=0.1, **fields)
    tell_facts_changed(one.site_id, [one.pk], now=NOW)


def test_a_record_moves_its_own_instrument_and_no_other(site):
    before = runs(site)
    record(instrument(site, "Hall 0"))
    run = changed_facts.take_in(site, TODAY, LATER)
    assert changed_since(site, before) == {"Hall 0"}
    assert (run.part_of_id, run.made_at) == (before["Hall 1"], LATER)
    assert Forecast.objects.get(instrument__tag="Hall 0", kind="tuning").last_service == TODAY
    assert not FactChange.objects.exists()


def test_a_rooms_readings_reach_who_stands_or_stood_there_and_who_borrows_its_air(site):
    make_placement(
        instrument(site, "Studio 1"),
        site.rooms.get(name="Hall"),
        TODAY - timedelta(days=90),
        TODAY - timedelta(days=60),
    )
    forecasting.refresh(site, TODAY, now=NOW)
    before = runs(site)
    read_now(site.rooms.get(name="Hall"))
    changed_facts.take_in(site, TODAY, LATER)
    assert changed_since(site, before) == {"Hall 0", "Hall 1", "Attic 0", "Attic 1", "Studio 1"}


def test_figures_taken_in_are_those_of_the_whole_given_what_the_others_had_said(site):
    # the priors of all others stay as they were heard in the morning, so a record that says nothing new about
    # the fleet, one without a found value, must give exactly what the whole site gives afterwards
    record(instrument(site, "Hall 0"), found=None)
    changed_facts.take_in(site, TODAY, LATER)
    part = figures(site, "Hall 0")
    ForecastRun.objects.all().delete()
    forecasting.refresh(site, TODAY, now=LATER)
    whole = figures(site, "Hall 0")
    assert part.keys() == whole.keys() == {"tuning", "regulation", "voicing"}
    for kind, row in part.items():
        for name in ("state", "due_early", "due_middle", "due_late", "learned_from"):
            assert row[name] == whole[kind][name], (kind, name)
        assert [day for day, *_ in row["weekly"]] == [day for day, *_ in whole[kind]["weekly"]]
        for mine, theirs in zip(row["weekly"], whole[kind]["weekly"], strict=True):
            np.testing.assert_allclose(mine[1:], theirs[1:], rtol=1e-9, atol=1e-12)


def test_a_change_that_alters_nothing_is_let_go_without_a_new_run(site):
    before, count = runs(site), ForecastRun.objects.count()
    tell_facts_changed(site.pk, [one.pk for one in site.instruments.all()])
    assert changed_facts.take_in(site, TODAY, LATER).pk == before["Hall 0"]
    assert (runs(site), ForecastRun.objects.count()) == (before, count)
    assert changed_facts.take_in(site, TODAY, LATER) is None


def test_a_change_of_anything_computes_the_whole_site(site):
    before = runs(site)
    make_service(instrument(site, "Hall 0"), TODAY, found=6.0)
    tell_facts_changed(site.pk)
    changed_facts.take_in(site, TODAY, LATER)
    assert changed_since(site, before) == set(before)
    assert not FactChange.objects.exists()


def test_a_retired_instrument_loses_its_forecasts_and_a_new_one_gets_some(site):
    gone, new = instrument(site, "Hall 0"), make_instrument(site.rooms.get(name="Hall"), "New")
    gone.retired_on = TODAY
    gone.save()
    tell_facts_changed(site.pk, [gone.pk, new.pk])
    changed_facts.take_in(site, TODAY, LATER)
    assert "Hall 0" not in runs(site)
    assert "New" in runs(site)


def test_what_the_engine_refuses_goes_on_waiting(site):
    site.rooms.get(name="Hall").climate_days.update(rh_mean=45.0)
    tell_facts_changed(site.pk, room_ids=[site.rooms.get(name="Hall").pk])
    with pytest.raises(Refused, match="percentage"):
        changed_facts.take_in(site, TODAY, LATER)
    assert FactChange.objects.count() == 1


def test_a_change_that_comes_while_others_are_taken_in_keeps_its_turn(site, monkeypatch):
    record(instrument(site, "Hall 0"))
    compute = forecasting.model_of

    def interrupted(facts, heard=None):
        monkeypatch.setattr(forecasting, "model_of", compute)
        record(instrument(site, "Studio 0"))
        return compute(facts, heard)

    monkeypatch.setattr(forecasting, "model_of", interrupted)
    before = runs(site)
    changed_facts.take_in(site, TODAY, LATER)
    assert changed_since(site, before) == {"Hall 0"}
    assert [change.instrument.tag for change in FactChange.objects.all()] == ["Studio 0"]


def test_a_slow_refresh_that_read_older_facts_does_not_have_the_last_word(site, monkeypatch):
    one = instrument(site, "Hall 0")
    make_service(instrument(site, "Studio 0"), TODAY, found=4.0)
    compute = forecasting.model_of

    def overtaken(facts, heard=None):
        monkeypatch.setattr(forecasting, "model_of", compute)
        record(one)
        changed_facts.take_in(site, TODAY, LATER)
        return compute(facts, heard)

    monkeypatch.setattr(forecasting, "model_of", overtaken)
    forecasting.refresh(site, TODAY, now=NOW)
    assert Forecast.objects.get(instrument=one, kind="tuning").last_service != TODAY
    assert {change.instrument for change in FactChange.objects.all()} == {one}
    changed_facts.take_in(site, TODAY, LATER)
    assert Forecast.objects.get(instrument=one, kind="tuning").last_service == TODAY


def test_two_who_compute_the_same_leave_one_run_and_nothing_waiting(site, monkeypatch):
    make_service(instrument(site, "Studio 0"), TODAY, found=4.0)
    compute = forecasting.model_of

    def side_by_side(facts, heard=None):
        monkeypatch.setattr(forecasting, "model_of", compute)
        forecasting.refresh(site, TODAY, now=NOW)
        return compute(facts, heard)

    monkeypatch.setattr(forecasting, "model_of", side_by_side)
    count = ForecastRun.objects.count()
    forecasting.refresh(site, TODAY, now=NOW)
    assert ForecastRun.objects.count() == count + 1
    assert not FactChange.objects.exists()


def test_a_stored_fact_wakes_the_task_that_takes_it_in(
    site, monkeypatch, time_machine, django_capture_on_commit_callbacks
):
    time_machine.move_to(LATER, tick=False)
    monkeypatch.setattr(tasks.refresh_changed, "delay", tasks.refresh_changed)
    before = runs(site)
    with django_capture_on_commit_callbacks(execute=True):
        read_now(site.rooms.get(name="Studio"))
        assert runs(site) == before
    assert changed_since(site, before) == {"Studio 0", "Studio 1", "Attic 0", "Attic 1"}
    tasks.refresh_changed(site.pk)  # the message came twice
    assert not FactChange.objects.exists()


def test_the_tick_finds_a_change_that_the_queue_lost_and_gives_others_time(site):
    record(instrument(site, "Hall 0"))  # at six in the morning UTC; nobody hears the signal
    assert ticking.tick(NOW + timedelta(minutes=1)).changed == []
    assert ticking.tick(NOW + timedelta(minutes=3)).changed == [site.pk]
    assert ticking.tick(NOW + timedelta(minutes=4)).changed == []
    assert ticking.tick(NOW + timedelta(minutes=9)).changed == [site.pk]
    changed_facts.take_in(site, TODAY, LATER)
    assert ticking.tick(NOW + timedelta(minutes=20)).changed == []


def test_sixty_loggers_wake_one_refresh_a_quarter_of_an_hour_and_nothing_they_read_is_lost(
    site, monkeypatch, time_machine, django_capture_on_commit_callbacks
):
    woken = []
    monkeypatch.setattr(tasks.refresh_changed, "delay", woken.append)
    rooms = [site.rooms.get(name="Hall"), *(make_room(site) for _ in range(59))]

    def post(at):
        time_machine.move_to(at, tick=False)
        with django_capture_on_commit_callbacks(execute=True):
            for number, room in enumerate(rooms):
                read_now(room, hours=1, rh=0.4 + number / 1000 + at.minute / 100_000)

    post(LATER)
    assert woken == [site.pk]
    changed_facts.take_in(site, TODAY, LATER)
    for minute in (1, 5, 10, 14):
        post(LATER + timedelta(minutes=minute))
        assert ticking.tick(LATER + timedelta(minutes=minute)).changed == []
    assert woken == [site.pk]
    assert FactChange.objects.count() == 4 * 60  # each waits for the next turn, which the tick gives
    assert ticking.tick(LATER + timedelta(minutes=15)).changed == [site.pk]
    before = runs(site)
    changed_facts.take_in(site, TODAY, LATER + timedelta(minutes=15))
    assert {"Hall 0", "Hall 1"} <= changed_since(site, before)
    assert not FactChange.objects.exists()


def test_a_record_waits_for_no_logger_and_takes_their_readings_along(
    site, monkeypatch, time_machine, django_capture_on_commit_callbacks
):
    woken = []
    monkeypatch.setattr(tasks.refresh_changed, "delay", woken.append)
    time_machine.move_to(LATER, tick=False)
    with django_capture_on_commit_callbacks(execute=True):
        read_now(site.rooms.get(name="Hall"))
    with django_capture_on_commit_callbacks(execute=True):
        read_now(site.rooms.get(name="Studio"))
        record(instrument(site, "Studio 0"))
    assert woken == [site.pk, site.pk]
    assert ticking.sites_with_missed_changes(LATER + timedelta(minutes=3)) == [site.pk]
    assert ticking.may_take_in(site.pk, LATER + timedelta(minutes=3))


def test_a_forecast_made_for_another_day_is_replaced_by_todays(site):
    assert ticking.sites_to_refresh(LATER) == []
    forecasting.refresh(site, TODAY + timedelta(days=30), now=LATER)
    assert ticking.sites_to_refresh(LATER) == [site.pk]


def test_an_instrument_knows_the_changes_that_reach_it(site):
    hall, studio = site.rooms.get(name="Hall"), site.rooms.get(name="Studio")
    other = factories.make_site()
    tell_facts_changed(other.pk)
    tell_facts_changed(site.pk, [instrument(site, "Hall 1").pk], [studio.pk])
    reached = {one.tag for one in site.instruments.all() if changes_reaching(one).exists()}
    assert reached == {"Hall 1", "Studio 0", "Studio 1", "Attic 0", "Attic 1"}
    make_placement(instrument(site, "Hall 0"), studio, TODAY - timedelta(days=9), TODAY - timedelta(days=2))
    assert changes_reaching(instrument(site, "Hall 0")).exists()
    FactChange.objects.all().delete()
    tell_facts_changed(site.pk, [], [hall.pk])
    assert not changes_reaching(instrument(site, "Studio 0")).exists()
    tell_facts_changed(site.pk)
    assert changes_reaching(instrument(site, "Studio 0")).exists()


def test_a_room_with_nothing_but_doubtful_days_borrows_and_is_reached_by_its_lender(site):
    attic = site.rooms.get(name="Attic")
    attic.climate_days.create(date=TODAY, readings=90, doubtful=90, hours_covered=0)
    hall = site.rooms.get(name="Hall")
    assert instrument(site, "Attic 0").pk in instruments_touched(site, rooms=[hall.pk])
    tell_facts_changed(site.pk, [], [hall.pk])
    assert changes_reaching(instrument(site, "Attic 0")).exists()


def test_taking_in_one_record_or_many_takes_as_many_queries(site):
    def queries(tags):
        for tag in tags:
            record(instrument(site, tag), day=TODAY - timedelta(days=1))
        with CaptureQueriesContext(connection) as caught:
            changed_facts.take_in(site, TODAY, LATER)
        return len(caught)

    assert queries(["Hall 0"]) == queries(["Hall 1", "Studio 0", "Studio 1", "Attic 0"])
