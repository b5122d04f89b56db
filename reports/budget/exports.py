"""A budget as files: a table for any program, a workbook, a document for programs, and a paper to hand in."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.utils.translation import gettext as _
from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.writer.excel import save_workbook

from reports.budget.ledger import Ledger
from reports.budget.paper import paper
from reports.budget.statement import QUESTIONS, Row, Statement, Sum, set_out

Cell = str | Decimal | None
# A spreadsheet program takes a text that begins so for a formula; a quotation mark before it keeps it a text
# (advice of the Open Worldwide Application Security Project on CSV injection, from memory, unverified).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True)
class Export:
    """A form in which a budget can be taken away."""

    words: str
    content_type: str
    write: Callable[[Ledger, str], bytes]


def as_csv(ledger: Ledger, by: str) -> bytes:
    """Write every entry, one a line, as UTF-8 with the mark by which spreadsheet programs know it."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(_entry_columns(ledger))
    writer.writerows([_guarded(cell) for cell in line] for line in _entry_lines(ledger))
    return text.getvalue().encode("utf-8-sig")


def as_workbook(ledger: Ledger, by: str) -> bytes:
    """Write a sheet for each question, the one asked first, and one of every entry."""
    book = Workbook()
    book.remove(book.active)
    for name in [by, *(name for name in QUESTIONS if name != by)]:
        statement = set_out(ledger, name)
        _sheet(book, _("by %(question)s") % {"question": QUESTIONS[name].words}, _table(ledger, statement))
    _sheet(book, _("entries"), [_entry_columns(ledger), *_entry_lines(ledger)])
    file = io.BytesIO()
    save_workbook(book, file)
    return file.getvalue()


def _sheet(book: Workbook, title: str, lines: Sequence[Sequence[Cell]]) -> None:
    sheet = book.create_sheet(title)
    for line in lines:
        sheet.append([_guarded(cell) for cell in line])
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    sheet.freeze_panes = "B2"
    sheet.column_dimensions["A"].width = 26


def _table(ledger: Ledger, statement: Statement) -> list[list[Cell]]:
    head: list[Cell] = [str(QUESTIONS[statement.by].words)]
    for words in (_("planned"), _("done"), _("put off")):
        head += [f"{words}, {_('services')}", f"{words}, h", f"{words}, {ledger.currency}"]
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


def _guarded(cell: Cell) -> Cell:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) else cell


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
    "csv": Export("CSV", "text/csv; charset=utf-8", as_csv),
    "xlsx": Export("XLSX", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", as_workbook),
    "pdf": Export("PDF", "application/pdf", paper),
    "json": Export("JSON", "application/json", _as_document),
}
