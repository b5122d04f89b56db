from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.models import ServiceRule
from fleet.refusal import Refused
from scheduling import forecasting
from scheduling.forecast_rows import state_of
from scheduling.inputs import fleet_facts
from scheduling.models import Forecast, ForecastRun, ForecastState
from tests.factories import (
    TODAY,
    make_climate,
    make_instrument,
    make_placement,
    make_room,
    make_service,
    make_site,
    make_term,
    seasons,
    steady,
)

pytestmark = pytest.mark.django_db
YEAR_AGO = TODAY - timedelta(days=400)
NOW = datetime(2026, 11, 25, 6, tzinfo=UTC)


def make_fleet(count=2, **fields):
    site = make_site()
    room = make_room(site, "Hall")
    make_climate(room, YEAR_AGO, 401, seasons(0.42, 0.14))
    for number in range(count):
        instrument = make_instrument(room, f"U-{number}", **fields)
        make_service(instrument, TODAY - timedelta(days=30 + number), found=2.0, left=0.2)
    return site


def due(site, tag, kind="tuning"):
    return Forecast.objects.of_site(site).get(instrument__tag=tag, kind=kind)


def test_every_instrument_and_kind_gets_one_row_with_dates_in_order():
    site = make_fleet(2)
    run = forecasting.refresh(site, TODAY, now=NOW)
    rows = list(run.forecasts.all())
    assert len(rows) == 6
    for row in rows:
        days = [day or date.max for day in (row.due_early, row.due_middle, row.due_late)]
        assert TODAY <= days[0] <= days[1] <= days[2]
        assert sum(driver["share"] for driver in row.drivers) == pytest.approx(1)
        assert all(driver["words"] for driver in row.drivers)
        assert row.last_service == (TODAY - timedelta(days=30 + int(row.instrument.tag[-1]))
                                    if row.kind == "tuning" else None)  # fmt: skip
    assert (run.made_at, run.today, run.horizon_days) == (NOW, TODAY, 365)


def test_the_weekly_rows_are_the_mondays_within_the_horizon():
    site = make_fleet(1)
    forecasting.refresh(site, TODAY, horizon_days=60)
    days = [date.fromisoformat(row[0]) for row in due(site, "U-0").weekly]
    assert days == [date(2026, 11, 30) + timedelta(weeks=week) for week in range(8)]
    assert all(0 <= p <= 1 and sd >= 0 for _, p, _, sd in due(site, "U-0").weekly)


def test_the_same_facts_on_the_same_day_are_not_computed_twice(monkeypatch):
    site = make_fleet(1)
    first = forecasting.refresh(site, TODAY)
    made = {row.pk: row.weekly for row in first.forecasts.all()}
    monkeypatch.setattr(forecasting, "build_model", lambda *given: pytest.fail("computed again"))
    again = forecasting.refresh(site, TODAY)
    assert again.pk == first.pk
    assert {row.pk: row.weekly for row in again.forecasts.all()} == made


def test_another_version_of_the_code_computes_again(monkeypatch):
    site = make_fleet(1)
    first = forecasting.refresh(site, TODAY)
    assert len(first.code_version) == 16
    monkeypatch.setattr(forecasting, "engine_version", lambda: "another")
    assert forecasting.refresh(site, TODAY).pk != first.pk


def test_a_new_record_makes_a_new_run_and_keeps_one_current_row_each():
    site = make_fleet(1)
    first = forecasting.refresh(site, TODAY)
    before = due(site, "U-0")
    make_service(site.instruments.get(), TODAY, found=4.0, left=0.1)
    second = forecasting.refresh(site, TODAY)
    after = due(site, "U-0")
    assert second.pk != first.pk
    assert (after.pk, after.run_id, after.last_service) == (before.pk, second.pk, TODAY)
    assert after.out_now < before.out_now
    assert first.forecasts.count() == 0


def test_going_back_to_earlier_facts_fills_the_earlier_run_with_the_same_figures():
    site = make_fleet(1)
    first = forecasting.refresh(site, TODAY)
    before = due(site, "U-0").weekly
    extra = make_service(site.instruments.get(), TODAY, found=4.0)
    forecasting.refresh(site, TODAY)
    extra.delete()
    assert forecasting.refresh(site, TODAY).pk == first.pk
    assert due(site, "U-0").weekly == before
    assert ForecastRun.objects.count() == 2


def test_what_no_longer_applies_is_removed():
    site = make_fleet(2)
    forecasting.refresh(site, TODAY)
    site.instruments.filter(tag="U-0").update(retired_on=TODAY)
    forecasting.refresh(site, TODAY)
    assert set(Forecast.objects.values_list("instrument__tag", flat=True)) == {"U-1"}


def test_the_forecasts_of_another_site_are_left_alone_and_never_read():
    other, site = make_fleet(1), make_fleet(1)
    forecasting.refresh(other, TODAY)
    before = {row.pk: (row.run_id, row.weekly) for row in Forecast.objects.of_site(other)}
    forecasting.refresh(site, TODAY)
    weekly = due(site, "U-0").weekly
    assert {row.pk: (row.run_id, row.weekly) for row in Forecast.objects.of_site(other)} == before
    make_service(other.instruments.get(), TODAY, found=30.0)
    make_climate(make_room(other), YEAR_AGO, 400, steady(rh=0.9))
    forecasting.refresh(site, TODAY)
    assert due(site, "U-0").weekly == weekly


def test_a_site_without_instruments_has_a_run_without_forecasts():
    run = forecasting.refresh(make_site(), TODAY)
    assert run.forecasts.count() == 0


@pytest.mark.parametrize("days", [0, -1, 1101])
def test_a_horizon_out_of_range_is_refused(days):
    with pytest.raises(Refused, match="horizon"):
        forecasting.refresh(make_site(), TODAY, horizon_days=days)
    assert ForecastRun.objects.count() == 0


def test_a_fact_the_engine_cannot_take_is_refused_by_name_and_stores_nothing():
    site = make_fleet(1)
    site.rooms.get().climate_days.update(rh_mean=45.0)
    with pytest.raises(Refused, match="Hall"):
        forecasting.refresh(site, TODAY)
    assert ForecastRun.objects.count() == 0


@pytest.mark.parametrize(
    "out_now,days,state",
    [
        (0.5, 0, ForecastState.OUT),
        (0.49, 21, ForecastState.LEAVING_SOON),
        (0.49, 22, ForecastState.IN_TOLERANCE),
        (0.0, None, ForecastState.IN_TOLERANCE),
    ],
)
def test_the_state_is_out_when_likelier_than_not_and_leaving_soon_within_three_weeks(out_now, days, state):
    due_middle = None if days is None else TODAY + timedelta(days=days)
    assert state_of(out_now, due_middle, TODAY) == state


def test_bigger_swings_of_humidity_bring_an_earlier_date():
    site = make_site()
    for name, swing in (("Calm", 0.02), ("Wild", 0.18)):
        room = make_room(site, name, building=name)
        make_climate(room, YEAR_AGO, 401, seasons(0.45, swing))
        make_service(make_instrument(room, name), TODAY - timedelta(days=10), left=0.0)
    forecasting.refresh(site, TODAY)
    assert due(site, "Wild").due_middle < due(site, "Calm").due_middle


def test_a_new_instrument_is_due_before_a_settled_one():
    site = make_fleet(1)
    room = site.rooms.get()
    new = make_instrument(room, "New", year_built=2026, in_service_since=date(2026, 9, 1))
    old = make_instrument(room, "Old", year_built=1990, in_service_since=date(1990, 9, 1))
    for instrument in (new, old):
        make_service(instrument, TODAY - timedelta(days=10), left=0.0)
    forecasting.refresh(site, TODAY)
    assert due(site, "New").due_middle < due(site, "Old").due_middle


def test_an_instrument_follows_the_room_it_stood_in():
    site = make_site()
    for name, rh in (("Damp", 0.62), ("Dry", 0.30)):
        make_climate(make_room(site, name, building=name), YEAR_AGO, 401, steady(rh=rh))
    damp, dry = site.rooms.get(name="Damp"), site.rooms.get(name="Dry")
    stayed, moved = make_instrument(dry, "Stayed"), make_instrument(dry, "Moved")
    make_placement(moved, damp, date(2020, 1, 1), TODAY - timedelta(days=20))
    for instrument in (stayed, moved):
        make_service(instrument, TODAY - timedelta(days=40), left=0.0)
    forecasting.refresh(site, TODAY)
    assert due(site, "Moved").out_now > due(site, "Stayed").out_now


def test_hours_played_follow_the_terms():
    used, idle = make_fleet(1), make_fleet(1)
    make_term(idle, TODAY - timedelta(days=60), TODAY + timedelta(days=400), playing_factor=0.0)
    for site in (used, idle):
        forecasting.refresh(site, TODAY)
    assert due(used, "U-0", "voicing").out_now > due(idle, "U-0", "voicing").out_now


def test_a_wider_tolerance_never_brings_a_date_nearer():
    site = make_fleet(1)
    forecasting.refresh(site, TODAY)
    before = due(site, "U-0")
    ServiceRule.objects.of_site(site).filter(service_kind__kind="tuning").update(tolerance=9.0)
    forecasting.refresh(site, TODAY)
    after = due(site, "U-0")
    assert after.out_now <= before.out_now
    assert (after.due_middle or date.max) >= (before.due_middle or date.max)


def test_reading_takes_as_many_queries_for_many_instruments_as_for_few_and_rows_are_written_in_batches():
    def queries(site):
        with CaptureQueriesContext(connection) as caught:
            forecasting.refresh(site, TODAY)
        reads = sum(query["sql"].startswith("SELECT") for query in caught)
        return reads, len(caught) - reads

    (few_reads, few_writes), (reads, writes) = queries(make_fleet(3)), queries(make_fleet(30))
    assert reads == few_reads
    assert writes - few_writes < 10


def test_the_model_answers_for_some_rows_as_it_does_for_all():
    site = make_fleet(3)
    model = forecasting.model_of(fleet_facts(site, TODAY, 200))
    days = TODAY.toordinal() + np.arange(0, 150, 10)
    visits = days[::5]
    since, after = model.out_probability(visits, days)
    some_since, some_after = model.out_probability(visits, days, [7, 2])
    np.testing.assert_allclose(some_since, since[[7, 2]])
    np.testing.assert_allclose(some_after, after[[7, 2]])
