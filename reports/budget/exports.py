"""A budget as files: a table for any program, a workbook, a document for programs, and a paper to hand in."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.utils.translation import gettext as _

from reports import tables
from reports.budget.ledger import Ledger
from reports.budget.paper import paper
from reports.budget.statement import QUESTIONS, Row, Statement, Sum, set_out
from reports.tables import CSV_TYPE, WORKBOOK_TYPE, Cell, Sheet


@dataclass(frozen=True)
class Export:
    """A form in which a budget can be taken away."""

    words: str
    content_type: str
    write: Callable[[Ledger, str], bytes]


def as_csv(ledger: Ledger, by: str) -> bytes:
    """Write every entry, one a line."""
    return tables.as_csv([_entry_columns(ledger), *_entry_lines(ledger)])


def as_workbook(ledger: Ledger, by: str) -> bytes:
    """Write a sheet for each question, the one asked first, and one of every entry.

    Where nobody may be named there is no sheet by person.
    """
    named = any(one.person for one in ledger.entries)
    asked = [by, *(name for name in QUESTIONS if name != by and (named or name != "person"))]
    sheets = [
        Sheet(
            _("by %(question)s") % {"question": QUESTIONS[name].words}, _table(ledger, set_out(ledger, name))
        )
        for name in asked
    ]
    entries = Sheet(_("entries"), [_entry_columns(ledger), *_entry_lines(ledger)])
    return tables.as_workbook([*sheets, entries])


def _table(ledger: Ledger, statement: Statement) -> list[list[Cell]]:
    head: list[Cell] = [str(QUESTIONS[statement.by].words)]
    services = _("services")
    for words in (_("planned"), _("done"), _("put off")):
        head += [f"{words}, {services}", f"{words}, h", f"{words}, {ledger.currency}"]
    if _tells_offered(statement):
        head.append(_("offered, h"))
    return [head, *(_line(statement, row) for row in [*statement.rows, statement.total])]


def _line(statement: Statement, row: Row) -> list[Cell]:
    cells: list[Cell] = [row.name]
    for found in (row.planned, row.done, row.put_off):
        cells += [Decimal(found.services), found.hours, found.cost]
    return [*cells, row.offered] if _tells_offered(statement) else cells


def _tells_offered(statement: Statement) -> bool:
    return any(row.offered is not None for row in statement.rows)


def _entry_columns(ledger: Ledger) -> list[str]:
    return [
        *("stand", "week", "building", "room", "instrument", "use_class", "service", "technician"),
        *("hours", "hours_assumed", f"cost_{ledger.currency.lower()}"),
    ]


def _entry_lines(ledger: Ledger) -> Iterator[list[Cell]]:
    for one in ledger.entries:
        yield [
            *(one.stand.value, one.week.isoformat() if one.week else ""),
            *(one.building, one.room, one.instrument, one.use_class, one.service, one.person),
            *(one.hours, "yes" if one.assumed else "no", one.cost),
        ]


def document(ledger: Ledger, by: str) -> dict[str, Any]:
    """Return the statement by one question as plain values; hours and money are decimal texts."""
    statement = set_out(ledger, by)
    return {
        "site": ledger.site.name,
        "from": ledger.first.isoformat(),
        "to": ledger.last.isoformat(),
        "currency": ledger.currency,
        "by": by,
        "rows": [_said(row) for row in statement.rows],
        "total": _said(statement.total),
    }


def _said(row: Row) -> dict[str, Any]:
    stands = {"planned": row.planned, "done": row.done, "put_off": row.put_off}
    offered = {} if row.offered is None else {"hours_offered": str(row.offered)}
    return {"name": row.name, **{name: _sum(found) for name, found in stands.items()}, **offered}


def _sum(found: Sum) -> dict[str, Any]:
    return {
        "services": found.services,
        "hours": str(found.hours),
        "cost": str(found.cost),
        "hours_without_price": str(found.unpriced),
    }


def _as_document(ledger: Ledger, by: str) -> bytes:
    return json.dumps(document(ledger, by), ensure_ascii=False, indent=1).encode()


EXPORTS = {
    "csv": Export("CSV", CSV_TYPE, as_csv),
    "xlsx": Export("XLSX", WORKBOOK_TYPE, as_workbook),
    "pdf": Export("PDF", "application/pdf", paper),
    "json": Export("JSON", "application/json", _as_document),
}
