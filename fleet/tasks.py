"""What the queue wakes among the facts: every task carries ids, calls one service and may run twice."""

from __future__ import annotations

from celery import shared_task
from django.utils import timezone

from fleet import arrival_work, booking_sources, upload_storing
from fleet.keeping import daily


@shared_task(name="fleet.store_upload")  # type: ignore[untyped-decorator]
def store_upload(upload_id: int) -> None:
    """Store a file of readings that somebody brought to a page."""
    upload_storing.store(upload_id)


@shared_task(name="fleet.take_arrival")  # type: ignore[untyped-decorator]
def take_arrival(arrival_id: int) -> None:
    """Look at what somebody brought to begin with, or store it."""
    arrival_work.take_up(arrival_id)


@shared_task(name="fleet.fetch_bookings")  # type: ignore[untyped-decorator]
def fetch_bookings(source_id: int) -> None:
    """Read a calendar's address and take what is new there, where it is its turn."""
    booking_sources.fetch_source(source_id, timezone.now())


@shared_task(name="fleet.back_up")  # type: ignore[untyped-decorator]
def back_up() -> None:
    """Write the day's backup into the folder of backups."""
    daily.back_up(timezone.now())
