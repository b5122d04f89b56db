"""Tables as files: CSV for any program, a workbook for people; no text in them is taken for a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from openpyxl import Workbook
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Font
from openpyxl.writer.excel import save_workbook

Cell = str | int | Decimal | date | None
Line = Sequence[Cell]
# A spreadsheet program takes a text that begins so for a formula; a quotation mark before it keeps it a text
# (advice of the Open Worldwide Application Security Project on CSV injection, from memory, unverified).
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
CSV_TYPE = "text/csv; charset=utf-8"
WORKBOOK_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


@dataclass(frozen=True)
class Sheet:
    """A table with its name; the first line holds the names of its columns."""

    title: str
    lines: Sequence[Line]


@dataclass(frozen=True)
class TableFile:
    """A form in which tables can be taken away; CSV, which knows no sheets, holds the first of them."""

    words: str
    content_type: str
    write: Callable[[Sequence[Sheet]], bytes]


def guarded(cell: Cell) -> Cell:
    """Keep a text from being taken for a formula; numbers and dates stay what they are."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(FORMULA_STARTS) else cell


def as_csv(lines: Iterable[Line]) -> bytes:
    """Write lines as UTF-8 with the mark by which spreadsheet programs know it."""
    text = io.StringIO(newline="")
    csv.writer(text).writerows([guarded(cell) for cell in line] for line in lines)
    return text.getvalue().encode("utf-8-sig")


def as_workbook(sheets: Iterable[Sheet]) -> bytes:
    """Write a workbook whose sheets keep their head and first column in sight."""
    book = Workbook()
    book.remove(book.active)
    for sheet in sheets:
        _add(book, sheet)
    file = io.BytesIO()
    save_workbook(book, file)
    return file.getvalue()


def _add(book: Workbook, sheet: Sheet) -> None:
    page = book.create_sheet(sheet.title)
    for line in sheet.lines:
        page.append([_writable(guarded(cell)) for cell in line])
    for cell in page[1]:
        cell.font = Font(bold=True)
    page.freeze_panes = "B2"
    page.column_dimensions["A"].width = 26


def _writable(cell: Cell) -> Cell:
    """Replace the control characters that the format has no way of writing."""
    return ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", cell) if isinstance(cell, str) else cell


TABLE_FILES = {
    "csv": TableFile("CSV", CSV_TYPE, lambda sheets: as_csv(sheets[0].lines)),
    "xlsx": TableFile("XLSX", WORKBOOK_TYPE, as_workbook),
}
