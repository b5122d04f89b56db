"""What the queue wakes among the facts: every task carries ids, calls one service and may run twice."""

from __future__ import annotations

from celery import shared_task

from fleet import upload_storing


@shared_task(name="fleet.store_upload")  # type: ignore[untyped-decorator]
def store_upload(upload_id: int) -> None:
    """Store a file of readings that somebody brought to a page."""
    upload_storing.store(upload_id)
