"""Hostile calendars at full size against the worker's limits, each in a process whose memory is counted.

``python -m tests.benchmarks.hostile_calendars`` prints for each how it ended, the seconds and the memory; the
rival is a calendar of a large house that is welcome.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

EVENT = (
    "BEGIN:VEVENT\r\nUID:{0}\r\nDTSTART:20261203T183000Z\r\nDTEND:20261203T203000Z\r\nLOCATION:Saal\r\n"
    "{1}END:VEVENT\r\n"
)
ZONE = (
    "BEGIN:VTIMEZONE\r\nTZID:Nowhere\r\nBEGIN:STANDARD\r\nDTSTART:16010101T000000\r\nTZOFFSETFROM:+0100\r\n"
    "TZOFFSETTO:+0100\r\nRRULE:FREQ={0}\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
    "BEGIN:VEVENT\r\nUID:1\r\nDTSTART;TZID=Nowhere:20261203T183000\r\nLOCATION:Saal\r\nEND:VEVENT\r\n"
)


def calendar(inside: str) -> bytes:
    """Return a calendar around some components."""
    return f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\n{inside}END:VCALENDAR\r\n".encode()


CALENDARS = {
    "a house of 10,000 bookings": lambda: calendar("".join(EVENT.format(n, "") for n in range(10_000))),
    "a recurrence without end": lambda: calendar(EVENT.format(1, "RRULE:FREQ=DAILY\r\n")),
    "2,000 recurrences without end": lambda: calendar(
        "".join(EVENT.format(n, "RRULE:FREQ=DAILY\r\n") for n in range(2_000))
    ),
    "a recurrence every second": lambda: calendar(EVENT.format(1, "RRULE:FREQ=SECONDLY\r\n")),
    "a million events": lambda: calendar("BEGIN:VEVENT\r\nEND:VEVENT\r\n" * 1_000_000),
    "a million dates": lambda: calendar(EVENT.format(1, "RDATE:" + "20261203T183000Z," * 600_000 + "\r\n")),
    "a zone that changes every second": lambda: calendar(ZONE.format("SECONDLY")),
    "a zone that changes every day": lambda: calendar(ZONE.format("DAILY")),
    "100 MB of blanks": lambda: b"\r\n" * 50_000_000,
    "100 MB of one line": lambda: b"X" * 100_000_000,
    "components within components": lambda: b"BEGIN:VCALENDAR\r\n" * 500_000,
}


def one(name: str) -> None:
    """Show one calendar to the service, in a database in memory, and print how it ended."""
    django.setup()
    from django.core.management import call_command
    from django.db import connection

    from fleet import booking_sources
    from fleet.refusal import Refused
    from tests import factories

    connection.settings_dict["NAME"] = os.path.join(tempfile.mkdtemp(), "hostile.db")
    call_command("migrate", verbosity=0)
    site = factories.make_site()
    factories.make_room(site, "Saal")
    now = datetime(2026, 11, 25, 9, tzinfo=UTC)
    source = booking_sources.add_source(site, "Hall", "", now)
    raw = CALENDARS[name]()
    before, start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, time.perf_counter()
    try:
        shown = booking_sources.show(source, raw, now, "a benchmark")
        end = f"shown: {shown.new:,} new"
    except Refused as refusal:
        end = str(refusal).splitlines()[0]
    seconds, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"{name:36} {seconds:7.2f} s {(after - before) / 1000:7.0f} MB more  {end[:110]}")


def main() -> None:
    """Run each calendar in a process of its own, since memory is counted by process."""
    for name in CALENDARS:
        subprocess.run([sys.executable, "-m", "tests.benchmarks.hostile_calendars", name], check=True)


if __name__ == "__main__":
    one(sys.argv[1]) if len(sys.argv) > 1 else main()
