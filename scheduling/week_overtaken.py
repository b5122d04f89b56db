"""Whether what a week was laid out around still stands."""

from __future__ import annotations

from scheduling.inputs.occupied import occupied_digest
from scheduling.models import WeekPlan


def taken_otherwise(layout: WeekPlan) -> bool:
    """Return whether bookings or absences have changed since a week was laid out; three queries."""
    known = layout.occupied
    if not known:
        return False
    now = occupied_digest(layout.site, layout.week, known["rooms"], known["instruments"])
    return bool(now != known["digest"])
