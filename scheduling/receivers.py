"""What changed facts set going: a refresh of the forecasts they reach."""

from __future__ import annotations

from typing import Any

from django.dispatch import receiver

from fleet.signals import facts_changed
from scheduling import tasks


@receiver(facts_changed, dispatch_uid="refresh what changed facts reach")
def refresh_what_is_reached(
    sender: Any, site_id: int, instrument_ids: list[int] | None, room_ids: list[int] | None, **_: Any
) -> None:
    """Ask for the forecasts of these instruments and rooms, or of the whole site where none are named."""
    if instrument_ids is None and room_ids is None:
        tasks.refresh_site.delay(site_id)
    else:
        tasks.refresh_instruments.delay(site_id, instrument_ids or [], room_ids or [])
