"""Readings between tables and arrays in bulk and in plain SQL: model instances take ten times as long."""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from fleet.local_time import SECOND, Micros, instant_of, micros
from fleet.models import ClimateReading, Room
from fleet.quality import DOUBTS, Codes, Floats

TABLE = ClimateReading._meta.db_table
COLUMNS = ("room_id", "time", "temp_c", "rh", "source", "doubt")
NAMES = ", ".join(COLUMNS)
ROWS_AT_ONCE = 332  # of three values each; SQLite takes 999 in a statement unless built for more
_CODES = {doubt: code for code, doubt in enumerate(DOUBTS)}
# A cast hides the column's type from the driver, which would make a datetime of every text.
_TIME = {"sqlite": "CAST(time AS TEXT)", "postgresql": "(extract(epoch FROM time) * 1000000)::bigint AS us"}
_WHEN = " ".join(f"WHEN '{doubt}' THEN {code}" for doubt, code in _CODES.items())
_CODE = f"CASE doubt {_WHEN} END"

# PostgreSQL's manual, COPY, "Binary Format": what stands around the rows, and what a row looks like.
_BINARY_HEAD, _BINARY_END = b"PGCOPY\n\xff\r\n\0" + bytes(8), struct.pack(">h", -1)
_BINARY_ROW = [("fields", ">i2")]
for _name, _kind in (("room_id", ">i8"), ("time", ">i8"), ("temp_c", ">f8"), ("rh", ">f8")):
    _BINARY_ROW += [(f"{_name}_bytes", ">i4"), (_name, _kind)]
_YEAR_2000 = 946_684_800 * SECOND  # from where PostgreSQL counts instants [µs]


@dataclass(frozen=True)
class Series:
    """Readings of one room in rising order of time; all arrays of shape (n,)."""

    times: Micros  # instants [µs]
    temp_c: Floats  # [°C]
    rh: Floats  # [fraction]
    doubt: Codes  # codes into fleet.quality.DOUBTS


def read_series(room_id: int, low: int | None = None, high: int | None = None) -> Series:
    """Return the readings of a room from one instant to another [µs], both included."""
    query = f"SELECT {_TIME[connection.vendor]}, temp_c, rh, {_CODE} AS code FROM {TABLE} WHERE room_id = %s"
    query += " AND time >= %s" * (low is not None) + " AND time <= %s" * (high is not None)
    query += " ORDER BY time"
    values: list[int | str] = [room_id]
    values += [time_parameter(bound) for bound in (low, high) if bound is not None]
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            return _packed_series(cursor, query, values)
        cursor.execute(query, values)
        columns = list(zip(*cursor.fetchall(), strict=True)) or [(), (), (), ()]
    return Series(
        times=np.array(columns[0], "datetime64[us]").astype(np.int64),
        temp_c=np.array(columns[1], np.float64),
        rh=np.array(columns[2], np.float64),
        doubt=np.array(columns[3], np.int8),
    )


def _packed_series(cursor: Any, query: str, values: Sequence[int | str]) -> Series:
    """Fetch a series as four strings of bytes: the driver takes them far sooner than thousands of rows."""
    columns = (("us", "int8"), ("temp_c", "float8"), ("rh", "float8"), ("code", "int2"))
    packed = ", ".join(f"string_agg({kind}send({name}::{kind}), ''::bytea)" for name, kind in columns)
    cursor.execute(f"SELECT {packed} FROM ({query}) AS series", values)
    us, temp_c, rh, code = (part or b"" for part in cursor.fetchone())
    return Series(
        times=np.frombuffer(us, ">i8").astype(np.int64),
        temp_c=np.frombuffer(temp_c, ">f8").astype(np.float64),
        rh=np.frombuffer(rh, ">f8").astype(np.float64),
        doubt=np.frombuffer(code, ">i2").astype(np.int8),
    )


def hold(room_id: int) -> None:
    """Let nobody else change the readings of a room until the caller's transaction ends.

    Two at once would each rebuild a day without the readings of the other.
    """
    Room.objects.select_for_update(no_key=True).filter(pk=room_id).values_list("pk", flat=True).first()


def upsert(room_id: int, series: Series, sources: NDArray[Any], fresh: bool = False) -> None:
    """Store readings of a room, replacing those of the same instant; runs in the caller's transaction.

    Where the caller holds the room and has seen that none of them is there yet, they are `fresh`.
    """
    replace = ", ".join(f"{name} = excluded.{name}" for name in COLUMNS[2:])
    conflict = "" if fresh else f"ON CONFLICT (room_id, time) DO UPDATE SET {replace}"
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            _copy(cursor, room_id, series, sources, conflict)
        return
    for source, doubt, rows in _alike(sources, series.doubt):
        _insert(room_id, series, rows, source, doubt, conflict)


def _alike(sources: NDArray[Any], codes: Codes) -> Iterator[tuple[str, str, NDArray[np.int64]]]:
    """Give every source and doubt that go together, and the readings that have both."""
    places: dict[str, int] = {}
    place = np.array([places.setdefault(source, len(places)) for source in sources.tolist()], np.int64)
    both = place * len(DOUBTS) + codes
    order = np.argsort(both, kind="stable")
    found, starts = np.unique(both[order], return_index=True)
    texts = list(places)
    for pair, rows in zip(found.tolist(), np.split(order, starts[1:]), strict=True):
        yield texts[pair // len(DOUBTS)], DOUBTS[pair % len(DOUBTS)], rows


def set_doubts(room_id: int, times: Micros, codes: Codes) -> None:
    """Mark stored readings of a room as doubtful or trusted."""
    rows = [
        (DOUBTS[code], room_id, text) for code, text in zip(codes.tolist(), time_texts(times), strict=True)
    ]
    with connection.cursor() as cursor:
        cursor.executemany(f"UPDATE {TABLE} SET doubt = %s WHERE room_id = %s AND time = %s", rows)


def unchanged_since(room: Room | int, before: int) -> int | None:
    """Return the last instant [µs] at which the air differed from what it was last before an instant."""
    return _last_other(room, before, "time__lt", "-time")


def unchanged_until(room: Room | int, after: int) -> int | None:
    """Return the first instant [µs] at which the air differs from what it is first after an instant."""
    return _last_other(room, after, "time__gt", "time")


def _last_other(room: Room | int, limit: int, side: str, order: str) -> int | None:
    """Return the nearest instant beyond the run of equal readings that lies next to a limit."""
    readings = ClimateReading.objects.filter(room=room).order_by(order)
    nearest = readings.filter(**{side: instant_of(limit)}).values("time", "temp_c", "rh").first()
    if nearest is None:
        return None
    beyond = readings.filter(**{side: nearest["time"]})
    other = beyond.exclude(temp_c=nearest["temp_c"], rh=nearest["rh"]).values_list("time", flat=True).first()
    return None if other is None else micros(other)


def time_parameter(us: int) -> str:
    """Return an instant as the database compares it."""
    return time_texts(np.array([us], np.int64))[0]


def time_texts(times: Micros) -> list[str]:
    """Return instants [µs] as UTC texts, in the very form in which the models store them."""
    if not len(times):
        return []
    stamps = times.astype("datetime64[us]")
    if not np.any(times % SECOND):
        stamps = stamps.astype("datetime64[s]")
    texts = np.datetime_as_string(stamps)
    texts.view("U1").reshape(len(times), -1)[:, len("2026-11-30")] = " "
    zone = "+00" if connection.vendor == "postgresql" else ""
    if not zone and stamps.dtype == "datetime64[s]":
        return list(texts.tolist())
    # The models leave out a fraction of zero, and texts are equal only if every character is.
    return [text.removesuffix(".000000") + zone for text in texts.tolist()]


def _copy(cursor: Any, room_id: int, series: Series, sources: NDArray[Any], conflict: str) -> None:
    """Copy rows into the readings, by way of a table of the transaction where some may be there already."""
    parts = [
        _binary(room_id, series, rows, source, doubt) for source, doubt, rows in _alike(sources, series.doubt)
    ]
    if not conflict:
        _copy_into(cursor, TABLE, parts)
        return
    cursor.execute(
        "CREATE TEMPORARY TABLE IF NOT EXISTS reading_intake ON COMMIT DROP "
        f"AS SELECT {NAMES} FROM {TABLE} LIMIT 0"
    )
    _copy_into(cursor, "reading_intake", parts)
    cursor.execute(f"INSERT INTO {TABLE} ({NAMES}) SELECT {NAMES} FROM reading_intake {conflict}")
    cursor.execute("TRUNCATE reading_intake")


def _binary(room_id: int, series: Series, rows: NDArray[np.int64], source: str, doubt: str) -> bytes:
    """Return readings of one source and doubt as PostgreSQL's COPY takes them in its binary format."""
    texts = [text.encode() for text in (source, doubt)]
    tail = b"".join(struct.pack(">i", len(text)) + text for text in texts)
    table = np.zeros(len(rows), np.dtype([*_BINARY_ROW, ("tail", f"V{len(tail)}")]))
    table["fields"] = len(COLUMNS)
    for name, values in (
        ("room_id", room_id),
        ("time", series.times[rows] - _YEAR_2000),
        ("temp_c", series.temp_c[rows]),
        ("rh", series.rh[rows]),
    ):
        table[f"{name}_bytes"] = 8
        table[name] = values
    table["tail"] = np.void(tail)
    return table.tobytes()


def _copy_into(cursor: Any, table: str, parts: Sequence[bytes]) -> None:
    with cursor.copy(f"COPY {table} ({NAMES}) FROM STDIN (FORMAT binary)") as copy:
        for part in (_BINARY_HEAD, *parts, _BINARY_END):
            copy.write(part)


def _insert(
    room_id: int, series: Series, rows: NDArray[np.int64], source: str, doubt: str, conflict: str
) -> None:
    """Insert many rows in each statement, with what they share said once: thrice as fast as row by row.

    Past Django's cursor, which would rewrite every placeholder of every statement.
    """
    columns = time_texts(series.times[rows]), series.temp_c[rows].tolist(), series.rh[rows].tolist()
    values = list(chain.from_iterable(zip(*columns, strict=True)))
    connection.ensure_connection()
    cursor = connection.connection.cursor()
    with connection.wrap_database_errors:
        for begin in range(0, len(values), 3 * ROWS_AT_ONCE):
            part = values[begin : begin + 3 * ROWS_AT_ONCE]
            more = ", (?1, ?, ?, ?, ?2, ?3)" * (len(part) // 3 - 1)
            cursor.execute(
                f"INSERT INTO {TABLE} ({NAMES}) VALUES (?1, ?4, ?5, ?6, ?2, ?3){more} {conflict}",
                [room_id, source, doubt, *part],
            )
