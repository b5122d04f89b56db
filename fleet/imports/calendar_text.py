"""The text of a calendar (RFC 5545) as events, after a look whether it can be read in bounded time."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import icalendar
from icalendar.timezone import tzp

from fleet.imports.recurrence import rule_problem
from fleet.refusal import Refused

FILE = "bookings.ics"
LARGEST = 20_000_000  # bytes
LONGEST = {"UID": 255, "SUMMARY": 255}
# Rules of a time zone that come more often than monthly would be counted through from their first year on.
ZONE_RULES = ("YEARLY", "MONTHLY")
# The library keeps the zones of one calendar for the next; what one defines must not change another.
_one_at_a_time = threading.Lock()


@dataclass(frozen=True)
class Limits:
    """What is too much: reading takes about 0.4 ms and 5 kB an event."""

    size: int = LARGEST  # bytes
    components: int = 100_000
    lines: int = 1_500_000
    line_length: int = 100_000  # characters of one property, folded lines together

    def too_large(self) -> Refused:
        """Say that the whole is too large."""
        return Refused("the file is too large", file=FILE, accepted=f"at most {self.size:,} bytes")

    def check(self, text: str) -> None:
        """Look through the text line by line before anything is built from it.

        Raises
        ------
        Refused
            Naming what there is too much of.
        """
        components, length, number = 0, 0, 0
        for number, line in enumerate(_lines(text), start=1):
            length = length + len(line) if line[:1] in (" ", "\t") else len(line)
            if length > self.line_length:
                raise self._too_much("a property that is too long", number, self.line_length, "characters")
            components += line[:6].upper() == "BEGIN:"
            if components > self.components:
                raise self._too_much("too many events", number, self.components, "events and parts of them")
            if number > self.lines:
                raise self._too_much("too many lines", number, self.lines, "lines")

    def _too_much(self, message: str, line: int, most: int, of: str) -> Refused:
        return Refused(message, file=FILE, line=line, accepted=f"at most {most:,} {of}")


def _lines(text: str) -> Iterator[str]:
    """Give the physical lines one by one, without a list of all of them."""
    start = 0
    while start < len(text):
        end = text.find("\n", start)
        end = len(text) if end < 0 else end
        yield text[start:end]
        start = end + 1


@dataclass(frozen=True)
class Event:
    """An event of the file and the physical lines of its properties."""

    component: Any
    lines: dict[str, int]

    def refused(self, message: str, column: str, value: object, accepted: str) -> Refused:
        """Say what is wrong with a property."""
        line = self.lines.get(column, self.lines["BEGIN"])
        return Refused(message, file=FILE, line=line, column=column, value=value, accepted=accepted)

    def one(self, name: str, component: Any = None) -> Any:
        """Return the property, None where it is not there; refuses a second one."""
        found = (component or self.component).get(name)
        if isinstance(found, list):
            raise self.refused("the property is there twice", name, found[1], "one of each")
        return found

    def text(self, name: str, component: Any = None) -> str:
        """Return the text of a property, empty where it is not there."""
        found = self.one(name, component)
        said = "" if found is None else str(found)
        if len(said) > LONGEST.get(name, len(said)):
            raise self.refused("the text is too long", name, said, f"at most {LONGEST[name]} characters")
        return said


def events_of(raw: bytes, limits: Limits) -> list[Event]:
    """Return the events of a calendar with their lines.

    Raises
    ------
    Refused
        Where it is no calendar, or more than the limits allow.
    """
    text = _text_of(raw, limits)
    limits.check(text)
    with _one_at_a_time:
        tzp.use_default()
        try:
            calendars = icalendar.Calendar.from_ical(text, multiple=True)
        except Exception as error:  # the library lets through whatever its parts raise on broken text
            raise Refused(f"not a calendar ({error})", file=FILE, accepted="RFC 5545") from None
        finally:
            tzp.use_default()
    if not calendars or any(calendar.name != "VCALENDAR" for calendar in calendars):
        raise Refused("not a calendar", file=FILE, line=1, accepted="BEGIN:VCALENDAR and so on")
    for calendar in calendars:
        _check_zones(calendar)
    components = [component for calendar in calendars for component in calendar.walk("VEVENT")]
    lines = _property_lines(text)
    if len(lines) != len(components):
        raise Refused("not a calendar", file=FILE, accepted="each BEGIN:VEVENT on a line of its own")
    return [Event(*pair) for pair in zip(components, lines, strict=True)]


def _text_of(raw: bytes, limits: Limits) -> str:
    if len(raw) > limits.size:
        raise limits.too_large()
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise Refused(f"not UTF-8 at byte {error.start}", file=FILE, line=line, accepted="UTF-8") from None
    if not text.strip():
        raise Refused("the file is empty", file=FILE, line=1, accepted="BEGIN:VCALENDAR and so on")
    if "\0" in text:
        raise Refused("a NUL byte", file=FILE, line=text.count("\n", 0, text.index("\0")) + 1)
    return text


def _check_zones(calendar: Any) -> None:
    """Refuse a definition of a time zone whose rule would be counted through step by step."""
    for zone in calendar.walk("VTIMEZONE"):
        for part in zone.subcomponents:
            rules = part.get("RRULE", [])
            for rule in rules if isinstance(rules, list) else [rules]:
                if not _is_a_zone_rule(rule):
                    name = zone.get("TZID", "")
                    raise Refused(
                        "a time zone that cannot be followed",
                        file=FILE,
                        column="TZID",
                        value=name,
                        accepted="rules that come once a month or a year",
                    )


def _is_a_zone_rule(rule: Mapping[str, Any]) -> bool:
    coarse = str(rule.get("FREQ", [""])[0]).upper() in ZONE_RULES
    return coarse and rule_problem(rule) is None


def _property_lines(text: str) -> list[dict[str, int]]:
    """Return the physical line of the first of each property, event by event."""
    found: list[dict[str, int]] = []
    inside = False
    for number, line in enumerate(_lines(text), start=1):
        name = re.split("[;:]", line, maxsplit=1)[0].upper()
        word = line.rstrip().upper()
        if word == "BEGIN:VEVENT":
            found.append({"BEGIN": number})
            inside = True
        elif word == "END:VEVENT":
            inside = False
        elif inside:
            found[-1].setdefault(name, number)
    return found
