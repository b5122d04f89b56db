"""Calendar entries as RFC 5545 text, for letters and feeds."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, timedelta

import icalendar

from fleet.models import Site
from scheduling.calendar_entries import week_in_words
from scheduling.ics_zones import zone_component
from scheduling.mail import CALENDAR_METHOD
from scheduling.models import CalendarEntry

PRODUCT = "-//Instrument Almanac//work//EN"
READ_AGAIN = timedelta(hours=1)
WORKING_DAYS = timedelta(days=5)


def calendar_text(site: Site, name: str, entries: Iterable[CalendarEntry], method: str = "") -> str:
    """Return entries as a calendar: the same entries give the same text.

    Times are on the site's wall, with the definition of its time zone beside them. An entry without a time
    fills its week's working days and leaves the person free.
    """
    calendar = icalendar.Calendar()
    calendar.add("PRODID", PRODUCT)
    calendar.add("VERSION", "2.0")
    calendar.add("CALSCALE", "GREGORIAN")
    if method:
        calendar.add("METHOD", method)
    calendar.add("NAME", name)
    calendar.add("X-WR-CALNAME", name)
    calendar.add("REFRESH-INTERVAL", READ_AGAIN, parameters={"VALUE": "DURATION"})
    rows = list(entries)
    if timed := [entry.week for entry in rows if entry.starts_at is not None]:
        calendar.add_component(zone_component(site.zone, min(timed), max(timed)))
    for entry in rows:
        calendar.add_component(_event(site, entry))
    return bytes(calendar.to_ical()).decode()


def letter_calendar(site: Site, entries: list[CalendarEntry]) -> str:
    """Return what a letter attaches, empty where there is nothing to say."""
    return calendar_text(site, f"Work at {site.name}", entries, CALENDAR_METHOD) if entries else ""


def _event(site: Site, entry: CalendarEntry) -> icalendar.Event:
    event = icalendar.Event()
    event.add("UID", entry.uid)
    event.add("SEQUENCE", entry.sequence)
    # When it last changed, not when it was read: a feed that says the same is the same.
    event.add("DTSTAMP", entry.changed_at.astimezone(UTC))
    event.add("LAST-MODIFIED", entry.changed_at.astimezone(UTC))
    description = entry.description
    if entry.starts_at is None or entry.ends_at is None:
        event.add("DTSTART", entry.week)
        event.add("DTEND", entry.week + WORKING_DAYS)
        description = f"{week_in_words(entry)}\n{description}".strip()
    else:
        event.add("DTSTART", entry.starts_at.astimezone(site.zone))
        event.add("DTEND", entry.ends_at.astimezone(site.zone))
    event.add("TRANSP", "OPAQUE" if entry.starts_at else "TRANSPARENT")
    event.add("SUMMARY", entry.summary)
    event.add("LOCATION", entry.location)
    if description:
        event.add("DESCRIPTION", description)
    event.add("STATUS", entry.status)
    return event
