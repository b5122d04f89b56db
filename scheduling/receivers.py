"""What changed facts set going: a refresh of the forecasts they reach, after readings not at every one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django.dispatch import receiver
from django.utils import timezone

from fleet.signals import facts_changed
from scheduling import changed_facts, tasks


@receiver(facts_changed, dispatch_uid="refresh what changed facts reach")
def refresh_what_is_reached(
    sender: Any, site_id: int, instrument_ids: Sequence[int] | None, room_ids: Sequence[int] | None, **_: Any
) -> None:
    """Wake the site's refresh, which finds in the notes what has changed; if this waits, the tick does."""
    only_rooms = room_ids is not None and not instrument_ids
    if only_rooms and not changed_facts.take_turn_of_rooms(site_id, timezone.now()):
        return
    tasks.refresh_changed.delay(site_id)
