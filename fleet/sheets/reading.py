"""From a spreadsheet or CSV file to rows of text, within limits that no honest table reaches."""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from itertools import islice
from pathlib import Path
from statistics import median
from typing import Any

from openpyxl import load_workbook

from fleet.oddcsv.text import DELIMITERS, encoding_of, is_value, parts, without_empty_end
from fleet.refusal import Refused

LARGEST_FILE = 20_000_000  # bytes
LARGEST_UNPACKED = 150_000_000  # bytes
MOST_PARTS = 2_000  # files within a workbook
MOST_ROWS = 50_000
MOST_COLUMNS = 200
MOST_CELLS = 2_000_000
LONGEST_CELL = 2_000  # characters; more is cut
HEAD_ROWS = 30  # a table begins within so many rows
ZIP_MARK = b"PK\x03\x04"
OLD_MARK = b"\xd0\xcf\x11\xe0"

NumberedRow = tuple[int, list[str]]


@dataclass(frozen=True)
class Table:
    """A table's header and its rows with their numbers as the file counts them; cells are texts.

    ``sheets`` are the names of a workbook's sheets, ``sheet`` the one read; both empty for CSV.
    """

    header: list[str]
    rows: list[NumberedRow]
    sheets: list[str]
    sheet: str = ""


def read_table(path: Path, sheet: str = "") -> Table:
    """Read a table; of a workbook the sheet named, else the one with most cells among the first.

    Raises
    ------
    Refused
        Where it is no table, damaged, or beyond the limits.
    """
    if path.stat().st_size > LARGEST_FILE:
        raise Refused("the file is too large", accepted=f"at most {LARGEST_FILE:,} bytes")
    with open(path, "rb") as file:
        mark = file.read(4)
    if mark == OLD_MARK:
        raise Refused("a workbook of the old kind, or one with a password", accepted="XLSX or CSV")
    if mark == ZIP_MARK:
        return _workbook(path, sheet)
    return _headed(_csv_rows(path), [], "")


def _csv_rows(path: Path) -> list[NumberedRow]:
    encoding = encoding_of(path)
    best: tuple[float, str] = (0.0, ",")
    for delimiter in DELIMITERS:
        widths = [
            len(cells) for _, rows in islice(parts(path, encoding, delimiter), 1) for cells in rows[:200]
        ]
        best = max(best, (median(widths) if widths else 0.0, delimiter), key=lambda one: one[0])
    return list(
        _limited(
            (line, [_text(cell) for cell in cells])
            for lines, rows in parts(path, encoding, best[1])
            for line, cells in zip(lines, rows, strict=True)
        )
    )


def _workbook(path: Path, sheet: str) -> Table:
    _check_parts(path)
    try:
        with open(path, "rb") as file, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of what the reader does not keep, such as drawings
            book = load_workbook(file, read_only=True, data_only=True, keep_links=False)
            try:
                names = [page.title for page in book.worksheets]
                chosen = sheet if sheet in names else ""
                tables = {
                    name: list(_limited(_sheet_rows(book[name])))
                    for name in ([chosen] if chosen else names[:8])
                }
            finally:
                book.close()
    except Refused:
        raise
    except Exception as error:  # a damaged workbook fails anywhere within its reader
        raise _unreadable(error) from error
    if not tables:
        raise Refused("the workbook has no sheet with cells", accepted="a sheet with a header row")
    name = max(tables, key=lambda one: sum(len(cells) for _, cells in tables[one]))
    return _headed(tables[name], names, name)


def _unreadable(error: Exception) -> Refused:
    return Refused(
        "the workbook cannot be read", value=f"{type(error).__name__}: {error}", accepted="XLSX saved anew"
    )


def _check_parts(path: Path) -> None:
    """Refuse a workbook that unpacks into more than any table, or that brings definitions of its own.

    Raises
    ------
    Refused
    """
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            if len(entries) > MOST_PARTS or sum(one.file_size for one in entries) > LARGEST_UNPACKED:
                accepted = f"at most {LARGEST_UNPACKED:,} bytes unpacked"
                raise Refused("the workbook unpacks into too much", accepted=accepted)
            for entry in entries:
                if entry.filename.endswith((".xml", ".rels")):
                    with archive.open(entry) as part:
                        head = part.read(4_096).replace(b"\0", b"")
                    if b"<!DOCTYPE" in head or b"<!ENTITY" in head:
                        raise Refused("the workbook defines entities of its own", accepted="XLSX saved anew")
    except Refused:
        raise
    except Exception as error:  # a damaged archive fails anywhere within its reader
        raise _unreadable(error) from error


def _sheet_rows(page: Any) -> Iterator[NumberedRow]:
    if hasattr(page, "reset_dimensions"):
        page.reset_dimensions()  # what a sheet says of its size need not be true
    for number, cells in enumerate(page.iter_rows(values_only=True), start=1):
        yield number, [_cell(value) for value in cells]


def _limited(rows: Iterable[NumberedRow]) -> Iterator[NumberedRow]:
    """Give the rows that hold something, refusing what is beyond the limits."""
    cells_seen = kept = 0
    for number, cells in rows:
        cells_seen += len(cells)
        if number > 20 * MOST_ROWS or kept > MOST_ROWS or cells_seen > MOST_CELLS:
            accepted = f"at most {MOST_ROWS:,} rows and {MOST_CELLS:,} cells"
            raise Refused("the table is too large", line=number, accepted=accepted)
        told = without_empty_end(cells)
        if len(told) > MOST_COLUMNS:
            raise Refused("too many columns", line=number, accepted=f"at most {MOST_COLUMNS}")
        if told:
            kept += 1
            yield number, told


def _cell(value: Any) -> str:
    """Write a cell's value as a person would type it: dates in ISO form, numbers with a point."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ", "minutes")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return _text(str(value))


def _text(text: str) -> str:
    return " ".join(text.replace("\0", "").split())[:LONGEST_CELL]


def _headed(rows: Sequence[NumberedRow], sheets: list[str], sheet: str) -> Table:
    """Find the header: the first row of at least two names that a row follows."""
    for place, (_number, cells) in enumerate(rows[:HEAD_ROWS]):
        names = [cell for cell in cells if cell]
        if len(names) >= 2 and not any(is_value(name) for name in names) and place + 1 < len(rows):
            width = max(len(cells), max(len(others) for _, others in rows[place + 1 :]))
            header = cells + [""] * (width - len(cells))
            padded = [(number, others + [""] * (width - len(others))) for number, others in rows[place + 1 :]]
            return Table(header, padded, sheets, sheet)
    raise Refused("no table with a header row", accepted="a row of column names, then a row for each thing")
