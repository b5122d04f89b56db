"""Checks across rows and files: names that must be known, dates in order, services an instrument can have."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from datetime import date, time

from fleet import defaults
from fleet.imports import tables
from fleet.imports.findings import Findings
from fleet.imports.rows import Row
from fleet.imports.tables import Record, Table
from fleet.measures import MEASURED, bounds
from fleet.models import Instrument, InstrumentKind, Person, Room, ServiceKind, Site
from fleet.models.instruments import KNOWN_KINDS
from fleet.refusal import Refused

Rows = dict[str, list[Row]]


@dataclass
class Known:
    """Names that rows may refer to: what the site has and what the folder brings."""

    rooms: set[str] = field(default_factory=set)
    people: set[str] = field(default_factory=set)
    instruments: dict[str, str] = field(default_factory=dict)  # tag to kind
    instrument_kinds: dict[str, str] = field(
        default_factory=lambda: {kind: kind for kind in KNOWN_KINDS}
    )  # kind to the known one it behaves like
    service_kinds: dict[str, list[str]] = field(
        default_factory=lambda: {one.kind: list(one.instrument_kinds) for one in defaults.SERVICE_KINDS}
    )  # kind to the kinds of instrument it is for, none listed means all

    @classmethod
    def of(cls, site: Site | None, rows: Rows) -> Known:
        """Return the names of a site, where there is one, and of the rows of a folder."""
        known = cls()
        if site is not None:
            known.rooms |= set(Room.objects.of_site(site).values_list("name", flat=True))
            known.people |= set(Person.objects.of_site(site).values_list("name", flat=True))
            known.instruments |= dict(Instrument.objects.of_site(site).values_list("tag", "kind"))
            known.instrument_kinds |= dict(
                InstrumentKind.objects.of_site(site).values_list("kind", "behaves_like")
            )
            known.service_kinds |= dict(
                ServiceKind.objects.of_site(site).values_list("kind", "instrument_kinds")
            )
        known._add(rows)
        return known

    def _add(self, rows: Rows) -> None:
        def records(table: Table) -> Iterator[Record]:
            return (row.record for row in rows.get(table.file, []))

        self.rooms |= {record["room"] for record in records(tables.ROOMS)}
        self.people |= {record["name"] for record in records(tables.PEOPLE)}
        self.instruments |= {one["instrument"]: one["kind"] for one in records(tables.INSTRUMENTS)}
        self.instrument_kinds |= {
            one["kind"]: one["behaves_like"] for one in records(tables.INSTRUMENT_KINDS)
        }
        for record in records(tables.SERVICE_KINDS):
            listed = record.get("instrument_kinds", self.service_kinds.get(record["kind"], []))
            self.service_kinds[record["kind"]] = listed

    def names(self, refers: str) -> Collection[str]:
        """Return the names of the things a column refers to."""
        by_column: dict[str, Collection[str]] = {
            "room": self.rooms,
            "instrument": self.instruments,
            "name": self.people,
        }
        return by_column[refers]

    def serves(self, service_kind: str, instrument_kind: str) -> bool:
        """Return whether a kind of service is done on a kind of instrument, or on what it behaves like."""
        listed = self.service_kinds[service_kind]
        like = self.instrument_kinds.get(instrument_kind, instrument_kind)
        return not listed or instrument_kind in listed or like in listed


Problem = tuple[str, str, object, str]  # message, column, value, accepted
Check = Callable[[Record, Known, date], Iterator[Problem]]


def check_rows(rows: Rows, known: Known, today: date, findings: Findings) -> None:
    """Add everything that is wrong across rows to the findings."""
    for table in tables.TABLES:
        checks = [_references(table), *CHECKS.get(table.file, ())]
        for row in rows.get(table.file, []):
            problem = next((found for check in checks for found in check(row.record, known, today)), None)
            if problem:
                message, column, value, accepted = problem
                said = value if isinstance(value, str) else table.by_name[column].cell.write(value)
                findings.add(
                    Refused(
                        message, file=table.file, line=row.line, column=column, value=said, accepted=accepted
                    )
                )
    _check_borrowing(rows, findings)
    _check_service_kinds(rows, findings)


def _references(table: Table) -> Check:
    """Return the check that whatever the columns refer to is known."""
    refers = [column for column in table.columns if column.refers]
    home = {"room": "rooms.csv", "instrument": "instruments.csv", "name": "people.csv"}
    said = {"room": "an unknown room", "instrument": "an unknown instrument", "name": "an unknown person"}

    def check(record: Record, known: Known, today: date) -> Iterator[Problem]:
        for column in refers:
            value = record.get(column.name)
            if value is not None and value not in known.names(column.refers):
                yield said[column.refers], column.name, value, f"one of {home[column.refers]}"

    return check


def days_in_order(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """A stretch of days ends on or after the day it begins."""
    last = record.get("to")
    if last is not None and last < record["from"]:
        yield "the last day is before the first", "to", last, f"{record['from']} or later"


def done_by_today(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """What was done or measured is not in the future."""
    if record["date"] > today:
        yield "the date is in the future", "date", record["date"], f"{today} or earlier"


def instrument_kind_known(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """An instrument is of a known kind or of one that the site adds."""
    if record["kind"] not in known.instrument_kinds:
        accepted = f"{', '.join(known.instrument_kinds)}, or one added in instrument_kinds.csv"
        yield "an unknown kind of instrument", "kind", record["kind"], accepted


def added_kind_is_new(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """A known kind keeps its own ways."""
    if record["kind"] in KNOWN_KINDS:
        yield "the kind is known already", "kind", record["kind"], "the name of a kind the site adds"


def service_kind_fits(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """A service is of a known kind and one that the instrument can have."""
    if record["kind"] not in known.service_kinds:
        accepted = f"{', '.join(known.service_kinds)}, or one added in service_kinds.csv"
        yield "an unknown kind of service", "kind", record["kind"], accepted
        return
    kind = known.instruments[record["instrument"]]
    if not known.serves(record["kind"], kind):
        listed = ", ".join(known.service_kinds[record["kind"]])
        message = f"{record['kind']} is not done on {record['instrument']}, which is of the kind {kind}"
        yield message, "kind", record["kind"], f"{record['kind']} of: {listed}"


def measured_within_bounds(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """What was found and left is possible in the unit of the kind."""
    low, high = bounds(record["kind"])
    for name in MEASURED:
        value = record.get(name)
        if value is not None and not low <= value <= high:
            yield "an impossible value", name, value, f"{low:g} to {high:g} for {record['kind']}"


def dries_after_it_is_applied(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """A hardener is dry after it was applied."""
    applied, dry = record.get("hardener_at"), record.get("dry_at")
    if applied is not None and dry is not None and dry < applied:
        yield "the hardener is dry before it is applied", "dry_at", dry, f"{applied.isoformat()} or later"


def only_measured_left_nothing_else(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """What was only measured has a value found, and was left as that."""
    if not record.get("only_measured"):
        return
    if record.get("found") is None:
        yield "only measured, but no value found", "found", "", "a value"
    if record.get("left") is not None:
        yield "only measured, so it was left as found", "left", record["left"], "an empty cell"
    if record.get("hardener_at") is not None:
        yield "only measured, yet hardened", "hardener_at", record["hardener_at"], "an empty cell"


def skills_known(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """A person's skills are kinds of service."""
    for kind in record.get("skills", []):
        if kind not in known.service_kinds:
            yield "an unknown kind of service", "skills", kind, ", ".join(known.service_kinds)


def working_day_in_order(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """A working day ends after it begins."""
    begins, ends = record.get("day_from", time(8)), record.get("day_until", time(17))
    if ends <= begins:
        yield "the working day ends before it begins", "day_until", ends, f"later than {begins:%H:%M}"


def kinds_of_instrument_known(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """A kind of service is for known kinds of instrument."""
    for kind in record.get("instrument_kinds", []):
        if kind not in known.instrument_kinds:
            accepted = ", ".join(known.instrument_kinds)
            yield "an unknown kind of instrument", "instrument_kinds", kind, accepted


def kinds_of_service_known(record: Record, known: Known, today: date) -> Iterator[Problem]:
    """A kind of service is shorter beside other known kinds."""
    others = [kind for kind in known.service_kinds if kind != record["kind"]]
    for kind in record.get("shorter_beside", []):
        if kind not in others:
            yield "not another kind of service", "shorter_beside", kind, ", ".join(others)


CHECKS: dict[str, tuple[Check, ...]] = {
    tables.INSTRUMENT_KINDS.file: (added_kind_is_new,),
    tables.INSTRUMENTS.file: (instrument_kind_known,),
    tables.PLACEMENTS.file: (days_in_order,),
    tables.ABSENCES.file: (days_in_order,),
    tables.TERMS.file: (days_in_order,),
    tables.SENSORS.file: (days_in_order,),
    tables.SERVICES.file: (
        service_kind_fits,
        done_by_today,
        measured_within_bounds,
        dries_after_it_is_applied,
        only_measured_left_nothing_else,
    ),
    tables.WORKSHEETS.file: (service_kind_fits, done_by_today),
    tables.HELD.file: (service_kind_fits,),
    tables.PEOPLE.file: (skills_known, working_day_in_order),
    tables.SERVICE_KINDS.file: (kinds_of_instrument_known, kinds_of_service_known),
}


def _check_borrowing(rows: Rows, findings: Findings) -> None:
    """Refuse rooms that borrow their air from themselves, be it over others."""
    listed = rows.get(tables.ROOMS.file, [])
    lender = {row.record["room"]: row.record.get("borrows_from") for row in listed}
    for row in listed:
        seen = {row.record["room"]}
        room = lender[row.record["room"]]
        while room is not None and room not in seen:
            seen.add(room)
            room = lender.get(room)
        if room is not None and room == row.record["room"]:
            findings.add(
                Refused(
                    "the room borrows its air from itself",
                    file=tables.ROOMS.file,
                    line=row.line,
                    column="borrows_from",
                    value=lender[room],
                    accepted="a room with air of its own",
                )
            )


def _check_service_kinds(rows: Rows, findings: Findings) -> None:
    """Refuse rows of one kind of service that say different things of the kind itself."""
    first: dict[tuple[str, str], tuple[int, object]] = {}
    for row in rows.get(tables.SERVICE_KINDS.file, []):
        for name in tables.KIND_COLUMNS:
            if name not in row.record:
                continue
            line, value = first.setdefault((row.record["kind"], name), (row.line, row.record[name]))
            if value != row.record[name]:
                findings.add(
                    Refused(
                        f"not the same as for this kind in line {line}",
                        file=tables.SERVICE_KINDS.file,
                        line=row.line,
                        column=name,
                        value=row.record[name],
                        accepted=f"{value}",
                    )
                )
