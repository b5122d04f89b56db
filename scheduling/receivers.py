"""What changed facts set going: a refresh of the forecasts they reach."""

from __future__ import annotations

from typing import Any

from django.dispatch import receiver

from fleet.signals import facts_changed
from scheduling import tasks


@receiver(facts_changed, dispatch_uid="refresh what changed facts reach")
def refresh_what_is_reached(sender: Any, site_id: int, **_: Any) -> None:
    """Wake the site's refresh, which finds in the notes what has changed."""
    tasks.refresh_changed.delay(site_id)
