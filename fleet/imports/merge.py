"""Records against the tables: what is new, what differs, what is the same, and storing the first two."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.db.models import Model

from fleet.imports.rows import Row, key_text
from fleet.imports.tables import NAMES, Column, Key, Record, Table
from fleet.models import Site

BATCH = 500
EXAMPLES = 20


@dataclass(frozen=True)
class Change:
    """A stored row that differs: where it is, what the file says, and which columns differ."""

    pk: int
    row: Row
    before: Record
    columns: list[str]


@dataclass
class Difference:
    """What storing a file's rows would do."""

    new: list[Row] = field(default_factory=list)
    changed: list[Change] = field(default_factory=list)
    same: int = 0


def stored_records(table: Table, site: Site | None) -> dict[Key, tuple[int, Record]]:
    """Return the stored rows of a table by key, in the order in which they were stored."""
    if site is None:
        return {}
    names = [column.name for column in table.columns]
    values = (
        table.model.objects.of_site(site)  # type: ignore[attr-defined]
        .order_by("pk")
        .values_list("pk", *(column.path for column in table.columns))
    )
    found = ((pk, dict(zip(names, rest, strict=True))) for pk, *rest in values)
    return {table.key_of(record): (pk, record) for pk, record in found}


def compare(table: Table, rows: Iterable[Row], stored: dict[Key, tuple[int, Record]]) -> Difference:
    """Return how rows differ from what is stored; a column that a row does not have is not compared."""
    return compare_by_key(((table.key_of(row.record), row) for row in rows), stored)


def compare_by_key(rows: Iterable[tuple[Key, Row]], stored: dict[Key, tuple[int, Record]]) -> Difference:
    """Return how keyed rows differ from what is stored."""
    difference = Difference()
    for key, row in rows:
        if key not in stored:
            difference.new.append(row)
            continue
        pk, before = stored[key]
        columns = [name for name, value in row.record.items() if value != before[name]]
        if columns:
            difference.changed.append(Change(pk, row, before, columns))
        else:
            difference.same += 1
    return difference


def store(table: Table, difference: Difference, site: Site) -> None:
    """Store what is new and what differs."""
    _store_new(table, difference.new, site)
    _store_changed(table, [(change.pk, change.row, change.columns) for change in difference.changed], site)


def examples(table: Table, difference: Difference) -> list[dict[str, Any]]:
    """Return the first changes as texts: the key and, by column, what was and what is to be."""
    return [
        {
            "key": key_text(table.key_of(change.row.record)),
            "columns": {
                name: [
                    cell_text(table.by_name[name], change.before[name]),
                    cell_text(table.by_name[name], change.row.record[name]),
                ]
                for name in change.columns
            },
        }
        for change in difference.changed[:EXAMPLES]
    ]


def cell_text(column: Column, value: Any) -> str:
    """Return a value as the file shows it."""
    if value is None or (value == "" and not column.needed):
        return ""
    return column.cell.write(value)


def _store_new(table: Table, rows: list[Row], site: Site) -> None:
    """Add rows; a reference to a row of the same table is set once all of them are there."""
    ids = _ids(table, site)
    inner = [column for column in table.columns if column.refers and _model_of(column) is table.model]
    outer = [column for column in table.columns if column not in inner]
    owner = {"site": site} if any(one.name == "site" for one in table.model._meta.get_fields()) else {}
    made = table.model._default_manager.bulk_create(
        [
            table.model(**owner, **dict(_attribute(column, row.record, ids) for column in outer))
            for row in rows
        ],
        batch_size=BATCH,
    )
    linked = [
        (one.pk, row, [column.name for column in inner])
        for one, row in zip(made, rows, strict=True)
        if any(row.record.get(column.name) is not None for column in inner)
    ]
    _store_changed(table, linked, site)


def _store_changed(table: Table, changes: list[tuple[int, Row, list[str]]], site: Site) -> None:
    """Set the named columns of stored rows."""
    if not changes:
        return
    ids = _ids(table, site)
    stored = table.model._default_manager.in_bulk([pk for pk, _, _ in changes])
    fields: set[str] = set()
    for pk, row, names in changes:
        for name in names:
            column = table.by_name[name]
            attribute, value = _attribute(column, row.record, ids)
            setattr(stored[pk], attribute, value)
            fields.add(column.field)
    table.model._default_manager.bulk_update(list(stored.values()), sorted(fields), batch_size=BATCH)


def _attribute(column: Column, record: Record, ids: dict[str, dict[str, int]]) -> tuple[str, Any]:
    """Return the attribute of the model and its value."""
    value = record.get(column.name, column.default)
    if not column.refers:
        return column.field, value
    return f"{column.field}_id", None if value is None else ids[column.refers][value]


def _ids(table: Table, site: Site) -> dict[str, dict[str, int]]:
    """Return, for each kind of thing the columns refer to, its ids by name."""
    return {refers: ids_of(refers, site) for refers in {column.refers for column in table.columns} - {""}}


def ids_of(refers: str, site: Site) -> dict[str, int]:
    """Return the ids of a kind of thing by name."""
    model, name = NAMES[refers]
    return dict(model.objects.of_site(site).values_list(name, "pk"))  # type: ignore[attr-defined]


def _model_of(column: Column) -> type[Model]:
    """Return the model a column refers to."""
    return NAMES[column.refers][0]
