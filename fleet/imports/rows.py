"""Rows of a file as records: every cell read, local times placed, keys found once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from pathlib import Path

import numpy as np

from fleet.imports.cells import Instant, Text
from fleet.imports.csvfile import CsvFile
from fleet.imports.findings import Findings
from fleet.imports.tables import Column, Key, Record, Table
from fleet.local_time import LocalClock, instant_of, micros
from fleet.refusal import Refused

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Row:
    """A record and the physical line it came from."""

    line: int
    record: Record


def read_table(path: Path, table: Table, findings: Findings, zone: tzinfo | None = None) -> list[Row]:
    """Return the rows of a file; what is wrong with them goes to the findings.

    Raises
    ------
    Refused
        Where the file as a whole cannot be read.
    """
    needed = [column.name for column in table.columns if column.needed or column.listed]
    file = CsvFile(path, [column.name for column in table.columns], needed, findings)
    columns = [table.by_name[name] for name in file.header]
    rows = []
    for line, cells in file:
        record = _read_cells(file.name, line, columns, cells, findings)
        if record is not None:
            rows.append(Row(line, record))
    if zone is not None:
        for column in columns:
            if isinstance(column.cell, Instant):
                rows = _placed(file.name, rows, column, zone, findings)
    if table.derive:
        table.derive([row.record for row in rows])
    _check_keys(file.name, table, rows, findings)
    return rows


def _read_cells(
    file: str, line: int, columns: list[Column], cells: list[str], findings: Findings
) -> Record | None:
    """Return a row as a record, None where a cell is refused."""
    record: Record = {}
    for column, text in zip(columns, cells, strict=True):
        empty = not text if isinstance(column.cell, Text) and not column.needed else not text.strip()
        if empty and column.needed:
            findings.add(Refused("an empty cell", file=file, line=line, column=column.name, value=text))
            return None
        if empty:
            if not column.empty_keeps:
                record[column.name] = column.default
            continue
        try:
            record[column.name] = column.cell.read(text)
        except ValueError as error:
            findings.add(
                Refused(
                    "not accepted", file=file, line=line, column=column.name, value=text, accepted=str(error)
                )
            )
            return None
    return record


def _placed(file: str, rows: list[Row], column: Column, zone: tzinfo, findings: Findings) -> list[Row]:
    """Return the rows with the column's local times turned into instants."""
    local_rows = [row for row in rows if _is_local(row.record.get(column.name))]
    if not local_rows:
        return rows
    times: list[datetime] = [row.record[column.name] for row in local_rows]
    clock = LocalClock(zone, min(times).date(), max(times).date())
    local = np.array([micros(time) for time in times], np.int64)
    things = {name: code for code, name in enumerate({row.record.get("instrument"): 0 for row in local_rows})}
    groups = np.array([things[row.record.get("instrument")] for row in local_rows], np.int64)
    instants = clock.to_utc(local, clock.second_readings(groups, local))
    placed = {id(row): instant_of(us) for row, us in zip(local_rows, instants, strict=True)}
    for row, skipped in zip(local_rows, clock.skipped(local), strict=True):
        if skipped:
            findings.add(skipped_hour(file, row.line, column.name, row.record[column.name].isoformat()))
    return [
        replace(row, record=row.record | {column.name: placed[id(row)]}) if id(row) in placed else row
        for row in rows
    ]


def _is_local(value: object) -> bool:
    return isinstance(value, datetime) and value.tzinfo is None


def skipped_hour(file: str, line: int, column: str, value: str) -> Refused:
    """Say that a local time is one the clocks skip."""
    return Refused(
        "the clocks of the site skip this time",
        file=file,
        line=line,
        column=column,
        value=value,
        accepted="a time with its offset, or one that the clocks show",
    )


def _check_keys(file: str, table: Table, rows: list[Row], findings: Findings) -> None:
    """Refuse two rows for the same thing."""
    lines: dict[Key, int] = {}
    for row in rows:
        key = table.key_of(row.record)
        if key in lines:
            findings.add(
                Refused(
                    f"the same {' and '.join(table.key)} as in line {lines[key]}",
                    file=file,
                    line=row.line,
                    column=table.key[0],
                    value=key_text(key),
                    accepted="each once",
                )
            )
        lines.setdefault(key, row.line)


def key_text(key: Key) -> str:
    """Return a key as people read it."""
    return ", ".join(part.isoformat() if hasattr(part, "isoformat") else str(part) for part in key)
