"""The tasks that forecast and plan: each calls its service for one site and may run twice."""

from datetime import UTC, date, datetime, timedelta

import pytest

from config.celery import app
from scheduling import tasks
from scheduling.models import Forecast, ForecastRun, SeasonPlan
from tests import factories

TODAY = date(2026, 11, 25)


@pytest.fixture
def site(db, time_machine):
    time_machine.move_to(datetime(2026, 11, 25, 9, tzinfo=UTC), tick=True)
    site = factories.make_site()
    room = factories.make_room(site)
    factories.make_climate(room, TODAY - timedelta(days=400), 400)
    instrument = factories.make_instrument(room)
    factories.make_service(instrument, TODAY - timedelta(days=200))
    factories.make_person(site)
    return site


def test_refreshing_a_site_twice_on_one_day_leaves_one_run_for_that_day(site):
    for _ in range(2):
        tasks.refresh_site(site.pk)
    assert ForecastRun.objects.get().today == TODAY
    assert Forecast.objects.filter(instrument__site=site, kind="tuning").count() == 1


def test_planning_a_site_leaves_a_draft_of_the_weeks_asked_for(site):
    tasks.plan_site(site.pk, "2026-11-30", 4, hours_per_week=3)
    plan = SeasonPlan.objects.get()
    assert (plan.start, plan.weeks, plan.state) == (date(2026, 11, 30), 4, "draft")
    assert plan.hours_offered == [3, 3, 3, 3]


def test_every_task_is_known_to_the_queue_by_the_name_of_its_app_and_function():
    app.loader.import_default_modules()
    ours = {name for name in app.tasks if name.startswith("scheduling.")}
    here = {name for name, one in vars(tasks).items() if hasattr(one, "delay") and one.name in ours}
    assert ours == {f"scheduling.{name}" for name in here}
    assert {"tick", "send_letter", "refresh_site", "backtest", "plan_site", "lay_out_week"} <= here
    assert {entry["task"] for entry in app.conf.beat_schedule.values()} == {"scheduling.tick"}
