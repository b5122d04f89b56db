"""What the queue wakes: every task carries ids, calls one service and may run twice."""

from __future__ import annotations

from datetime import date
from typing import Any

from celery import shared_task
from celery.signals import worker_ready
from django.conf import settings
from django.utils import timezone

from fleet.models import Site
from fleet.tasks import back_up, fetch_bookings, store_upload, take_arrival
from scheduling import (
    backtesting,
    changed_facts,
    draft_orders,
    first_forecast,
    forecasting,
    holding,
    outbox,
    planning,
    seasons_ahead,
    ticking,
    week_planning,
)
from scheduling.models import Letter
from scheduling.scenarios import asking

# Few enough that the letters of a large house are spread over all workers, and that a killed one leaves few.
LETTERS_A_TASK = 10
SECONDS_A_TASK = 120.0


@shared_task(name="scheduling.tick")  # type: ignore[untyped-decorator]
def tick() -> None:
    """Find what is due and wake a task for each."""
    found = ticking.tick(timezone.now())
    for source in found.calendars:
        fetch_bookings.delay(source)
    for start in range(0, len(found.letters), LETTERS_A_TASK):
        send_letters.delay(found.letters[start : start + LETTERS_A_TASK])
    for site in found.sites:
        refresh_site.delay(site)
    for site in found.changed:
        refresh_changed.delay(site)
    for arrival in found.arrivals:
        take_arrival.delay(arrival)
    for upload in found.uploads:
        store_upload.delay(upload)
    for asked in found.backtests:
        backtest.delay(asked)
    for order in found.orders:
        make_draft.delay(order)
    for scenario in found.scenarios:
        compute_scenario.delay(scenario)
    for study in found.holdings:
        compute_holding.delay(study)
    if found.backup:
        back_up.delay()
    for work in found.first:
        forecast_first.delay(work)
    for work in found.ahead:
        look_ahead.delay(work)


@shared_task(name="scheduling.send_letters")  # type: ignore[untyped-decorator]
def send_letters(letter_ids: list[int]) -> None:
    """Send some letters over one connection."""
    for letter in outbox.send_each(letter_ids, SECONDS_A_TASK):
        _try_again_soon(letter)


@shared_task(name="scheduling.send_letter")  # type: ignore[untyped-decorator]
def send_letter(letter_id: int) -> None:
    """Send one letter."""
    if letter := outbox.send(letter_id):
        _try_again_soon(letter)


def _try_again_soon(letter: Letter) -> None:
    """Where a letter failed for now and is soon to be tried again, do not wait for the next tick."""
    if letter.state not in (Letter.State.DUE, Letter.State.UNKNOWN):
        return
    wait = (letter.next_try_at - timezone.now()).total_seconds()
    if wait < settings.TICK_SECONDS:
        send_letter.apply_async((letter.pk,), countdown=max(wait, 0) + 0.1)


@shared_task(name="scheduling.refresh_site")  # type: ignore[untyped-decorator]
def refresh_site(site_id: int) -> None:
    """Recompute a site's forecasts; the same facts give the same row."""
    site = Site.objects.get(pk=site_id)
    forecasting.refresh(site, site.local_date(timezone.now()))


@shared_task(name="scheduling.refresh_changed")  # type: ignore[untyped-decorator]
def refresh_changed(site_id: int) -> None:
    """Recompute the forecasts that changed facts reach and that have not taken them into account yet."""
    site = Site.objects.get(pk=site_id)
    changed_facts.take_in(site, site.local_date(timezone.now()))


@shared_task(name="scheduling.backtest")  # type: ignore[untyped-decorator]
def backtest(backtest_id: int) -> None:
    """Compute a backtest that was asked for, unless that was done."""
    backtesting.compute(backtest_id, timezone.now())


@shared_task(name="scheduling.plan_site")  # type: ignore[untyped-decorator]
def plan_site(site_id: int, start: str, weeks: int, hours_per_week: float | None = None) -> None:
    """Make a draft season plan of a site from the Monday given as an ISO date."""
    site = Site.objects.get(pk=site_id)
    wanted = planning.Wanted(date.fromisoformat(start), weeks, hours_per_week)
    planning.make_season_plan(site, wanted, site.local_date(timezone.now()))


@shared_task(name="scheduling.make_draft")  # type: ignore[untyped-decorator]
def make_draft(order_id: int) -> None:
    """Make a draft that somebody asked for, unless that was done."""
    draft_orders.make(order_id)


@shared_task(name="scheduling.compute_scenario")  # type: ignore[untyped-decorator]
def compute_scenario(scenario_id: int) -> None:
    """Compute a scenario that somebody asked for, unless that was done."""
    asking.compute(scenario_id)


@shared_task(name="scheduling.compute_holding")  # type: ignore[untyped-decorator]
def compute_holding(study_id: int) -> None:
    """Compute what holding a room would be worth, unless that was done."""
    holding.compute(study_id)


@shared_task(name="scheduling.forecast_first")  # type: ignore[untyped-decorator]
def forecast_first(work_id: int) -> None:
    """Make the first forecast of a site, unless that was done."""
    first_forecast.compute(work_id)


@shared_task(name="scheduling.look_ahead")  # type: ignore[untyped-decorator]
def look_ahead(work_id: int) -> None:
    """Compute the need of years that somebody asked for, unless that was done."""
    seasons_ahead.compute(work_id)


@shared_task(name="scheduling.lay_out_week")  # type: ignore[untyped-decorator]
def lay_out_week(site_id: int, monday: str) -> None:
    """Lay out a site's week from the Monday given as an ISO date; the same facts give the same row."""
    week_planning.lay_out_week(Site.objects.get(pk=site_id), date.fromisoformat(monday), timezone.now())


@worker_ready.connect  # type: ignore[untyped-decorator]
def look_at_once(sender: Any, **_: Any) -> None:
    """Tick when a worker comes up, so that what a crash left behind does not wait for the clock."""
    tick.delay()
