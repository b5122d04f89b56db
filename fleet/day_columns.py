"""The days of many rooms as arrays, in plain SQL: a page that reads years of them makes no model of any."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
from django.db import connection
from numpy.typing import NDArray

from fleet.daily import DailyAir
from fleet.models import ClimateDay, Room, Site

Floats = NDArray[np.float64]
Days = NDArray[np.int64]

TABLE, ROOMS = ClimateDay._meta.db_table, Room._meta.db_table
NAMES = frozenset(field.name for field in ClimateDay._meta.fields)
EPOCH = date(1970, 1, 1).toordinal()
FIGURES = tuple(f"{quantity}_{figure}" for quantity in ("temp_c", "rh") for figure in ("mean", "min", "max"))
COUNTS = ("readings", "doubtful", "hours_covered")


def day_columns(
    site: Site, first: date, last: date, *names: str, known: str = "", rooms: list[int] | None = None
) -> dict[int, tuple[Days, Floats]]:
    """Return days and figures of every room of a site that has any; one query.

    Parameters
    ----------
    first, last : both included
    names : columns of the daily table
    known : a column; days where it is empty are left out
    rooms : only these

    Returns
    -------
    dict of room id to (days, table)
        Days are proleptic ordinals in rising order, shape (n,); the table is of shape (n, len(names)), NaN
        where nothing is known.
    """
    unknown = {*names, *([known] if known else [])} - NAMES
    if unknown:
        raise ValueError(f"no columns of a day: {', '.join(sorted(unknown))}")
    packed = connection.vendor == "postgresql"
    day = "(date - DATE '1970-01-01')::int8" if packed else "CAST(julianday(date) - 2440587.5 AS INTEGER)"
    where = "room.site_id = %s AND day.date >= %s AND day.date <= %s"
    where += f" AND day.{known} IS NOT NULL" if known else ""
    values: list[int | str] = [site.pk, first.isoformat(), last.isoformat()]
    if rooms is not None:
        where += f" AND room.id IN ({', '.join(['%s'] * len(rooms)) or 'NULL'})"
        values += rooms
    columns = ", ".join(f"day.{name} AS {name}" for name in names)
    rows = (
        f"SELECT day.room_id AS room_id, {day} AS number, {columns} FROM {TABLE} day "
        f"JOIN {ROOMS} room ON room.id = day.room_id WHERE {where} ORDER BY day.room_id, day.date"
    )
    with connection.cursor() as cursor:
        if packed:
            cursor.execute(_packed(rows, names), values)
            return {room: _unpacked(numbers, parts) for room, numbers, *parts in cursor.fetchall()}
        cursor.execute(rows, values)
        return _by_room(np.array(cursor.fetchall(), float).reshape(-1, 2 + len(names)))


def store_days(room_id: int, air: DailyAir) -> None:
    """Store days of a room, in place of those of the same dates; runs in the caller's transaction."""
    columns = ("room_id", "date", *COUNTS, *FIGURES)
    places = ", ".join(["%s"] * len(columns))
    replace = ", ".join(f"{name} = excluded.{name}" for name in columns[2:])
    days = np.datetime_as_string(air.days.astype("datetime64[D]")).tolist()
    counts = [getattr(air, name).tolist() for name in COUNTS]
    figures = np.hstack([air.temp_c, air.rh]).astype(object)
    figures[air.hours_covered == 0] = None
    rows: list[tuple[Any, ...]] = list(
        zip([room_id] * len(days), days, *counts, *figures.T.tolist(), strict=True)
    )
    with connection.cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {TABLE} ({', '.join(columns)}) VALUES ({places}) "
            f"ON CONFLICT (room_id, date) DO UPDATE SET {replace}",
            rows,
        )


def _packed(rows: str, names: tuple[str, ...]) -> str:
    """One row a room: a driver takes a column as one string of bytes far sooner than as thousands of rows.

    The rows come in order and stay so but where the server chooses otherwise; to have it sort them again for
    each column would take most of the time.
    """
    floats = ", ".join(
        f"string_agg(float8send(coalesce({name}::float8, 'NaN')), ''::bytea)" for name in names
    )
    numbers = "string_agg(int8send(number), ''::bytea)"
    return f"SELECT room_id, {numbers}, {floats} FROM ({rows}) kept GROUP BY room_id"


def _unpacked(numbers: bytes, parts: list[bytes]) -> tuple[Days, Floats]:
    days = EPOCH + np.frombuffer(numbers, ">i8").astype(np.int64)
    table = np.column_stack([np.frombuffer(part, ">f8") for part in parts]).astype(float)
    if (np.diff(days) > 0).all():
        return days, table
    order = np.argsort(days)
    return days[order], table[order]


def _by_room(table: Floats) -> dict[int, tuple[Days, Floats]]:
    if not len(table):
        return {}
    rooms, starts = np.unique(table[:, 0], return_index=True)
    parts = np.split(table, starts[1:])
    return {
        int(room): (EPOCH + part[:, 1].astype(np.int64), part[:, 2:])
        for room, part in zip(rooms, parts, strict=True)
    }
