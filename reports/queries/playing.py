"""Which instruments are played in public before long, since a request on one of those is urgent."""

from __future__ import annotations

from datetime import date

from fleet.models import Site
from fleet.weeks import monday_before, mondays
from scheduling.inputs import Performance, performances

WEEKS_AHEAD = 3


def next_performances(site: Site, today: date) -> dict[int, Performance]:
    """Return the next performance on each instrument that has one from today on within about three weeks."""
    found: dict[int, Performance] = {}
    for performance in performances(site, mondays(monday_before(today), WEEKS_AHEAD)):
        if performance.day >= today:
            found.setdefault(performance.instrument_id, performance)
    return found
