"""Bookings as a calendar (RFC 5545): events read into records, recurring ones expanded, and written back."""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from pathlib import Path
from typing import Any

import icalendar
import recurring_ical_events
from icalendar.parser import split_on_unescaped_comma, unescape_backslash
from icalendar.prop import vText

from fleet.imports.calendar_text import FILE, LARGEST, Event, Limits, events_of
from fleet.imports.cells import Number
from fleet.imports.findings import Findings
from fleet.imports.recurrence import rule_problem
from fleet.imports.rows import Row
from fleet.imports.tables import Record
from fleet.refusal import Refused

MOST_OCCURRENCES = 20_000
BACK, AHEAD = timedelta(days=366), timedelta(days=731)
MOST_SERIES = 2_000

KEY = ("uid", "occurrence")
INSTRUMENTS, PITCH, OCCURRENCE = "X-ALMANAC-INSTRUMENTS", "X-ALMANAC-PITCH", "X-ALMANAC-OCCURRENCE"
__all__ = ["FILE", "LARGEST", "CalendarReader", "write_calendar"]
PITCH_CELL = Number(330, 500)


@dataclass
class Calendar:
    """What a calendar holds: a record and line for each booking, and how many events are none.

    Those were called off, or are in rooms that are not of the site, counted by room.
    """

    rows: list[Row] = field(default_factory=list)
    cancelled: int = 0
    elsewhere: Counter[str] = field(default_factory=Counter)


class CalendarReader:
    """Reads a calendar against the rooms and instruments that are known.

    Parameters
    ----------
    rooms, instruments : names that are known
    zone : the zone of all-day events and of times without one
    today : recurring events are expanded from a year before to two years after
    leave_elsewhere : whether events in unknown rooms are counted and left, instead of refused
    limits : what is too much to read
    """

    def __init__(
        self,
        rooms: Collection[str],
        instruments: Collection[str],
        zone: tzinfo,
        today: date,
        *,
        leave_elsewhere: bool = False,
        limits: Limits | None = None,
    ) -> None:
        self._leave_elsewhere = leave_elsewhere
        self._limits = limits or Limits()
        self._rooms = rooms
        self._instruments = instruments
        self._zone = zone
        self._window = tuple(self._instant(day) for day in (today - BACK, today + AHEAD))

    def read(self, path: Path, findings: Findings) -> Calendar:
        """Return the bookings of a file, as :meth:`read_bytes` does."""
        if path.stat().st_size > self._limits.size:
            raise self._limits.too_large()
        return self.read_bytes(path.read_bytes(), findings)

    def read_bytes(self, raw: bytes, findings: Findings) -> Calendar:
        """Return the bookings of a calendar; what is wrong with its events goes to the findings.

        Raises
        ------
        Refused
            Where it is no calendar or too large, or its recurring events unfold into too many.
        """
        series: dict[str, list[Event]] = defaultdict(list)
        for event in events_of(raw, self._limits):
            with findings.collect():
                self._check(event)
                series[event.text("UID")].append(event)
        recurring = sum(map(_recurs, series.values()))
        if recurring > MOST_SERIES:
            raise Refused(
                "too many recurring events", file=FILE, value=recurring, accepted=f"at most {MOST_SERIES:,}"
            )
        calendar = Calendar()
        expanded = 0
        for events in series.values():
            before = len(calendar.rows)
            with findings.collect():
                if _recurs(events):
                    self._expand(events, calendar)
                    expanded += len(calendar.rows) - before
                else:
                    for event in events:
                        self._take(event, event.component, calendar)
            if expanded > MOST_OCCURRENCES:
                raise events[0].refused(
                    "the recurring events unfold into too many",
                    "RRULE",
                    None,
                    f"at most {MOST_OCCURRENCES:,}",
                )
        _check_keys(calendar.rows, findings)
        return calendar

    def _check(self, event: Event) -> None:
        """Refuse an event that cannot be read or has no name."""
        for name, said in event.component.errors:
            raise event.refused(f"not readable ({said})", name or "BEGIN", None, "RFC 5545")
        if not event.text("UID"):
            raise event.refused("the event has no UID", "UID", None, "a UID")
        for name in ("DTSTART", "DTEND", "RECURRENCE-ID"):
            told = event.one(name)
            if told is None:
                continue
            unknown = isinstance(told.dt, datetime) and told.dt.tzinfo is None and told.params.get("TZID")
            if unknown:
                raise event.refused("an unknown time zone", name, unknown, "a zone such as Europe/Vienna")
        if event.component.get("DTSTART") is None:
            raise event.refused("the event has no start", "DTSTART", None, "a date or a time")

    def _take(self, event: Event, component: Any, calendar: Calendar, lasts: timedelta = timedelta()) -> None:
        """Add one event, or one occurrence of a series that lasts so long, to the calendar."""
        if event.text("STATUS", component).upper() == "CANCELLED":
            calendar.cancelled += 1
            return
        room = event.text("LOCATION", component)
        if room not in self._rooms and self._leave_elsewhere:
            calendar.elsewhere[room] += 1
            return
        if room not in self._rooms:
            raise event.refused("an unknown room", "LOCATION", room, "a room of rooms.csv")
        starts_at, ends_at = self._stretch(event, component)
        if ends_at <= starts_at:
            # Where the clock skips the hour of an occurrence, start and end fall together.
            ends_at = starts_at + lasts
        if ends_at <= starts_at:
            raise event.refused("the end is not after the start", "DTEND", ends_at, "a later end")
        record: Record = {
            "uid": event.text("UID"),
            "occurrence": self._occurrence(event, component),
            "room": room,
            "starts_at": starts_at,
            "ends_at": ends_at,
            "title": event.text("SUMMARY", component),
            "performance": "PERFORMANCE" in {word.upper() for word in _categories(component)},
        }
        calendar.rows.append(Row(event.lines["BEGIN"], record | self._ours(event, component)))

    def _stretch(self, event: Event, component: Any) -> tuple[datetime, datetime]:
        """Return when an event starts and ends."""
        try:
            return self._instant(component.start), self._instant(component.end)
        except (ValueError, TypeError, OverflowError) as error:
            raise event.refused(
                f"no start and end ({error})", "DTSTART", None, "a start and an end"
            ) from None

    def _ours(self, event: Event, component: Any) -> Record:
        """Return instruments and pitch where the event names them; a foreign calendar leaves them alone."""
        record: Record = {}
        if (told := component.get(INSTRUMENTS)) is not None:
            lists = [
                split_on_unescaped_comma(str(one)) for one in (told if isinstance(told, list) else [told])
            ]
            record["instruments"] = sorted({self._tag(event, tag) for tags in lists for tag in tags})
        if (told := event.one(PITCH, component)) is not None:
            try:
                record["pitch_hz"] = PITCH_CELL.read(str(told))
            except ValueError as error:
                raise event.refused("not accepted", PITCH, told, str(error)) from None
        return record

    def _tag(self, event: Event, tag: str) -> str:
        """Return the tag of a known instrument; blanks after a comma are left out."""
        for known in (tag, tag.strip()):
            if known in self._instruments:
                return known
        raise event.refused("an unknown instrument", INSTRUMENTS, tag, "one of instruments.csv")

    def _occurrence(self, event: Event, component: Any) -> str:
        """Return what tells an occurrence from the others of its series, empty for a single event."""
        if (told := event.one(OCCURRENCE, component)) is not None:
            return str(unescape_backslash(str(told)))
        told = event.one("RECURRENCE-ID", component)
        if told is None:
            return ""
        return self._instant(told.dt).isoformat() if isinstance(told.dt, datetime) else told.dt.isoformat()

    def _expand(self, events: list[Event], calendar: Calendar) -> None:
        """Add the occurrences of a recurring event within the window."""
        for event in events:
            rules = event.component.get("RRULE", [])
            for rule in rules if isinstance(rules, list) else [rules]:
                if problem := rule_problem(rule):
                    message, value, accepted = problem
                    raise event.refused(message, "RRULE", value, accepted)
        alone = icalendar.Calendar()
        for event in events:
            alone.add_component(event.component)
        first = events[0]
        try:
            found = recurring_ical_events.of(alone).between(*self._window)
        except Exception as error:  # the library lets through whatever its parts raise on a bad rule
            raise first.refused(f"cannot be unfolded ({error})", "RRULE", None, "RFC 5545") from None
        series = next((event for event in events if event.component.get("RRULE")), first)
        starts_at, ends_at = self._stretch(series, series.component)
        unfolded = Calendar()
        for component in found:
            self._take(first, component, unfolded, ends_at - starts_at)
        # An hour that the clock skips falls together with the one after it; one booking is enough.
        calendar.rows += {row.record["occurrence"]: row for row in unfolded.rows}.values()
        calendar.cancelled += unfolded.cancelled
        calendar.elsewhere += unfolded.elsewhere

    def _instant(self, told: date) -> datetime:
        """Return a date or time of the calendar as an instant; without a zone it is the site's."""
        if not isinstance(told, datetime):
            told = datetime.combine(told, time())
        return (told if told.tzinfo else told.replace(tzinfo=self._zone)).astimezone(UTC)


def _recurs(events: list[Event]) -> bool:
    """Return whether one of the events of a UID is a series."""
    return any(event.component.get(name) is not None for event in events for name in ("RRULE", "RDATE"))


def _categories(component: Any) -> list[str]:
    """Return the words of all CATEGORIES of an event."""
    told = component.get("CATEGORIES", [])
    return [str(word) for one in (told if isinstance(told, list) else [told]) for word in one.cats]


def _check_keys(rows: list[Row], findings: Findings) -> None:
    """Refuse two events for the same thing."""
    lines: dict[tuple[str, str], int] = {}
    for row in rows:
        key = (row.record["uid"], row.record["occurrence"])
        if key in lines:
            findings.add(
                Refused(
                    f"the same event as in line {lines[key]}",
                    file=FILE,
                    line=row.line,
                    column="UID",
                    value=" ".join(key).strip(),
                    accepted="each once, or with its own RECURRENCE-ID",
                )
            )
        lines.setdefault(key, row.line)


def write_calendar(path: Path, records: Iterable[Record]) -> None:
    """Write bookings as a calendar, each event with its own UID, in the order given."""
    calendar = icalendar.Calendar()
    calendar.add("PRODID", "-//Instrument Almanac//bookings//EN")
    calendar.add("VERSION", "2.0")
    for record in records:
        calendar.add_component(_event(record))
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(calendar.to_ical())
    os.replace(part, path)


def _event(record: Record) -> icalendar.Event:
    """Return a booking as an event."""
    event = icalendar.Event()
    event.add("UID", record["uid"])
    # When it was written would make every export different.
    event.add("DTSTAMP", record["starts_at"].astimezone(UTC))
    if record["occurrence"]:
        _add_occurrence(event, record["occurrence"])
    event.add("DTSTART", record["starts_at"].astimezone(UTC))
    event.add("DTEND", record["ends_at"].astimezone(UTC))
    event.add("LOCATION", record["room"])
    if record["title"]:
        event.add("SUMMARY", record["title"])
    if record["performance"]:
        event.add("CATEGORIES", ["PERFORMANCE"])
    for tag in record["instruments"]:
        event.add(INSTRUMENTS, vText(tag))
    if record["pitch_hz"] is not None:
        event.add(PITCH, vText(PITCH_CELL.write(record["pitch_hz"])))
    return event


def _add_occurrence(event: icalendar.Event, occurrence: str) -> None:
    """Add what tells an occurrence from the others, as RECURRENCE-ID where it is a date or an instant."""
    try:
        told = date.fromisoformat(occurrence) if len(occurrence) == 10 else datetime.fromisoformat(occurrence)
        instant = told.astimezone(UTC) if isinstance(told, datetime) else told
    except ValueError:
        event.add(OCCURRENCE, vText(occurrence))
        return
    if instant.isoformat() == occurrence:
        event.add("RECURRENCE-ID", instant)
    else:
        event.add(OCCURRENCE, vText(occurrence))
