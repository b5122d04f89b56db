"""Rows of a table of instruments or services into a site: all or nothing, by the checks of the folder."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime

from django.db import DatabaseError, transaction

from fleet.imports import merge, tables
from fleet.imports.checks import Known, check_rows
from fleet.imports.corrections import note_corrections
from fleet.imports.findings import Findings
from fleet.imports.merge import Difference
from fleet.imports.rows import Row
from fleet.imports.tables import Record, Table
from fleet.imports.taking import Counts, Taken
from fleet.models import Room, Site
from fleet.refusal import AllRefused, Refused
from fleet.sheets.rows import Line
from fleet.signals import tell_facts_changed

FILES = {"instruments": tables.INSTRUMENTS, "services": tables.SERVICES, "people": tables.PEOPLE}


def take_lines(
    site: Site,
    kind: str,
    lines: Iterable[Line | Refused],
    name: str,
    now: datetime,
    store: bool,
    only_new: bool = False,
) -> Taken:
    """Compare the lines of a table with a site, or store them; rooms that are not there yet are made.

    What is there already is updated, or refused where only new things are meant.

    Raises
    ------
    Refused
        With every reason found, up to a bound, by the table's own lines and columns; nothing is stored then.
    """
    findings = Findings()
    read = _Read(FILES[kind], findings, name)
    for line in lines:
        read.add(line)
    rows = {read.table.file: read.rows}
    if kind == "instruments":
        rows[tables.ROOMS.file] = _new_rooms(site, read.rooms)
    if read.table.derive:
        read.table.derive([row.record for row in read.rows])
    read.check_twice()
    if only_new:
        read.check_new(site)
    _check(site, rows, read, site.local_date(now))
    findings.check()
    if not read.rows:
        raise Refused("no row to take", file=name, accepted="a row for each thing below the header")
    taken = Taken(site.name, not store)
    try:
        with transaction.atomic():
            for table in (tables.ROOMS, read.table):
                if table.file in rows:
                    _take(site, table, rows[table.file], taken, now, store)
            if store and any(one.new or one.changed for one in taken.files.values()):
                tell_facts_changed(site.pk, now=now)
    except DatabaseError as error:
        raise Refused(f"the database does not take it ({error})") from error
    return taken


class _Read:
    """Lines read into records, with where every value came from."""

    def __init__(self, table: Table, findings: Findings, name: str) -> None:
        self.table, self.findings, self.name = table, findings, name
        self.rows: list[Row] = []
        self.rooms: dict[str, tuple[int, Record]] = {}
        self.lines: dict[int, Line] = {}

    def add(self, line: Line | Refused) -> None:
        """Read a line; what is wrong with it goes to the findings."""
        if isinstance(line, Refused):
            line.file = self.name
            self.findings.add(line)
            return
        self.lines[line.number] = line
        record: Record = {}
        for column in self.table.columns:
            text = line.texts.get(column.name, "")
            if not text:
                if column.needed:
                    self.refuse("an empty cell", line.number, column.name, "a value")
                    return
                continue
            try:
                record[column.name] = column.cell.read(text)
            except ValueError as error:
                self.refuse("not accepted", line.number, column.name, str(error))
                return
        if "room" in record:
            self._note_room(line, record["room"])
        self.rows.append(Row(line.number, record))

    def _note_room(self, line: Line, room: str) -> None:
        building = line.texts.get("building", "")
        _first, known = self.rooms.setdefault(room, (line.number, {"room": room, "building": building}))
        if building and known["building"] and known["building"] != building:
            accepted = f"one building a room: {known['building']}"
            self.refuse(f"the room {room} stands in two buildings", line.number, "building", accepted)
        known["building"] = known["building"] or building

    def refuse(self, message: str, number: int, column: str, accepted: str | None) -> None:
        """Refuse a line by the name that its column has in the table."""
        header, raw = self.lines[number].places.get(column, (column, ""))
        said = raw or self.lines[number].texts.get(column, "")
        self.findings.add(
            Refused(message, file=self.name, line=number, column=header, value=said, accepted=accepted)
        )

    def check_twice(self) -> None:
        """Refuse two lines about the same thing."""
        seen: dict[object, int] = {}
        for row in self.rows:
            key = self.table.key_of(row.record)
            if key in seen:
                self.refuse(f"the same as in line {seen[key]}", row.line, self.table.key[0], "each once")
            seen.setdefault(key, row.line)

    def check_new(self, site: Site) -> None:
        """Refuse lines about what the site has already."""
        stored = merge.stored_records(self.table, site)
        for row in self.rows:
            if self.table.key_of(row.record) in stored:
                self.refuse("this is there already", row.line, self.table.key[0], "a name of its own")


def _check(site: Site, rows: dict[str, list[Row]], read: _Read, today: date) -> None:
    """Check across rows as a folder is; what is found is said by the table's own columns."""
    found = Findings()
    try:
        check_rows(rows, Known.of(site, rows), today, found)
        found.check()
    except AllRefused as refused:
        for one in refused.parts:
            assert one.line is not None
            assert one.column is not None
            read.refuse(one.message, one.line, one.column, one.accepted)


def _new_rooms(site: Site, rooms: dict[str, tuple[int, Record]]) -> list[Row]:
    """Return rows for rooms that the site does not have; those that it has are left as they are."""
    known = set(Room.objects.of_site(site).values_list("name", flat=True))
    return [Row(line, record) for name, (line, record) in rooms.items() if name not in known]


def _take(site: Site, table: Table, rows: list[Row], taken: Taken, now: datetime, store: bool) -> None:
    difference: Difference = merge.compare(table, rows, merge.stored_records(table, site))
    if store:
        merge.store(table, difference, site)
        if table is tables.SERVICES:
            note_corrections(difference, now)
    counts = Counts(len(difference.new), len(difference.changed), difference.same)
    taken.note(table.file, counts, merge.examples(table, difference))
