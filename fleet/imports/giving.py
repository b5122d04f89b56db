"""Exporting a site as a folder that reads back the same: facts in a fixed order, numbers to the last bit.

Texts are written as they are, since a guard against formulas in spreadsheets would change them; the tables
that people download from pages have that guard. Left out are what is derived (days, doubts), what opens
doors (users, memberships, the public names of instruments), and when a row was typed in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from fleet import bulk
from fleet.imports import calendar, service_kinds, tables
from fleet.imports.bookings import stored_bookings
from fleet.imports.calendar import write_calendar
from fleet.imports.csvfile import write_csv
from fleet.imports.folder import readings_files, stored_service_kinds
from fleet.imports.merge import cell_text, stored_records
from fleet.imports.readings import CELLS, HUMIDITY
from fleet.imports.rows import Progress
from fleet.imports.tables import Column, Record, Table
from fleet.local_time import SECOND, LocalClock, Micros, instant_of
from fleet.models import ClimateReading, Room, Site
from fleet.refusal import Refused

READINGS = "readings.csv"


def export_folder(site: Site, path: Path, *, progress: Progress = lambda line: None) -> dict[str, int]:
    """Write a site as a folder and return the rows by file.

    Files of an earlier export are replaced; an optional file is written where there are rows for it, or where
    one stands there already.

    Raises
    ------
    Refused
        Where the folder holds other files of readings, which would be read along with what is written.
    """
    path.mkdir(parents=True, exist_ok=True)
    _check_nothing_in_the_way(path)
    written: dict[str, int] = {}
    for table in tables.TABLES:
        records = _records(table, site)
        file = path / table.file
        if records or table.required or file.exists():
            columns = _columns(table, records)
            write_csv(file, [column.name for column in columns], _rows(columns, records))
            written[table.file] = len(records)
    bookings = [record for _, record in stored_bookings(site).values()]
    if bookings or (path / calendar.FILE).exists():
        write_calendar(path / calendar.FILE, bookings)
        written[calendar.FILE] = len(bookings)
    written[READINGS] = _write_readings(site, path / READINGS, progress)
    return written


def _check_nothing_in_the_way(path: Path) -> None:
    """Refuse a folder with readings that would be read along with those written."""
    others = [file.name for file in readings_files(path) if file.name != READINGS]
    if others:
        raise Refused(
            "readings of another export stand in the folder",
            file=others[0],
            accepted=f"an empty folder, or one whose readings are all in {READINGS}",
        )


def _records(table: Table, site: Site) -> list[Record]:
    """Return a table's rows in the order in which they are written."""
    if table is tables.SERVICE_KINDS:
        records = service_kinds.beyond_defaults(stored_service_kinds(site))
    else:
        records = [record for _, record in stored_records(table, site).values()]
    names = table.sort or table.key
    return sorted(records, key=lambda record: [record[name] for name in names])


def _columns(table: Table, records: list[Record]) -> list[Column]:
    """Return the columns to write: those agreed on, and of our own those that a row needs."""
    return [column for column in table.columns if not column.extra or _is_needed(table, column, records)]


def _is_needed(table: Table, column: Column, records: list[Record]) -> bool:
    """Return whether leaving a column out would lose something."""
    if table is tables.SERVICE_KINDS:
        start = service_kinds.default_records()
        added = service_kinds.UNLESS_SAID | service_kinds.OF_ADDED_KIND
        standard = [start.get(table.key_of(record), (0, added))[1] for record in records]
        return any(
            one[column.name] != record[column.name] for one, record in zip(standard, records, strict=True)
        )
    if table.derive is None:
        return any(record[column.name] != column.default for record in records)
    bare = [{name: value for name, value in one.items() if name != column.name} for one in records]
    table.derive(bare)
    said = [
        (one.get(column.name, column.default), record[column.name])
        for one, record in zip(bare, records, strict=True)
    ]
    return any(derived != stored for derived, stored in said)


def _rows(columns: list[Column], records: Iterable[Record]) -> Iterator[list[str]]:
    for record in records:
        yield [_text(column, record[column.name]) for column in columns]


def _text(column: Column, value: Any) -> str:
    """Return a value as a cell; what an empty cell says already is left empty."""
    if column.extra and not column.empty_keeps and value == column.default:
        return ""
    return cell_text(column, value)


def _write_readings(site: Site, path: Path, progress: Progress) -> int:
    """Write every reading, room by room, in local time with its offset; return how many."""
    rooms = Room.objects.of_site(site).order_by("name").values_list("pk", "name")
    with_source = ClimateReading.objects.of_site(site).exclude(source="").exists()
    header = ["room", "time", HUMIDITY, "temperature_c", *(["source"] if with_source else [])]
    count = 0

    def rows() -> Iterator[tuple[str, ...]]:
        nonlocal count
        for pk, name in rooms:
            series = bulk.read_series(pk)
            cells: list[Iterable[str]] = [
                [name] * len(series.times),
                local_texts(series.times, site.zone),
                map(CELLS[HUMIDITY].write, series.rh.tolist()),
                map(CELLS["temperature_c"].write, series.temp_c.tolist()),
            ]
            if with_source:
                cells.append(
                    ClimateReading.objects.filter(room=pk).order_by("time").values_list("source", flat=True)
                )
            yield from zip(*cells, strict=True)
            count += len(series.times)
            progress(f"{path.name}: {count:,} lines written")

    write_csv(path, header, rows())
    return count


def local_texts(times: Micros, zone: ZoneInfo) -> list[str]:
    """Return rising instants as local times with their offset, ISO 8601."""
    if not len(times):
        return []
    clock = LocalClock(zone, instant_of(times[0]).date(), instant_of(times[-1]).date())
    local = clock.to_local(times)
    stamps = local.astype("datetime64[us]")
    if not np.any(local % SECOND):
        stamps = stamps.astype("datetime64[s]")
    offsets = (local - times) // SECOND
    suffix = {int(offset): _offset_text(int(offset)) for offset in np.unique(offsets)}
    return [
        text + suffix[offset]
        for text, offset in zip(np.datetime_as_string(stamps).tolist(), offsets.tolist(), strict=True)
    ]


def _offset_text(seconds: int) -> str:
    """Return an offset as ``+01:00``, with seconds where there are any."""
    hours, rest = divmod(abs(seconds), 3600)
    minutes, left = divmod(rest, 60)
    return f"{'-' if seconds < 0 else '+'}{hours:02d}:{minutes:02d}" + (f":{left:02d}" if left else "")
