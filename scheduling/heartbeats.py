"""Rows that say when a job last ran: for the health page, and so that of two starters one starts it."""

from __future__ import annotations

from datetime import datetime, timedelta

from scheduling.models import Heartbeat

TICK = "tick"


def beat(name: str, now: datetime) -> None:
    """Note that a periodic job ran."""
    Heartbeat.objects.update_or_create(name=name, defaults={"at": now})


def take_turn(name: str, now: datetime, every: timedelta) -> bool:
    """Return whether this caller, and no other within the stretch, may start a job."""
    rows = Heartbeat.objects.filter(name=name)
    if rows.filter(at__gt=now - every).exists():  # most often; reading alone holds nobody up
        return False
    if rows.filter(at__lte=now - every).update(at=now):
        return True
    _, made = Heartbeat.objects.get_or_create(name=name, defaults={"at": now})
    return made
