"""Tables read and written whole: every row in the order of its key, at one instant of a running database."""

from __future__ import annotations

import hashlib
import itertools
import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.db import models
from django.db.backends.base.base import BaseDatabaseWrapper

from fleet.keeping.cells import Cells, cells_of

ROWS_AT_ONCE = 2000
Line = str  # a row as a JSON list


@dataclass(frozen=True)
class KeptTable:
    """A table with its columns in the order in which they are written."""

    name: str
    key: str
    columns: tuple[str, ...]
    cells: tuple[Cells, ...]
    text_key: bool


def tables_of(registry: Any = apps) -> list[KeptTable]:
    """Return the tables of all models, and those between them, by name."""
    found = {
        model._meta.db_table: model
        for model in registry.get_models(include_auto_created=True)
        if model._meta.managed and not model._meta.proxy and not model._meta.swapped
    }
    return [_table(found[name]) for name in sorted(found)]


def _table(model: type[models.Model]) -> KeptTable:
    fields = model._meta.concrete_fields
    key = model._meta.pk
    assert key is not None
    return KeptTable(
        name=model._meta.db_table,
        key=str(key.column),
        columns=tuple(str(field.column) for field in fields),
        cells=tuple(cells_of(field) for field in fields),
        text_key=isinstance(key, models.CharField),
    )


class OneInstant:
    """A database as it stands at one instant, whatever is written to it meanwhile."""

    def __init__(self, raw: Any, vendor: str) -> None:
        self.raw = raw
        self.vendor = vendor

    def lines(self, table: KeptTable) -> Iterator[Line]:
        """Yield a table's rows in the order of its key."""
        read = _read_sqlite if self.vendor == "sqlite" else _read_postgres
        for row in read(self.raw, table):
            yield json.dumps(row, ensure_ascii=False, separators=(",", ":"))

    def last_number(self, table: KeptTable) -> int | None:
        """Return the last number a table has given to a row, so that none is given twice."""
        if table.text_key:
            return None
        if self.vendor == "sqlite":
            query = "SELECT max(seq) FROM sqlite_sequence WHERE name = ?"
            last: int | None = _first(self.raw.execute(query, (table.name,)))
            return last or None
        sequence = _sequence(self.raw, table)
        if sequence is None:
            return None
        last = _first(self.raw.execute(f"SELECT CASE WHEN is_called THEN last_value END FROM {sequence}"))
        return last


@contextmanager
def own_connection(database: BaseDatabaseWrapper) -> Iterator[Any]:
    """Open a plain connection to the same database, which turns no value and begins nothing by itself."""
    own = database.copy()
    how = own.get_connection_params()
    if database.vendor == "sqlite":
        how |= {"detect_types": 0, "isolation_level": None}
    # With what the rules of the tables need, such as the day of a week, which SQLite does not know.
    raw = own.get_new_connection(how)
    if database.vendor != "sqlite":
        raw.autocommit = True
        raw.execute("SET TIME ZONE 'UTC'")
    try:
        yield raw
    finally:
        raw.close()


@contextmanager
def one_instant(database: BaseDatabaseWrapper) -> Iterator[OneInstant]:
    """Hold a database at one instant; writers go on undisturbed."""
    with own_connection(database) as raw:
        # On SQLite deferred, so that it takes no lock that a writer would wait for.
        sqlite = database.vendor == "sqlite"
        raw.execute("BEGIN" if sqlite else "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
        # The instant is that of the first look.
        raw.execute("SELECT count(*) FROM django_migrations").fetchone()
        yield OneInstant(raw, database.vendor)


def _read_sqlite(raw: Any, table: KeptTable) -> Iterator[list[Any]]:
    turns = [cells.from_sqlite for cells in table.cells]
    names = ", ".join(f'"{name}"' for name in table.columns)
    cursor = raw.cursor()
    cursor.execute(f'SELECT {names} FROM "{table.name}" ORDER BY "{table.key}"')
    while rows := cursor.fetchmany(ROWS_AT_ONCE):
        for row in rows:
            yield [None if value is None else turn(value) for value, turn in zip(row, turns, strict=True)]


def _read_postgres(raw: Any, table: KeptTable) -> Iterator[list[Any]]:
    turns = [cells.from_text for cells in table.cells]
    names = ", ".join(f'"{name}"' for name in table.columns)
    order = f'"{table.key}"' + (' COLLATE "C"' if table.text_key else "")
    with (
        raw.cursor() as cursor,
        cursor.copy(f'COPY (SELECT {names} FROM "{table.name}" ORDER BY {order}) TO STDOUT') as copy,
    ):
        for row in copy.rows():
            yield [None if value is None else turn(value) for value, turn in zip(row, turns, strict=True)]


def put(raw: Any, vendor: str, table: KeptTable, lines: Iterable[Line]) -> None:
    """Store rows in an empty table within the caller's transaction."""
    names = ", ".join(f'"{name}"' for name in table.columns)
    sqlite = vendor == "sqlite"
    turns = [cells.to_sqlite if sqlite else cells.to_text for cells in table.cells]
    rows = (
        [None if cell is None else turn(cell) for cell, turn in zip(json.loads(line), turns, strict=True)]
        for line in lines
    )
    if sqlite:
        places = ", ".join("?" * len(table.columns))
        while part := list(itertools.islice(rows, ROWS_AT_ONCE)):
            raw.executemany(f'INSERT INTO "{table.name}" ({names}) VALUES ({places})', part)
        return
    with raw.cursor() as cursor, cursor.copy(f'COPY "{table.name}" ({names}) FROM STDIN') as copy:
        for row in rows:
            copy.write_row(row)


def go_on_from(raw: Any, vendor: str, table: KeptTable, last: int | None) -> None:
    """Let a table give its next row the number after the last one it ever gave."""
    if last is None:
        return
    if vendor == "sqlite":
        raw.execute("DELETE FROM sqlite_sequence WHERE name = ?", (table.name,))
        raw.execute("INSERT INTO sqlite_sequence (name, seq) VALUES (?, ?)", (table.name, last))
    elif sequence := _sequence(raw, table):
        raw.execute("SELECT setval(%s, %s)", (sequence, last))


def empty(raw: Any, vendor: str, tables: Iterable[KeptTable]) -> None:
    """Remove every row within the caller's transaction."""
    names = [f'"{table.name}"' for table in tables]
    if vendor == "sqlite":
        for name in names:
            raw.execute(f"DELETE FROM {name}")
    elif names:
        raw.execute(f"TRUNCATE {', '.join(names)}")


def digest_of(lines: Iterable[Line]) -> tuple[int, str]:
    """Return how many rows there are and the hash of their lines."""
    rows, seen = 0, hashlib.sha256()
    for line in lines:
        rows += 1
        seen.update(line.encode() + b"\n")
    return rows, seen.hexdigest()


def _sequence(raw: Any, table: KeptTable) -> str | None:
    found: str | None = _first(
        raw.execute("SELECT pg_get_serial_sequence(%s, %s)", (f'"{table.name}"', table.key))
    )
    return found


def _first(cursor: Any) -> Any:
    row = cursor.fetchone()
    return row[0] if row else None
