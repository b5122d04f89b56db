"""Kinds of service from a file: open figures are filled, and kinds a site adds get all use classes."""

from __future__ import annotations

from collections.abc import Iterable

from fleet import defaults
from fleet.imports.findings import Findings
from fleet.imports.merge import Difference
from fleet.imports.rows import Row
from fleet.imports.tables import KIND_COLUMNS, SERVICE_KINDS, Key, Record
from fleet.models import ServiceKind, ServiceRule, Site
from fleet.refusal import Refused

FIGURES = ("tolerance", "weight", "hours", "interval_days", "spacing_weeks")
# What a figure is that a kind the site adds may leave open.
UNLESS_SAID: Record = {"spacing_weeks": 1}
OF_ADDED_KIND: Record = {
    "unit": "",
    "instrument_kinds": [],
    "position": 100,
    "shorter_beside": [],
    "shorter_by_hours": defaults.ACTION_OUT_HOURS,
}

Stored = dict[Key, tuple[int, Record]]


def default_records() -> Stored:
    """Return the rules with which a site starts, as if they were stored."""
    return {
        (default.kind, use_class): (
            0,
            {
                "kind": default.kind,
                "use_class": use_class,
                "tolerance": float(default.tolerances[place]),
                "weight": default.weight * defaults.USE_WEIGHT[use_class],
                "hours": default.hours,
                "interval_days": default.intervals_days[place],
                "spacing_weeks": 1,
                "unit": default.unit,
                "instrument_kinds": list(default.instrument_kinds),
                "position": position,
                "shorter_beside": list(default.shorter_beside),
                "shorter_by_hours": defaults.ACTION_OUT_HOURS,
            },
        )
        for position, default in enumerate(defaults.SERVICE_KINDS)
        for place, use_class in enumerate(defaults.USE_CLASSES)
    }


def complete(rows: list[Row], stored: Stored, findings: Findings) -> list[Row]:
    """Return the rows with every figure, and rows for the use classes that an added kind leaves out.

    A figure that a row leaves open stays as it is stored; where nothing is stored it is that of the kind's
    first row. A use class that an added kind does not list takes the figures of the kind's first row.
    """
    by_kind: dict[str, list[Row]] = {}
    for row in rows:
        by_kind.setdefault(row.record["kind"], []).append(row)
    filled: list[Row] = []
    for kind, listed in by_kind.items():
        known = [record for (of_kind, _), (_, record) in stored.items() if of_kind == kind]
        whole = _kind_as_whole(listed, known)
        first = listed[0].record
        model = (known[0] if known else {}) | {name: first[name] for name in FIGURES if name in first}
        if not known:
            given = {row.record["use_class"] for row in listed}
            line = listed[0].line
            listed = listed + [
                Row(line, {"kind": kind, "use_class": use_class})
                for use_class in defaults.USE_CLASSES
                if use_class not in given
            ]
        for row in listed:
            before = stored.get(SERVICE_KINDS.key_of(row.record), (0, model))[1]
            kept = {name: before[name] for name in FIGURES if name in before}
            record = UNLESS_SAID | kept | row.record | whole
            missing = [name for name in FIGURES if name not in record]
            if missing:
                findings.add(_open_figure(row, missing[0]))
                break
            filled.append(Row(row.line, record))
    return filled


def _kind_as_whole(listed: list[Row], known: list[Record]) -> Record:
    """Return what holds for the kind in all use classes."""
    before = {name: known[0][name] for name in KIND_COLUMNS} if known else OF_ADDED_KIND
    said = {name: row.record[name] for row in listed for name in KIND_COLUMNS if name in row.record}
    return before | said


def _open_figure(row: Row, name: str) -> Refused:
    """Say that an added kind has to bring its own figures."""
    return Refused(
        "a kind that the site adds needs all figures in its first row",
        file=SERVICE_KINDS.file,
        line=row.line,
        column=name,
        value="",
        accepted=SERVICE_KINDS.by_name[name].cell.__class__.__name__.lower(),
    )


def store(difference: Difference, site: Site) -> None:
    """Store new and changed rules, and the kinds they belong to."""
    kinds = {kind.kind: kind for kind in ServiceKind.objects.of_site(site)}
    for record in _records(difference):
        kind = kinds.setdefault(record["kind"], ServiceKind(site=site, kind=record["kind"]))
        for name in KIND_COLUMNS:
            setattr(kind, name, record[name])
    for kind in kinds.values():
        kind.save()
    ServiceRule.objects.bulk_create(
        ServiceRule(
            service_kind=kinds[row.record["kind"]],
            use_class=row.record["use_class"],
            **{name: row.record[name] for name in FIGURES},
        )
        for row in difference.new
    )
    for change in difference.changed:
        ServiceRule.objects.filter(pk=change.pk).update(**{name: change.row.record[name] for name in FIGURES})


def _records(difference: Difference) -> Iterable[Record]:
    yield from (row.record for row in difference.new)
    yield from (change.row.record for change in difference.changed)


def beyond_defaults(stored: Stored) -> list[Record]:
    """Return the rules to write: those that differ from what a site starts with, and all of added kinds."""
    start = default_records()
    return [record for key, (_, record) in stored.items() if key not in start or start[key][1] != record]
