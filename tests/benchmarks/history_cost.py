"""What the history of facts costs an import of a thousand instruments, beside the same with nothing noted.

Run from the repository's root: ``python tests/benchmarks/history_cost.py [--instruments 1000] [--rounds 5]``;
``DATABASE_URL`` chooses the database server, and a test database of its own is made and dropped. A folder of
instruments, placements, rooms, people, absences, requests, bookings and services, without readings, which are
no part of the history, is imported into an empty site, then once more with every instrument changed. Both are
done with the history and without it in turn and taken back, and the medians are compared. Printed is also the
same again with two years of readings of ten rooms, as a house has them.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest import mock

ROOT = Path(__file__).resolve().parents[2]
NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
TODAY = NOW.date()
ROOMS, PEOPLE, SERVICES_EACH, BOOKINGS = 60, 20, 12, 500


def write_folder(folder: Path, instruments: int, played: int) -> Path:
    """Write a house of so many instruments, each played so many hours a week."""
    folder.mkdir()

    def table(name: str, header: str, rows: Iterator[str]) -> None:
        (folder / name).write_text("\n".join([header, *rows, ""]))

    every = range(instruments)
    table("site.csv", "name,time_zone", iter(["Timed House,Europe/Vienna"]))
    table("rooms.csv", "room,building,use", (f"Room {n},Old House,practice" for n in range(ROOMS)))
    table(
        "instruments.csv",
        "instrument,kind,year_built,in_service_since,room,use_class,hours_played_per_week,maker,serial",
        (f"U-{n},upright,1990,2000-09-01,Room {n % ROOMS},practice,{played},Tewes,{n}" for n in every),
    )
    table(
        "placements.csv",
        "instrument,room,from,to",
        (f"U-{n},Room {n % ROOMS},2000-09-01," for n in every),
    )
    table(
        "services.csv",
        "instrument,kind,date,found,left",
        (
            f"U-{n},tuning,{TODAY - timedelta(days=60 * turn + 1)},{turn - 5},0"
            for n in every
            for turn in range(SERVICES_EACH)
        ),
    )
    table(
        "people.csv",
        "name,email,role,hours_per_week",
        (f"Person {n},person{n}@example.org,technician,12" for n in range(PEOPLE)),
    )
    table(
        "absences.csv",
        "name,from,to",
        (
            f"Person {n},{date(2026, month, 1)},{date(2026, month, 3)}"
            for n in range(PEOPLE)
            for month in (3, 7)
        ),
    )
    table(
        "requests.csv",
        "instrument,notes,symptom,made_at,words",
        (f"U-{n},C4,buzz,2026-11-{n % 20 + 1:02d}T10:{n % 60:02d},soft" for n in range(0, instruments, 4)),
    )
    events = "\r\n".join(
        f"BEGIN:VEVENT\r\nUID:{n}\r\nDTSTART:20261205T{n % 12 + 8:02d}0000Z\r\nDURATION:PT1H\r\n"
        f"LOCATION:Room {n % ROOMS}\r\nSUMMARY:Lesson {n}\r\nEND:VEVENT"
        for n in range(BOOKINGS)
    )
    calendar = f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//invented//EN\r\n{events}\r\nEND:VCALENDAR\r\n"
    (folder / "bookings.ics").write_text(calendar, newline="")
    return folder


def add_readings(folder: Path) -> None:
    """Add two years of hourly readings of ten rooms."""
    first = NOW - timedelta(days=730)
    with open(folder / "readings.csv", "w") as file:
        file.write("room,time,relative_humidity_percent,temperature_c\n")
        for room in range(10):
            for hour in range(730 * 24):
                stamp = (first + timedelta(hours=hour)).isoformat()
                file.write(f"Room {room},{stamp},{40 + hour % 11},{20 + hour % 7 / 10}\n")


@contextmanager
def nothing_noted() -> Iterator[None]:
    """Let facts be written without their history."""
    from fleet import history

    with ExitStack() as stack:
        stack.enter_context(mock.patch.object(history, "is_kept", return_value=False))
        stack.enter_context(mock.patch.object(history, "stored", return_value={}))
        for name in ("note_entered", "note_changed", "note_removed", "note_links"):
            stack.enter_context(mock.patch.object(history, name))
        yield


def timed(work: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def once(first: Path, then: Path) -> tuple[float, float, int]:
    """Import a folder and then its changed form, take both back, and return seconds and rows noted."""
    from django.db import transaction

    from fleet.imports import import_folder
    from fleet.models import FactHistory

    def bring(folder: Path) -> float:
        return timed(lambda: import_folder(folder, now=NOW, today=TODAY))

    with transaction.atomic():
        seconds = bring(first), bring(then), FactHistory.objects.count()
        transaction.set_rollback(True)
    return seconds


def compare(title: str, first: Path, then: Path, rounds: int) -> None:
    """Print both imports with and without a history, in turn, as medians and their ratio."""
    with_it, without = [], []
    for _ in range(rounds):
        with_it.append(once(first, then))
        with nothing_noted():
            without.append(once(first, then))
    assert not any(noted for _, _, noted in without)
    print(f"{title}; {with_it[0][2]:,} rows noted")
    for place, name in enumerate(("all new", "every instrument changed")):
        noted, bare = (statistics.median(row[place] for row in rows) for rows in (with_it, without))
        print(
            f"  {name:26}{noted:7.2f} s with the history, {bare:6.2f} s without: {noted / bare:.2f} ×",
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--instruments", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.db import connection
    from django.test.utils import setup_test_environment, teardown_test_environment

    setup_test_environment()
    name = connection.settings_dict["NAME"]
    connection.creation.create_test_db(verbosity=0)
    try:
        with tempfile.TemporaryDirectory() as place:
            first = write_folder(Path(place) / "first", asked.instruments, 10)
            then = write_folder(Path(place) / "then", asked.instruments, 11)
            print(f"{connection.vendor}, {asked.instruments} instruments, medians of {asked.rounds}")
            (first / "readings.csv").write_text("room,time,relative_humidity_percent,temperature_c\n")
            (then / "readings.csv").write_text("room,time,relative_humidity_percent,temperature_c\n")
            compare("without readings", first, then, asked.rounds)
            add_readings(first)
            compare("with 175,200 readings", first, then, max(1, asked.rounds // 2))
    finally:
        connection.creation.destroy_test_db(name, verbosity=0)
        teardown_test_environment()


if __name__ == "__main__":
    main()
