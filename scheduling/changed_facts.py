"""Changed facts that no forecast has taken into account yet."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from fleet.models import FactChange, Site
from scheduling import forecasting
from scheduling.heartbeats import take_turn
from scheduling.inputs import instruments_touched
from scheduling.models import ForecastRun

# Loggers post every few minutes, dozens of them, and a quarter of an hour of air moves no wood: changes of
# rooms alone wake a site's refresh no oftener than this. A record of an instrument waits for nothing.
ROOMS_AGAIN_AFTER = timedelta(minutes=15)


def take_turn_of_rooms(site_id: int, now: datetime) -> bool:
    """Return whether changed rooms may wake a site's refresh now; if not, their notes wait for the tick."""
    return take_turn(f"rooms {site_id}", now, ROOMS_AGAIN_AFTER)


def take_in(site: Site, today: date, now: datetime | None = None) -> ForecastRun | None:
    """Refresh the forecasts that waiting changes reach; None where none wait.

    A change is let go only when the forecasts made after it are stored, so whatever ends this early leaves it
    to the next. One that comes in meanwhile waits for its own turn.

    Raises
    ------
    fleet.refusal.Refused
        Where the engine refuses a fact; the changes go on waiting.
    """
    waiting = list(FactChange.objects.of_site(site))
    if not waiting:
        return None
    instruments = {change.instrument_id for change in waiting if change.instrument_id}
    rooms = {change.room_id for change in waiting if change.room_id}
    whole = any(change.instrument_id is None and change.room_id is None for change in waiting)
    reached = None if whole else instruments_touched(site, instruments, rooms)
    run = forecasting.refresh(site, today, now=now, instruments=reached)
    forecasting.let_go([change.pk for change in waiting])
    return run


def only_rooms_wait(site_id: int) -> bool:
    """Return whether all that waits at a site is about rooms."""
    waiting = FactChange.objects.filter(site=site_id)
    return waiting.exists() and not waiting.filter(room=None).exists()


def sites_waiting(before: datetime) -> list[int]:
    """Return the sites in which a change has waited since before an instant."""
    rows = FactChange.objects.filter(at__lt=before).order_by("site")
    return list(rows.values_list("site", flat=True).distinct())
