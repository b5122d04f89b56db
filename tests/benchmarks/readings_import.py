"""A million readings through the intake, beside a plain bulk insert of the same rows into the same table.

Run from the repository's root: ``python tests/benchmarks/readings_import.py [--readings 1000000]
[--rooms 30] [--rounds 3]``; ``DATABASE_URL`` chooses the database server, and a test database of its own is
made and dropped. The rival is what the driver offers at its plainest: one ``executemany`` on SQLite, one
``COPY`` on PostgreSQL, of rows already in the form that the driver takes, with neither comparison, nor
doubts, nor days. Rival and intake take turns, and the median round of each counts: whoever comes first has to
make the file grow. Folders are read and parsed besides, once each. Ratios are of one run; seconds depend on
the machine and on what else it does. The processor's time is that of this process, which on PostgreSQL leaves
out the server's.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
QUARTER_HOUR = 900 * 1_000_000
START = 1_735_689_600_000_000  # 2025-01-01 UTC [µs]


def air(readings: int, rooms: int) -> tuple[np.ndarray, ...]:
    """Return room number, instants, temperature and humidity of quarter-hour readings."""
    rng = np.random.default_rng(20261125)
    each = readings // rooms
    room = np.repeat(np.arange(rooms), each)
    times = START + np.tile(np.arange(each) * QUARTER_HOUR, rooms)
    temp_c = np.round(21 + rng.normal(0, 0.4, len(room)), 2)
    rh = np.round(0.45 + rng.normal(0, 0.04, len(room)), 3)
    return room, times, temp_c, rh


def seconds(work: Callable[[], Any]) -> tuple[float, float]:
    """Return how long some work took by the wall's clock and by the processor's [s]."""
    start, busy = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - start, time.process_time() - busy


def plainly(rows: list[tuple[Any, ...]]) -> None:
    """Put rows into the table of the readings with nothing around it."""
    from django.db import connection, transaction

    from fleet.bulk import TABLE

    names = "room_id, time, temp_c, rh, source, doubt"
    with transaction.atomic(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            with cursor.copy(f"COPY {TABLE} ({names}) FROM STDIN") as copy:
                for row in rows:
                    copy.write_row(row)
        else:
            cursor.executemany(f"INSERT INTO {TABLE} ({names}) VALUES (%s, %s, %s, %s, %s, %s)", rows)


def write_folder(folder: Path, names: list[str], columns: tuple[np.ndarray, ...]) -> None:
    """Write the readings as a folder in the site's local time with an offset of UTC."""
    room, times, temp_c, rh = columns
    stamps = np.datetime_as_string(times.astype("datetime64[us]").astype("datetime64[s]")).tolist()
    (folder / "site.csv").write_text("name,time_zone\nTimed by folder,Europe/Vienna\n")
    (folder / "rooms.csv").write_text("room\n" + "".join(f"{name}\n" for name in names))
    (folder / "instruments.csv").write_text("instrument,kind,year_built,in_service_since,room,use_class\n")
    (folder / "services.csv").write_text("instrument,kind,date\n")
    with open(folder / "readings.csv", "w") as file:
        file.write("room,time,relative_humidity_percent,temperature_c\n")
        file.writelines(
            f"{names[place]},{stamp}Z,{100 * humidity:.1f},{degrees}\n"
            for place, stamp, humidity, degrees in zip(
                room.tolist(), stamps, rh.tolist(), temp_c.tolist(), strict=True
            )
        )


def measure(columns: tuple[np.ndarray, ...], rooms: int, rounds: int) -> dict[str, list[tuple[float, float]]]:
    """Return what was done and how long it took in each round, by the wall and by the processor [s]."""
    from django.utils import timezone

    from fleet import intake
    from fleet.bulk import time_texts
    from fleet.imports import export_folder, import_folder
    from fleet.models import ClimateDay, ClimateReading, Room, Site
    from fleet.sites import create_site

    site = create_site("Timed by arrays", "Europe/Vienna")
    names = [f"Room {number}" for number in range(rooms)]
    ids = np.array(
        [room.pk for room in Room.objects.bulk_create(Room(site=site, name=name) for name in names)]
    )
    room, times, temp_c, rh = columns
    count = len(times)
    rows = list(
        zip(
            ids[room].tolist(),
            time_texts(times),
            temp_c.tolist(),
            rh.tolist(),
            [""] * count,
            [""] * count,
            strict=True,
        )
    )
    took: dict[str, list[tuple[float, float]]] = {}

    def timed(what: str, work: Callable[[], Any]) -> None:
        took.setdefault(what, []).append(seconds(work))

    def by_arrays() -> None:
        intake.store_readings(site, ids[room], times, temp_c, rh)

    def by_folder() -> None:
        import_folder(folder, now=timezone.now())

    for _ in range(rounds):
        timed("plain insert", lambda: plainly(rows))
        ClimateReading.objects.all()._raw_delete("default")
        timed("intake, all new", by_arrays)
        timed("intake, all the same", by_arrays)
        for model in (ClimateReading, ClimateDay):
            model.objects.all()._raw_delete("default")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_folder(folder, names, columns)
        timed("import_folder, all new", by_folder)
        timed("export_folder", lambda: export_folder(Site.objects.get(name="Timed by folder"), folder))
        timed("import_folder, all the same", by_folder)
    return took


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--rooms", type=int, default=30)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.db import connection

    # In a file, as it is used, and not in memory.
    connection.settings_dict["TEST"]["NAME"] = (
        str(Path(tempfile.gettempdir()) / "readings_import.db")
        if connection.vendor == "sqlite"
        else "readings_import"
    )
    columns = air(options.readings, options.rooms)
    connection.creation.create_test_db(verbosity=0, autoclobber=True)
    try:
        took = measure(columns, options.rooms, options.rounds)
    finally:
        connection.creation.destroy_test_db(str(connection.settings_dict["NAME"]), verbosity=0)
    print(f"{len(columns[0]):,} readings of {options.rooms} rooms on {connection.vendor}")
    print(f"{'':28}{'wall s':>10}{'rows/s':>12}{'ratio':>8}{'processor s':>14}{'ratio':>8}")
    middle = {
        what: [statistics.median(clock) for clock in zip(*each, strict=True)] for what, each in took.items()
    }
    plain_wall, plain_busy = middle["plain insert"]
    for what, (wall, busy) in middle.items():
        print(
            f"{what:28}{wall:>10.2f}{len(columns[0]) / wall:>12,.0f}{wall / plain_wall:>8.2f}"
            f"{busy:>14.2f}{busy / plain_busy:>8.2f}"
        )


if __name__ == "__main__":
    main()
