"""The definition of a time zone beside calendar entries, for programs that do not know it by name."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar

from fleet.local_time import LocalClock, instant_of

AROUND = timedelta(days=400)
BEGINNING = datetime(1970, 1, 1)


def zone_component(zone: ZoneInfo, first: date, last: date) -> icalendar.Timezone:
    """Return a VTIMEZONE whose changes are written one by one from a year before to a year after some days.

    Rules that repeat are read differently by different programs, and governments change them; what is written
    out needs no rule (RFC 5545, section 3.6.5: an onset is told on the clock before it).
    """
    component = icalendar.Timezone()
    component.add("TZID", zone.key)
    first, last = first - AROUND, last + AROUND
    changes = [instant_of(int(us)) for us in LocalClock(zone, first, last).changes]
    before = datetime(first.year, first.month, first.day, tzinfo=UTC)
    component.add_component(_observance(zone, before, None))
    for change in changes:
        component.add_component(_observance(zone, change, change - timedelta(seconds=1)))
    return component


def _observance(
    zone: ZoneInfo, since: datetime, before: datetime | None
) -> icalendar.TimezoneStandard | icalendar.TimezoneDaylight:
    """Return one stretch of the clock; the first begins long ago with the offset it has."""
    there = since.astimezone(zone)
    to = there.utcoffset() or timedelta()
    was = (before.astimezone(zone).utcoffset() or timedelta()) if before else to
    one = icalendar.TimezoneDaylight() if there.dst() else icalendar.TimezoneStandard()
    one.add("DTSTART", since.replace(tzinfo=None) + was if before else BEGINNING)
    one.add("TZOFFSETFROM", was)
    one.add("TZOFFSETTO", to)
    one.add("TZNAME", there.tzname() or zone.key)
    return one
